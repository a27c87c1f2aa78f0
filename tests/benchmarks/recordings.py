"""Invented recordings of any length and number of channels, written block by block.

Ten minutes are made once: background with alpha, blinks, muscle bursts, mains on some channels,
and contact faults. They are tiled to the length that is asked for, so that a day of 19 channels
costs no more memory than ten minutes. No person's data and nobody's name is in them.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cleanspan.recording.electrodes import position, positions

TEN_TWENTY = (
    "Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8", "T3", "C3", "Cz", "C4", "T4", "T5", "P3", "Pz",
    "P4", "T6", "O1", "O2",
)  # fmt: skip
UNIT_S = 600
RANGE_UV = 3276.8
"""The amplifier's range; 0.1 µV a step."""


@dataclass(frozen=True, slots=True)
class Shape:
    """How large a recording is."""

    duration_s: int
    n_channels: int = 19
    rate_hz: int = 500

    @property
    def name(self) -> str:
        """File name."""
        return f"ch{self.n_channels}-{self.duration_s}s.edf"


def write_recording(path: Path, shape: Shape, *, seed: int = 1) -> Path:
    """Write an EDF file of one-second data records, one tile at a time."""
    labels = electrode_labels(shape.n_channels)
    unit_s = min(UNIT_S, shape.duration_s)
    tile = _as_records(_unit_uv(labels, unit_s, shape.rate_hz, seed), shape.rate_hz)
    record_bytes = len(tile) // unit_s
    with path.open("wb") as file:
        file.write(_header(labels, shape))
        for begin_s in range(0, shape.duration_s, unit_s):
            file.write(tile[: record_bytes * min(unit_s, shape.duration_s - begin_s)])
    return path


def electrode_labels(n_channels: int) -> list[str]:
    """Labels against linked ears: 10-20 first, then 10-10; past those the names repeat."""
    names = [*TEN_TWENTY, *(name for name in positions() if name not in TEN_TWENTY)]
    names = [name for name in names if name not in ("T7", "T8", "P7", "P8")]
    while len(names) < n_channels:
        names += names
    return [f"EEG {name}-A1A2" for name in names[:n_channels]]


def _unit_uv(
    labels: list[str], duration_s: int, rate_hz: int, seed: int
) -> npt.NDArray[np.float32]:
    """Make the tile, ndarray of shape (n_channels, n_samples), µV."""
    rng = np.random.default_rng(seed)
    new = {"T3": "T7", "T4": "T8", "T5": "P7", "T6": "P8"}
    names = [label.removeprefix("EEG ").removesuffix("-A1A2") for label in labels]
    places = np.array([position(new.get(name, name)) for name in names])
    signal_uv = _background(places, duration_s * rate_hz, rate_hz, rng)
    _add_blinks(signal_uv, places, rate_hz, rng)
    _add_muscle(signal_uv, places, rate_hz, rng)
    _add_mains(signal_uv, rate_hz, rng)
    _add_contact_faults(signal_uv, rate_hz, rng)
    return signal_uv


def _background(
    places: npt.NDArray[np.float64], n_samples: int, rate_hz: int, rng: np.random.Generator
) -> npt.NDArray[np.float32]:
    """Noise that falls with frequency and spreads over the head, with posterior alpha."""
    sources = rng.standard_normal((12, n_samples), dtype=np.float32)
    frequency_hz = np.fft.rfftfreq(n_samples, 1 / rate_hz)
    fall = 1 / np.maximum(frequency_hz, 0.8)
    alpha = 6 * np.exp(-0.5 * ((frequency_hz - 10) / 0.6) ** 2)
    where = rng.standard_normal((12, 3))
    where /= np.linalg.norm(where, axis=1, keepdims=True)
    where[-1] = (0, -0.9, 0.4)
    for row, source in enumerate(sources):
        spectrum = np.fft.rfft(source) * (alpha * 0.05 if row == len(sources) - 1 else fall)
        made = np.fft.irfft(spectrum, n_samples)
        sources[row] = made / made.std()
    gain = np.exp(4 * (places @ where.T - 1)).astype(np.float32)
    gain *= np.float32(12) / np.sqrt((gain**2).sum(axis=1, keepdims=True))
    noise = rng.standard_normal((len(places), n_samples), dtype=np.float32)
    signal_uv: npt.NDArray[np.float32] = gain @ sources + np.float32(1.2) * noise
    return signal_uv


def _add_blinks(
    signal_uv: npt.NDArray[np.float32],
    places: npt.NDArray[np.float64],
    rate_hz: int,
    rng: np.random.Generator,
) -> None:
    """About 15 blinks a minute, largest in front."""
    frontness = np.clip(places[:, 1], 0, 1) ** 3
    count = signal_uv.shape[1] // (4 * rate_hz)
    for onset in np.sort(rng.integers(0, signal_uv.shape[1], count)):
        length = int(rate_hz * rng.uniform(0.2, 0.4))
        hump = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
        part = signal_uv[:, onset : onset + length]
        part += np.outer(frontness, rng.uniform(60, 160) * hump)[:, : part.shape[1]]


def _add_muscle(
    signal_uv: npt.NDArray[np.float32],
    places: npt.NDArray[np.float64],
    rate_hz: int,
    rng: np.random.Generator,
) -> None:
    """Bursts of 1 to 8 s on a quarter of the head, about two a minute."""
    for onset in rng.integers(0, signal_uv.shape[1], signal_uv.shape[1] // (30 * rate_hz)):
        length = int(rate_hz * rng.uniform(1, 8))
        centre = places[rng.integers(len(places))]
        spread = np.exp(3 * (places @ centre - 1)) * rng.uniform(8, 40)
        part = signal_uv[:, onset : onset + length]
        noise = np.diff(rng.standard_normal((len(places), part.shape[1] + 1)), axis=1)
        part += (spread[:, None] * noise).astype(np.float32)


def _add_mains(signal_uv: npt.NDArray[np.float32], rate_hz: int, rng: np.random.Generator) -> None:
    """50 Hz on every sixth channel, coming and going."""
    time_s = np.arange(signal_uv.shape[1]) / rate_hz
    hum = np.sin(2 * np.pi * 50 * time_s) * (np.sin(2 * np.pi * time_s / 97) > 0.3)
    for row in range(3, len(signal_uv), 6):
        signal_uv[row] += (rng.uniform(15, 40) * hum).astype(np.float32)


def _add_contact_faults(
    signal_uv: npt.NDArray[np.float32], rate_hz: int, rng: np.random.Generator
) -> None:
    """A flat stretch, a drifting one and pops on some channels, one span on all of them."""
    n_samples = signal_uv.shape[1]
    for row in range(5, len(signal_uv), 9):
        onset = int(rng.integers(0, max(n_samples - 40 * rate_hz, 1)))
        signal_uv[row, onset : onset + 12 * rate_hz] = 0
        drift = signal_uv[row, onset + 15 * rate_hz : onset + 35 * rate_hz]
        drift += np.cumsum(rng.standard_normal(drift.size, dtype=np.float32)) * 4
        for pop in rng.integers(0, n_samples, 4):
            part = signal_uv[row, pop : pop + rate_hz]
            part += 400 * np.exp(-np.arange(part.size, dtype=np.float32) / (0.2 * rate_hz))
    lost = signal_uv[:, n_samples // 2 : n_samples // 2 + 8 * rate_hz]
    lost += np.cumsum(rng.standard_normal(lost.shape[1], dtype=np.float32)) * 10


def _as_records(signal_uv: npt.NDArray[np.float32], rate_hz: int) -> bytes:
    """Little-endian integers in one-second data records."""
    stored = np.clip(np.rint(signal_uv * 10), -32768, 32767).astype("<i2")
    return stored.reshape(len(stored), -1, rate_hz).transpose(1, 0, 2).tobytes()


def _header(labels: list[str], shape: Shape) -> bytes:
    """EDF header (Kemp et al. 1992): fixed part, then one column a signal property."""
    n_signals = len(labels)
    fixed = (
        ("0", 8), ("X X X X", 80), ("Startdate X X X X", 80), ("01.01.85", 8), ("00.00.00", 8),
        (256 * (n_signals + 1), 8), ("", 44), (shape.duration_s, 8), (1, 8), (n_signals, 4),
    )  # fmt: skip
    signals = (
        (labels, 16), ([""], 80), (["uV"], 8), ([-RANGE_UV], 8), ([RANGE_UV - 0.1], 8),
        ([-32768], 8), ([32767], 8), (["HP:0.1Hz LP:200Hz"], 80), ([shape.rate_hz], 8), ([""], 32),
    )  # fmt: skip
    text = "".join(str(value).ljust(width) for value, width in fixed)
    for values, width in signals:
        column = values if len(values) == n_signals else values * n_signals
        text += "".join(_cell(value).ljust(width) for value in column)
    return text.encode("ascii")


def _cell(value: object) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def main(target: str, duration_s: str, n_channels: str, seed: str) -> None:
    shape = Shape(int(duration_s), int(n_channels))
    write_recording(Path(target), shape, seed=int(seed))


if __name__ == "__main__":
    main(*sys.argv[1:])
