"""An invented lab: a small model, and short recordings of a few people with hand labels."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from edfio import Edf, EdfSignal

from cleanspan.labelling.model import save_model
from cleanspan.training.fitting import Recipe, Sample, View, fit_panel
from cleanspan.training.sample import save_tables
from cleanspan.training.simulator import (
    Amplifier,
    Burst,
    Eyes,
    Fault,
    Mains,
    Muscle,
    Scenario,
    simulate,
)
from cleanspan.training.sources import WINDOW_LABELS, all_joined, simulation_tables
from cleanspan.types import BLINK, LABELS

TINY = Recipe(
    views={label: (View((6,), 0.003, 1),) for label in LABELS}, epochs=4, folds=2, most_rows=4000
)
CAP = ("Fp1", "Fp2", "F7", "F8", "T7", "Cz", "T8", "O1", "O2")
SECONDS = 20.0
ROW = "{name},{label},{onset:.2f},{length:.2f},{channels},{reader},\n"


def scene(number):
    """A scenario with blinks and a burst of jaw muscle."""
    return Scenario(
        duration_s=SECONDS,
        electrodes=CAP,
        amplifier=Amplifier(rate_hz=200.0, low_pass_hz=80.0),
        eyes=replace(Eyes(), blinks_per_minute=20.0),
        muscle=Muscle(bursts=(Burst("left temple", 4.0 + number % 5, 6.0, 60.0),)),
        mains=Mains(channels=(("O1", 40.0),)),
        faults=(Fault("flat", "O2", 10.0 + number % 3, 5.0, 1.0),),
    )


def made(number):
    return simulate(1000 + number, scenario=scene(number))


def write_edf(path, simulated):
    signals = [
        EdfSignal(samples.astype(float), simulated.rate_hz, label=f"EEG {name}-A1A2",
                  physical_dimension="uV", physical_range=(-3200, 3200))
        for name, samples in zip(simulated.electrodes, np.clip(simulated.samples_uv, -3200, 3200),
                                 strict=True)
    ]  # fmt: skip
    Edf(signals).write(path)


def label_rows(name, simulated, *, own=None):
    rows = [
        ROW.format(
            name=name, label="reviewed", onset=0, length=SECONDS, channels="all", reader="r"
        )
    ]
    rows += [
        ROW.format(
            name=name,
            label=span.label,
            onset=span.onset_s,
            length=min(span.duration_s, SECONDS - span.onset_s),
            channels=" ".join(span.channels),
            reader="r",
        )
        for span in simulated.labels
        if span.label in LABELS
    ]
    if own:
        rows.append(
            ROW.format(name=name, label=own, onset=12, length=4, channels="F7 F8", reader="r")
        )
    return rows


@pytest.fixture(scope="session")
def lab(tmp_path_factory):
    """Six people's recordings, their labels, and the model to start from."""
    root = tmp_path_factory.mktemp("lab")
    base = all_joined([simulation_tables(made(n), name=f"base-{n}") for n in range(50, 54)])
    model = root / "base"
    model.mkdir()
    save_model(
        model,
        name="base",
        windows=fit_panel("windows", [Sample(base.windows)], WINDOW_LABELS, recipe=TINY),
        events=fit_panel("events", [Sample(base.events)], (BLINK,), recipe=TINY),
        rules={},
        facts={"training": {"recordings_sha256": [], "people_sha256": []}},
        card="# base\n",
    )
    save_tables(model / "sample.npz", base)
    recordings = root / "recordings"
    recordings.mkdir()
    rows, own_rows = [], []
    for number in range(6):
        name = f"p{number}_rest.edf"
        simulated = made(number)
        write_edf(recordings / name, simulated)
        rows += label_rows(name, simulated)
        own_rows += label_rows(name, simulated, own="chewing gum")
    header = "recording,label,onset_s,duration_s,channels,reader,note\n"
    (root / "labels.csv").write_text(header + "".join(rows))
    (root / "own.csv").write_text(header + "".join(own_rows))
    return SimpleNamespace(
        root=root,
        model=model,
        recordings=recordings,
        labels=root / "labels.csv",
        own=root / "own.csv",
        recipe=TINY,
    )
