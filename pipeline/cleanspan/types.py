"""The records that travel between the stages.

Times are seconds from the recording's first sample, amplitudes are µV, rates are Hz.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt

from cleanspan.config import Config

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.floating[Any]]

CLEAN = "clean"
BLINK = "blink"
MUSCLE = "muscle"
LINE_NOISE = "line noise"
CONTACT_LOSS = "contact loss"
REFERENCE_LOST = "reference lost"
"""Kind of contact loss, and of finding: all channels at once."""
NOISE_EVERYWHERE, STOPPED = "line noise everywhere", "stopped"
SALT_BRIDGE = "salt bridge"
OF_ALL_CHANNELS = (REFERENCE_LOST, NOISE_EVERYWHERE, STOPPED)
"""Kinds of finding that are no reason to mend one electrode."""
LABELS = (BLINK, MUSCLE, LINE_NOISE, CONTACT_LOSS)
"""The labels of the shipped model. A lab's own model may have others: ask the model."""

ALL_CHANNELS = "all"
EARLIER = "earlier"
"""Folder for what was replaced and must not be lost: a night's former results, people's work."""
FACTS = "_facts.json"
"""How the name of the file ends that makes a folder one of results."""
SUMMARY = "summary.csv"
NIGHT_LOCK = ".night.lock"
"""File that a night locks in its output folder, and leaves there."""
SEGMENT_COLUMNS = ("channel", "label", "kind", "onset_s", "duration_s", "confidence")


class Role(StrEnum):
    """What a recorded channel is for."""

    EEG = "eeg"
    EYE = "eye"
    HEART = "heart"
    MUSCLE = "muscle"
    TRIGGER = "trigger"
    BUTTON = "button"
    REFERENCE = "reference"
    UNUSED = "unused"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Channel:
    """One signal of a recording, as its header describes it.

    Attributes
    ----------
    index : int
        Position among the recording's ordinary signals (annotation signals do not count).
    label : str
        The recording's own label, stripped of padding; made unique by `` #2`` where repeated.
    role : Role
        What it is for; only `Role.EEG` channels are screened.
    electrode : str or None
        10-10 name in the newer spelling (``T7``, not ``T3``) for scalp EEG, else None.
    rate_hz : float
        Samples per second.
    unit : str
        Unit as stored in the header.
    lowest_uv, highest_uv : float
        The amplifier's range in µV (NaN where unknown): a railed channel sits at one of them.
    high_pass_hz, low_pass_hz : float or None
        Recorded pass band where the header states it.
    notch_hz : float or None
        Notch filter where the header states it.
    """

    index: int
    label: str
    role: Role
    electrode: str | None
    rate_hz: float
    unit: str = "uV"
    lowest_uv: float = float("nan")
    highest_uv: float = float("nan")
    high_pass_hz: float | None = None
    low_pass_hz: float | None = None
    notch_hz: float | None = None


@dataclass(frozen=True, slots=True)
class Piece:
    """An uninterrupted stretch of a recording; an ordinary recording has one.

    Attributes
    ----------
    onset_s, duration_s : float
        Where it lies, counted from the recording's first sample.
    """

    onset_s: float
    duration_s: float


@dataclass(frozen=True, slots=True)
class Note:
    """An annotation that the recording already carries."""

    onset_s: float
    duration_s: float
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Consecutive samples of some channels out of one piece.

    Attributes
    ----------
    piece : int
        Index into `Recording.pieces`.
    first_sample : int
        Index of the block's first sample, counted from the start of its piece.
    samples_uv : ndarray of shape (n_channels, n_samples), float32, µV
        The samples.
    """

    piece: int
    first_sample: int
    samples_uv: npt.NDArray[np.float32]


class Recording(Protocol):
    """An opened recording: facts from its header, and its samples in blocks."""

    path: Path
    format: str
    channels: tuple[Channel, ...]
    pieces: tuple[Piece, ...]
    notes: tuple[Note, ...]
    start: datetime | None
    warnings: tuple[str, ...]

    @property
    def duration_s(self) -> float:
        """End of the last piece, in seconds from the first sample."""

    def blocks(self, channels: Sequence[int], *, block_s: float = 20.0) -> Iterator[Block]:
        """Yield the samples of channels (indices; all of one rate) in order, without overlap."""

    def span(
        self, channels: Sequence[int], onset_s: float, duration_s: float
    ) -> npt.NDArray[np.float32]:
        """Read (n_channels, n_samples) µV of one span; NaN where nothing was recorded."""

    def close(self) -> None:
        """Release the file."""


class Probabilities(Protocol):
    """Label probabilities of every channel-window, kept on disk and read channel by channel."""

    @property
    def labels(self) -> tuple[str, ...]:
        """The model's labels, in the order of the columns."""

    @property
    def onset_s(self) -> npt.NDArray[np.float64]:
        """Onsets of the windows, ndarray of shape (n_windows,)."""

    @property
    def window_s(self) -> float:
        """Length of a window."""

    def channel(self, row: int) -> npt.NDArray[np.float32]:
        """Probabilities of one screened channel, ndarray of shape (n_windows, n_labels)."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about channels that is not a span of time.

    Attributes
    ----------
    kind : str
        ``salt bridge``, ``dead``, ``drying``, ``position``, ``reference lost`` …
    channels : tuple of str
        The recording's own labels.
    text : str
        One sentence for the technologist.
    """

    kind: str
    channels: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Spectra:
    """Median power density of each screened channel over the recording.

    Attributes
    ----------
    frequency_hz : ndarray of shape (n_frequencies,)
    density_uv2_hz : ndarray of shape (n_channels, n_frequencies), µV²/Hz
    """

    frequency_hz: FloatArray
    density_uv2_hz: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Screened:
    """One screened recording, ready for the exporters.

    Attributes
    ----------
    recording : Recording
        Still open: exporters may read spans of it.
    eeg : tuple of Channel
        The screened channels, in the row order of `probabilities`.
    segments : pandas.DataFrame
        Columns `SEGMENT_COLUMNS`; channel, label and kind are categorical, channel as in the
        recording; sorted by onset. Events seen on several channels have one row a channel with
        one onset. A lost reference has a row on every channel, kind ``reference lost``.
    channels : pandas.DataFrame
        One row for every channel of the recording, screened or not: channel, role, verdict
        (``good``, ``watch``, ``mend``, ``not screened``), clean_share, one ``<label>_share``
        column a label (spaces as underscores), note.
    findings : tuple of Finding
    mains_hz : float or None
        50 or 60 where line noise was found, else None.
    spectra : Spectra or None
    model : str
        Name of the model with its fingerprint.
    config : Config
    warnings : tuple of str
        What was noticed while screening, beside the recording's own warnings.
    """

    recording: Recording
    eeg: tuple[Channel, ...]
    labels: tuple[str, ...]
    probabilities: Probabilities
    segments: "pd.DataFrame"
    channels: "pd.DataFrame"
    findings: tuple[Finding, ...]
    mains_hz: float | None
    spectra: Spectra | None
    model: str
    config: Config
    warnings: tuple[str, ...] = ()
