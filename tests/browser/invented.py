"""An invented screened recording: artefacts at known places, signals to match, no file behind."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd

from cleanspan.config import Config
from cleanspan.types import (
    BLINK,
    CONTACT_LOSS,
    LABELS,
    LINE_NOISE,
    MUSCLE,
    SEGMENT_COLUMNS,
    Channel,
    Finding,
    Note,
    Piece,
    Role,
    Screened,
    Spectra,
)

CAP = [
    "Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8", "T7", "C3", "Cz", "C4", "T8", "P7", "P3", "Pz",
    "P4", "P8", "O1", "O2",
]  # fmt: skip
OLD = {"T7": "T3", "T8": "T4", "P7": "T5", "P8": "T6"}


@dataclass
class InventedRecording:
    """Synthesises what the segments say is there."""

    duration_s: float
    rate_hz: float
    channels: tuple[Channel, ...]
    segments: pd.DataFrame
    pieces: tuple[Piece, ...]
    path: Path = Path("ward-b_2031-03-04_rest.edf")
    format: str = "EDF+C"
    notes: tuple[Note, ...] = ()
    start: datetime | None = None
    warnings: tuple[str, ...] = ()
    spans_read: list = field(default_factory=list)

    def span(self, channels: Sequence[int], onset_s: float, duration_s: float) -> np.ndarray:
        self.spans_read.append((tuple(channels), onset_s, duration_s))
        count = round(duration_s * self.rate_hz)
        time_s = onset_s + np.arange(count) / self.rate_hz
        rng = np.random.default_rng(int(onset_s * 1000) + 5)
        shared = np.cumsum(rng.normal(0, 1.2, count))
        shared -= np.convolve(shared, np.ones(50) / 50, "same")
        out = np.empty((len(channels), count), dtype=np.float32)
        for row, index in enumerate(channels):
            own = rng.normal(0, 3, count) + shared
            own += 14 * np.sin(2 * np.pi * 10.2 * time_s + 0.2 * index) * (index > 11)
            out[row] = own
        self._add_artefacts(out, channels, time_s, rng)
        inside = np.zeros(count, dtype=bool)
        for piece in self.pieces:
            inside |= (time_s >= piece.onset_s) & (time_s < piece.onset_s + piece.duration_s)
        out[:, ~inside] = np.nan
        return out

    def _add_artefacts(self, out, channels, time_s, rng):
        table = self.segments
        near = table[(table.onset_s < time_s[-1]) & (table.onset_s + table.duration_s > time_s[0])]
        rows = {self.channels[index].label: row for row, index in enumerate(channels)}
        for segment in near.itertuples():
            row = rows.get(segment.channel)
            if row is None:
                continue
            at = (time_s >= segment.onset_s) & (time_s < segment.onset_s + segment.duration_s)
            since = time_s[at] - segment.onset_s
            if segment.label == BLINK:
                out[row, at] += 130 * np.sin(np.pi * since / segment.duration_s) ** 2
            elif segment.label == MUSCLE:
                out[row, at] += rng.normal(0, 45, at.sum())
            elif segment.label == LINE_NOISE:
                out[row, at] += 40 * np.sin(2 * np.pi * 50 * time_s[at])
            else:
                out[row, at] = 400 * np.sin(2 * np.pi * 0.21 * since) + rng.normal(0, 30, at.sum())

    def blocks(self, channels, *, block_s=20.0):
        raise NotImplementedError

    def close(self) -> None:
        pass


class InventedProbabilities:
    """Probabilities that agree with the segments."""

    def __init__(self, recording, eeg, labels, segments):
        self.labels = labels
        self.window_s = 1.0
        self.onset_s = np.arange(0, recording.duration_s - 0.5, 0.5)
        self._eeg, self._segments = eeg, segments

    def channel(self, row: int) -> np.ndarray:
        rng = np.random.default_rng(row)
        values = rng.beta(1, 12, (len(self.onset_s), len(self.labels))).astype(np.float32)
        own = self._segments[self._segments.channel == self._eeg[row].label]
        for segment in own.itertuples():
            first = int(max(0, segment.onset_s - 0.5) / 0.5)
            last = int((segment.onset_s + segment.duration_s) / 0.5) + 1
            values[first:last, self.labels.index(segment.label)] = segment.confidence
        return values


def channel(index: int, label: str, electrode: str | None, rate_hz: float, role=Role.EEG):
    return Channel(index, label, role, electrode, rate_hz)


def invented_segments(names: Sequence[str], duration_s: float, seed: int = 3) -> pd.DataFrame:
    """Blinks at the front, jaw muscle at the temples, a drying sponge, mains on two channels."""
    rng = np.random.default_rng(seed)
    rows: list[tuple] = []
    blinks = np.cumsum(rng.exponential(4.5, int(duration_s / 4.5) + 1) + 0.5)
    for onset in blinks[blinks < duration_s - 1]:
        rows += [(name, BLINK, "", onset, 0.35, rng.uniform(0.6, 0.99)) for name in names[:2]]
        if rng.random() < 0.4:
            rows.append((names[2], BLINK, "", onset, 0.3, rng.uniform(0.36, 0.7)))
    for _ in range(int(duration_s / 90) + 1):
        onset = rng.uniform(0, max(1, duration_s - 8))
        rows += [
            (name, MUSCLE, "", onset, rng.uniform(0.6, 6), rng.uniform(0.4, 0.98))
            for name in (names[7], names[11], names[6])
        ]
    rows.append((names[7], CONTACT_LOSS, "floating", duration_s * 0.55, duration_s * 0.4, 0.97))
    rows.append((names[17], CONTACT_LOSS, "pops", duration_s * 0.2, 5.0, 0.71))
    rows.append((names[17], CONTACT_LOSS, "floating", duration_s * 0.8, duration_s * 0.05, 0.88))
    rows += [
        (name, CONTACT_LOSS, "reference lost", duration_s * 0.4, duration_s * 0.01, 0.99)
        for name in names
    ]
    rows.append((names[12], LINE_NOISE, "", 0.0, duration_s * 0.62, 0.83))
    rows.append((names[16], LINE_NOISE, "", duration_s * 0.3, duration_s * 0.08, 0.77))
    table = pd.DataFrame(rows, columns=list(SEGMENT_COLUMNS)).sort_values("onset_s")
    for column in ("channel", "label", "kind"):
        table[column] = table[column].astype("category")
    return table.reset_index(drop=True)


def channel_table(recording, eeg, labels, segments) -> pd.DataFrame:
    screened = {one.label for one in eeg}
    rows = []
    for one in recording.channels:
        row: dict = {"channel": one.label, "role": str(one.role), "verdict": "not screened"}
        own = segments[segments.channel == one.label]
        for label in labels:
            share = own[own.label == label].duration_s.sum() / recording.duration_s
            row[f"{label.replace(' ', '_')}_share"] = share if one.label in screened else np.nan
        bad = sum(row[f"{label.replace(' ', '_')}_share"] for label in labels)
        row["clean_share"] = np.maximum(0.0, 1 - bad)
        if one.label in screened:
            row["verdict"] = "mend" if bad > 0.3 else "watch" if bad > 0.1 else "good"
        row["note"] = "wet the sponge; it dried out" if row["verdict"] == "mend" else ""
        rows.append(row)
    return pd.DataFrame(rows)


def invented_spectra(eeg) -> Spectra:
    frequency_hz = np.arange(0, 125.5, 0.5)
    base = 60 / (1 + (frequency_hz / 4) ** 1.6)
    rows = []
    for number in range(len(eeg)):
        row = base * (0.8 + 0.4 * np.sin(number) ** 2)
        if number > 11:
            row = row + 30 * np.exp(-((frequency_hz - 10.2) ** 2) / 2)
        row = row + (60 if number in (12, 16) else 0.5) * np.exp(-((frequency_hz - 50) ** 2) / 0.2)
        if number in (7, 11):
            row = row + 4 * np.exp(-((frequency_hz - 70) ** 2) / 1500)
        rows.append(row)
    return Spectra(frequency_hz, np.array(rows))


def invented_screened(
    *,
    duration_s: float = 4 * 3600,
    rate_hz: float = 250.0,
    labels: tuple[str, ...] = LABELS,
    prefix: str = "EEG ",
    suffix: str = "-A1A2",
    gap: tuple[float, float] | None = None,
    extra_segments: Sequence[tuple] = (),
    names: Sequence[str] | None = None,
) -> Screened:
    names = list(names or [f"{prefix}{OLD.get(name, name)}{suffix}" for name in CAP])
    eeg = tuple(
        channel(index, name, CAP[index] if index < len(CAP) else None, rate_hz)
        for index, name in enumerate(names)
    )
    others = (channel(len(eeg), "ECG", None, rate_hz, Role.HEART),)
    segments = invented_segments(names, duration_s)
    if extra_segments:
        extra = pd.DataFrame(list(extra_segments), columns=list(SEGMENT_COLUMNS))
        both = pd.concat([segments.astype(dict.fromkeys(SEGMENT_COLUMNS[:3], str)), extra])
        segments = both.sort_values("onset_s").reset_index(drop=True)
        for column in ("channel", "label", "kind"):
            segments[column] = segments[column].astype("category")
    pieces = (Piece(0.0, duration_s),)
    if gap:
        pieces = (Piece(0.0, gap[0]), Piece(gap[1], duration_s - gap[1]))
    recording = InventedRecording(duration_s, rate_hz, eeg + others, segments, pieces)
    return Screened(
        recording=recording,
        eeg=eeg,
        labels=labels,
        probabilities=InventedProbabilities(recording, eeg, labels, segments),
        segments=segments,
        channels=channel_table(recording, eeg, labels, segments),
        findings=(
            Finding(
                "salt bridge",
                (names[3], names[4]),
                f"{names[3]} and {names[4]} record nearly the same signal: look for water "
                "running from one sponge to the other.",
            ),
            Finding("drying", (names[7],), f"{names[7]} lost contact slowly: its sponge dried."),
        ),
        mains_hz=50.0,
        spectra=invented_spectra(eeg),
        model="sponge-cap-1 (3f9a2c71)",
        config=Config(),
    )
