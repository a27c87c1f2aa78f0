"""The demo recordings: an invented listening study with everything that goes wrong in a night.

``python -m cleanspan.training.demo OUT_FOLDER`` writes them again, byte for byte.
"""

import argparse
import csv
import datetime as dt
import io
import logging
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from cleanspan.training.simulator import (
    Amplifier,
    Brain,
    Burst,
    Eyes,
    Fault,
    Mains,
    Muscle,
    Scenario,
    Simulated,
    simulate,
)
from cleanspan.training.simulator.readers import Row, as_read

logger = logging.getLogger(__name__)

OLD_NAMES = {"T7": "T3", "T8": "T4", "P7": "T5", "P8": "T6"}
AMPLIFIER = Amplifier(
    rate_hz=250.0, bits=16, lsb_uv=0.1, range_uv=3276.7, high_pass_hz=0.16, low_pass_hz=70.0
)
CHEWING = tuple(
    Burst(f"{side} {place}", 52.0 + 0.7 * number, 0.4, 75.0)
    for number in range(7)
    for side in ("left", "right")
    for place in ("jaw", "temple")
)


@dataclass(frozen=True, slots=True)
class Session:
    """One recording of the study.

    Attributes
    ----------
    name : str
        File name without extension.
    subject : str
        Code; there are no names.
    seed : int
    scenario : Scenario
    label : str
        How the recording spells a channel, ``{name}`` for the electrode.
    spelling : mapping of str to str
        Electrodes spelt in the old way.
    n_unused : int
        Inputs that were recorded but had no electrode.
    notes : tuple of (onset_s, text)
        Annotations written during the session.
    presses_s : tuple of float
        When the participant pressed the button.
    """

    name: str
    subject: str
    seed: int
    scenario: Scenario
    label: str
    spelling: Mapping[str, str]
    n_unused: int
    notes: tuple[tuple[float, str], ...]
    presses_s: tuple[float, ...]


def sessions() -> tuple[Session, ...]:
    """Give the study's three recordings."""
    return (_rest(), _listening(), _drowsy())


def _rest() -> Session:
    """Set out rest: eyes open, then closed with strong alpha; a sponge dries; old names."""
    return Session(
        name="harbour-street-p01-rest",
        subject="HS-P01",
        seed=4103,
        scenario=Scenario(
            duration_s=120.0,
            amplifier=AMPLIFIER,
            brain=Brain(
                background_uv=13, slope=1.4, alpha_uv=34, alpha_open=0.12, alpha_forward=0.45
            ),
            eyes=Eyes(
                closed=((62.0, 58.0),),
                blinks_per_minute=16,
                blink_uv=170,
                lateral_per_minute=4,
                lateral_uv=55,
                rolling_uv=12,
            ),
            muscle=Muscle(lasting=(("left temple", 15.0), ("right brow", 3.0))),
            mains=Mains(frequency_hz=50.0, common_uv=0.4),
            faults=(Fault("drying", "T8", 70.0, 50.0, 160.0),),
            heart_uv=9.0,
            heart_per_minute=64,
        ),
        label="EEG {name}-A1A2",
        spelling=OLD_NAMES,
        n_unused=0,
        notes=((0.0, "Eyes open"), (62.0, "Eyes closed")),
        presses_s=(5.0, 61.0),
    )


def _listening() -> Session:
    """Set out listening: button, lost ear clip, mains, jaw, thirteen unused inputs."""
    return Session(
        name="harbour-street-p02-listening",
        subject="HS-P02",
        seed=4202,
        scenario=Scenario(
            duration_s=100.0,
            amplifier=AMPLIFIER,
            brain=Brain(background_uv=11, slope=1.3, alpha_uv=12, mu_uv=5),
            eyes=Eyes(
                blinks_per_minute=20, blink_uv=130, lateral_per_minute=7, vertical_per_minute=1.5
            ),
            muscle=Muscle(
                lasting=(("right temple", 13.0),),
                bursts=(
                    Burst("left jaw", 18.0, 1.4, 60.0),
                    Burst("right jaw", 18.1, 1.2, 55.0),
                    Burst("left temple", 18.0, 1.4, 70.0),
                    Burst("left brow", 33.5, 2.2, 28.0),
                    Burst("right neck", 78.0, 4.0, 22.0),
                ),
            ),
            mains=Mains(
                frequency_hz=50.0, common_uv=0.6, channels=(("O2", 26.0), ("P4", 12.0)), drift=0.15
            ),
            faults=(
                Fault("reference lost", "", 42.0, 12.0, 180.0),
                Fault("popping", "P3", 63.0, 14.0, 220.0),
            ),
            heart_uv=6.0,
            heart_per_minute=72,
        ),
        label="{name}",
        spelling={},
        n_unused=13,
        notes=((8.0, "Block 1"), (41.0, "Ear clip?"), (55.0, "Ear clip back"), (60.0, "Block 2")),
        presses_s=(10.1, 14.6, 19.9, 25.3, 30.2, 36.4, 62.7, 69.0, 74.8, 81.5, 88.1, 94.3),
    )


def _drowsy() -> Session:
    """Set out drowsiness: an electrode that never touched, a flat and a railed one, chewing."""
    return Session(
        name="harbour-street-p03-drowsy",
        subject="HS-P03",
        seed=4303,
        scenario=Scenario(
            duration_s=90.0,
            amplifier=AMPLIFIER,
            brain=Brain(
                background_uv=17,
                slope=1.7,
                alpha_uv=14,
                theta_uv=9,
                drowsy=0.9,
                frontal_slow_uv=55,
            ),
            eyes=Eyes(
                closed=((10.0, 35.0),),
                blinks_per_minute=9,
                blink_uv=210,
                rolling_uv=30,
                flutter_per_minute=1.0,
            ),
            muscle=Muscle(lasting=(("left brow", 3.0),), bursts=CHEWING),
            mains=Mains(frequency_hz=50.0, common_uv=0.8, channels=(("Fz", 2.0),)),
            faults=(
                Fault("floating", "C3", 0.0, 90.0, 120.0),
                Fault("flat", "Pz", 30.0, 6.0, 0.0),
                Fault("railed", "F8", 70.0, 5.0, 900.0),
            ),
            heart_uv=4.0,
            heart_per_minute=57,
            sweat_uv=18.0,
        ),
        label="EEG {name}",
        spelling={},
        n_unused=0,
        notes=((10.0, "Eyes closed"), (45.0, "Eyes open"), (51.0, "Snack")),
        presses_s=(3.0, 48.0, 85.0),
    )


def write_demo(folder: Path) -> list[Path]:
    """Write recordings and hand labels.

    Parameters
    ----------
    folder : Path
        Made where it is missing; files of the same names are replaced.

    Returns
    -------
    list of Path
        What was written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    first: list[Row] = []
    second: list[Row] = []
    written = []
    for session in sessions():
        simulated = simulate(session.seed, scenario=session.scenario)
        path = folder / f"{session.name}.edf"
        path.write_bytes(recording_bytes(session, simulated))
        written.append(path)
        first += _rows(session, simulated, reader="reader-1", jitter_s=0.02, share=1.0)
        second += _rows(session, simulated, reader="reader-2", jitter_s=0.05, share=0.5)
    for name, rows in (("hand-labels-reader-1.csv", first), ("hand-labels-reader-2.csv", second)):
        path = folder / name
        path.write_text(_table(rows), encoding="utf-8", newline="")
        written.append(path)
    return written


def _rows(
    session: Session, simulated: Simulated, *, reader: str, jitter_s: float, share: float
) -> list[Row]:
    """One reader's rows; a reader may have looked at the first part only."""
    return as_read(
        simulated.labels,
        recording=f"{session.name}.edf",
        reader=reader,
        electrodes=simulated.electrodes,
        rng=np.random.default_rng([session.seed, len(reader), round(100 * jitter_s)]),
        jitter_s=jitter_s,
        spelling=session.spelling,
        reviewed=(0.0, round(session.scenario.duration_s * share, 1)),
    )


def _table(rows: Sequence[Row]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(Row._fields)
    for row in rows:
        writer.writerow(f"{value:g}" if isinstance(value, float) else value for value in row)
    return text.getvalue()


def recording_bytes(session: Session, simulated: Simulated) -> bytes:
    """Render one recording as an EDF+ file."""
    import edfio

    rng = np.random.default_rng([session.seed, 99])
    signals = [
        _signal(samples, session.label.format(name=session.spelling.get(name, name)))
        for name, samples in zip(simulated.electrodes, simulated.samples_uv, strict=True)
    ]
    n_samples = simulated.samples_uv.shape[1]
    signals += [
        _signal(_open_input(rng, n_samples), f"Input {20 + number}")
        for number in range(session.n_unused)
    ]
    signals.append(_button(session, n_samples))
    recording = edfio.Edf(
        signals,
        patient=edfio.Patient(code=session.subject),
        recording=edfio.Recording(
            startdate=dt.date(2031, 3, 4), equipment_code="Harbour-Street-cap-19"
        ),
        starttime=dt.time(22, 0, 0),
        data_record_duration=1,
        annotations=[edfio.EdfAnnotation(onset, None, text) for onset, text in session.notes],
    )
    return bytes(recording.to_bytes())


def _signal(samples_uv: npt.NDArray[np.floating], label: str) -> Any:
    import edfio

    return edfio.EdfSignal(
        samples_uv.astype(np.float64),
        AMPLIFIER.rate_hz,
        label=label,
        transducer_type="sponge electrode" if not label.startswith("Input") else "",
        physical_dimension="uV",
        physical_range=(-3276.8, 3276.7),
        prefiltering=f"HP:{AMPLIFIER.high_pass_hz:g}Hz LP:{AMPLIFIER.low_pass_hz:g}Hz",
    )


def _open_input(rng: np.random.Generator, n_samples: int) -> npt.NDArray[np.floating]:
    """Give an input that nothing is plugged into: a little noise and mains."""
    time_s = np.arange(n_samples) / AMPLIFIER.rate_hz
    hum = rng.uniform(0.5, 3) * np.sin(2 * np.pi * 50 * time_s + rng.uniform(0, 6.3))
    return np.asarray(np.round((hum + 0.4 * rng.standard_normal(n_samples)) * 10) / 10)


def _button(session: Session, n_samples: int) -> Any:
    """Give the marker button: 0 and 5 V in mV, a range unlike any electrode's."""
    import edfio

    level_mv = np.zeros(n_samples)
    for press_s in session.presses_s:
        first = round(press_s * AMPLIFIER.rate_hz)
        level_mv[first : first + round(0.25 * AMPLIFIER.rate_hz)] = 5000.0
    return edfio.EdfSignal(
        level_mv,
        AMPLIFIER.rate_hz,
        label="Button",
        physical_dimension="mV",
        physical_range=(0.0, 5000.0),
        digital_range=(0, 1000),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the demo recordings into a folder named on the command line."""
    parser = argparse.ArgumentParser(
        prog="python -m cleanspan.training.demo",
        description="Write the invented demo recordings and their hand labels.",
    )
    parser.add_argument("out_folder", type=Path)
    folder: Path = parser.parse_args(arguments).out_folder
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    try:
        for path in write_demo(folder):
            logger.info("%s", path)
    except OSError as error:
        parser.exit(2, f"the folder must be writable, got: {error.strerror}: {folder}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
