"""Builders of invented screened recordings; loaded by path, as the tests are no package."""

from pathlib import Path

import numpy as np
import pandas as pd

from cleanspan.config import Config
from cleanspan.types import (
    LABELS,
    SEGMENT_COLUMNS,
    Block,
    Channel,
    Finding,
    Note,
    Piece,
    Role,
    Screened,
)

ELECTRODES = ("Fp1", "Fp2", "C3", "C4", "O1", "O2")


def channels(electrodes=ELECTRODES, *, rate_hz=256.0):
    """Scalp channels as a header names them."""
    return tuple(
        Channel(row, f"EEG {name}-A1A2", Role.EEG, name, rate_hz)
        for row, name in enumerate(electrodes)
    )


def segments(*rows):
    """Segments from (electrode, label, onset_s, duration_s[, confidence[, kind]])."""
    full = [
        (
            f"EEG {name}-A1A2",
            label,
            (*rest, "")[1] if rest else "",
            onset_s,
            duration_s,
            rest[0] if rest else 0.9,
        )
        for name, label, onset_s, duration_s, *rest in rows
    ]
    table = pd.DataFrame(full, columns=list(SEGMENT_COLUMNS))
    table = table.astype({"onset_s": float, "duration_s": float, "confidence": float})
    texts = dict.fromkeys(("channel", "label", "kind"), "category")
    return table.sort_values("onset_s", kind="stable").astype(texts).reset_index(drop=True)


class FakeRecording:
    """A recording whose samples are given."""

    def __init__(self, name="harbour-07.edf", *, extra=(), notes=(), pieces=None, samples=None):
        self.path = Path(name)
        self.format = "EDF+C"
        self.channels = (*channels(), *extra)
        self.pieces = pieces or (Piece(0.0, 60.0),)
        self.notes = tuple(notes)
        self.start = None
        self.warnings = ("the header states no filter",)
        self.samples = samples or {}

    @property
    def duration_s(self):
        return self.pieces[-1].onset_s + self.pieces[-1].duration_s

    def blocks(self, indices, *, block_s=20.0):
        (index,) = indices
        channel = next(item for item in self.channels if item.index == index)
        for piece, values in enumerate(self.samples[index]):
            size = int(block_s * channel.rate_hz)
            for first in range(0, len(values), size):
                part = np.asarray(values[first : first + size], dtype=np.float32)
                yield Block(piece, first, part[np.newaxis])

    def close(self):
        pass


class FakeProbabilities:
    """Probabilities held in memory."""

    window_s = 1.0

    def __init__(self, labels=LABELS, *, n_channels=6, n_windows=119):
        self.labels = labels
        self.onset_s = np.arange(n_windows) * 0.5
        shape = (n_channels, n_windows, len(labels))
        self.values = np.random.default_rng(7).random(shape, dtype=np.float32)

    def channel(self, row):
        return self.values[row]


def screened(*rows, recording=None, labels=LABELS, config=None):
    """A screened recording with the given segments."""
    recording = recording or FakeRecording()
    shares = {f"{label.replace(' ', '_')}_share": 0.0123456 for label in labels}
    table = pd.DataFrame(
        [
            {
                "channel": channel.label,
                "role": str(channel.role),
                "verdict": "good" if channel.role is Role.EEG else "not screened",
                "clean_share": 0.95 if channel.role is Role.EEG else float("nan"),
                **shares,
                "note": "",
            }
            for channel in recording.channels
        ]
    )
    return Screened(
        recording=recording,
        eeg=tuple(item for item in recording.channels if item.role is Role.EEG),
        labels=labels,
        probabilities=FakeProbabilities(labels, n_channels=len(recording.channels)),
        segments=segments(*rows),
        channels=table,
        findings=(
            Finding("salt bridge", ("EEG C3-A1A2", "EEG C4-A1A2"), "C3 and C4 are joined."),
        ),
        mains_hz=50.0,
        spectra=None,
        model="lighthouse 1a2b3c4d",
        config=config or Config(),
    )


def button_channel(index=6, *, rate_hz=256.0):
    """A marker button beside the scalp channels."""
    return Channel(index, "Marker", Role.BUTTON, None, rate_hz, lowest_uv=-3200, highest_uv=3200)


def lost_reference(onset_s, duration_s):
    """A lost reference: one row on every channel."""
    return tuple(
        (name, "contact loss", onset_s, duration_s, 0.99, "reference lost") for name in ELECTRODES
    )


def note(onset_s, text, duration_s=0.0):
    """An annotation of the recording."""
    return Note(onset_s, duration_s, text)
