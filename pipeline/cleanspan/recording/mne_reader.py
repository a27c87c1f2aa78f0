"""Every other format, through MNE-Python's readers (imported only when one is met)."""

import itertools
import math
import warnings as python_warnings
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from cleanspan.errors import NotARecordingError, RecordingError
from cleanspan.recording.odd import Odd
from cleanspan.recording.roles import Guess, assign_roles, unique_labels
from cleanspan.types import Block, Channel, Note, Piece, Role

_BREAKS = ("boundary", "edge boundary", "bad boundary", "new segment/")
"""Annotations that readers leave where samples that follow each other do not belong together."""
_SKIPPED = "bad_acq_skip"
_VOLTS = 107
"""FIFF's number of the unit volt, in which mne gives voltages."""
_KINDS = {
    "eog": Role.EYE,
    "ecg": Role.HEART,
    "emg": Role.MUSCLE,
    "stim": Role.TRIGGER,
    "syst": Role.OTHER,
    "misc": Role.OTHER,
}


class MneRecording:
    """A recording that mne reads lazily; see `cleanspan.types.Recording`.

    Parameters
    ----------
    path : Path
        The file (the header file where a format has several).
    raw : mne.io.BaseRaw, optional
        One that is open already, as in a notebook: it is used as it is, and left open.

    Raises
    ------
    NotARecordingError
        If mne cannot read it.
    """

    def __init__(self, path: Path, *, raw: Any = None) -> None:
        self.path = path
        self._leave_open = raw is not None
        self._raw, warnings = _open_raw(path) if raw is None else (raw, [])
        self.format = _format_name(self._raw)
        self._rate_hz = float(self._raw.info["sfreq"])
        self.channels: tuple[Channel, ...] = _describe(self._raw, warnings)
        self.pieces, self._first_samples = _pieces(self._raw)
        self.notes: tuple[Note, ...] = tuple(
            Note(float(onset_s), float(duration_s), str(text))
            for onset_s, duration_s, text in zip(
                _onsets(self._raw),
                self._raw.annotations.duration,
                self._raw.annotations.description,
                strict=True,
            )
        )
        self.start = _start(self._raw)
        self.warnings: tuple[str, ...] = tuple(warnings)

    @property
    def duration_s(self) -> float:
        """End of the last piece, in seconds from the first sample."""
        return self.pieces[-1].onset_s + self.pieces[-1].duration_s if self.pieces else 0.0

    def blocks(self, channels: Sequence[int], *, block_s: float = 20.0) -> Iterator[Block]:
        """Yield the samples of channels in order, without overlap, pieces apart."""
        wanted = max(1, round(block_s * self._rate_hz))
        for i, piece in enumerate(self.pieces):
            begin = self._first_samples[i]
            total = round(piece.duration_s * self._rate_hz)
            for first in range(0, total, wanted):
                stop = min(first + wanted, total)
                yield Block(i, first, self._read(channels, begin + first, begin + stop))

    def span(
        self, channels: Sequence[int], onset_s: float, duration_s: float
    ) -> npt.NDArray[np.float32]:
        """Read one span, (n_channels, n_samples) in µV; NaN where nothing was recorded."""
        total = max(0, round(duration_s * self._rate_hz))
        out = np.full((len(channels), total), np.nan, np.float32)
        shift = round(onset_s * self._rate_hz)
        for i, piece in enumerate(self.pieces):
            first = self._first_samples[i]
            begin = max(first, shift)
            end = min(first + round(piece.duration_s * self._rate_hz), shift + total)
            if begin < end:
                out[:, begin - shift : end - shift] = self._read(channels, begin, end)
        return out

    def close(self) -> None:
        """Release the file."""
        if not self._leave_open:
            self._raw.close()

    def _read(self, channels: Sequence[int], start: int, stop: int) -> npt.NDArray[np.float32]:
        if not channels:
            raise ValueError("channels must be given and have one common sampling rate")
        try:
            data = self._raw.get_data(picks=list(channels), start=start, stop=stop)
        except (OSError, ValueError, RuntimeError, EOFError) as error:
            raise RecordingError(
                f"{self.path.name}: samples must be readable to the end, got a file that breaks "
                f"off or is damaged from {start / self._rate_hz:.0f} s on; copy it again"
            ) from error
        for row, i in enumerate(channels):
            if self._raw.info["chs"][i]["unit"] == _VOLTS:
                data[row] *= 1e6
        return np.asarray(data, np.float32)


_STUMBLES = (AssertionError, AttributeError, TypeError, LookupError)
"""What a reader raises that did not foresee such content: its text says nothing to a user."""


_TO_PROGRAMMERS = "dedicated reader function"
"""What mne says of a name without a known ending is for those who program with it."""


def _why(error: Exception) -> str:
    """Say in one line why mne's readers, which raise whatever they stumble over, gave up."""
    reason = str(error).strip().partition("\n")[0][:200]
    if not reason or isinstance(error, _STUMBLES) or _TO_PROGRAMMERS in reason:
        return "its content is not what its name says"
    return reason


def _open_raw(path: Path) -> tuple[Any, list[str]]:
    import mne

    with python_warnings.catch_warnings(record=True) as caught:
        python_warnings.simplefilter("always")
        try:
            raw = mne.io.read_raw(path, preload=False, verbose="warning")
        except Exception as error:
            raise NotARecordingError(
                f"it must be an EEG recording, got a file that mne cannot read ({_why(error)}); "
                "export it as EDF+"
            ) from error
    texts = dict.fromkeys(
        str(item.message).strip().partition("\n")[0][:200]
        for item in caught
        if issubclass(item.category, RuntimeWarning)
    )
    return raw, [f"reader: {text}" for text in texts]


def _describe(raw: Any, warnings: list[str]) -> tuple[Channel, ...]:
    found = [str(name) for name in raw.ch_names]
    kinds = raw.get_channel_types()
    labels = unique_labels(found)
    channels, odd = [], Odd()
    for i, guess in enumerate(assign_roles(found)):
        guess = _with_kind(guess, kinds[i], found[i])
        volts = raw.info["chs"][i]["unit"] == _VOLTS
        role = guess.role if volts or guess.role is not Role.EEG else Role.OTHER
        if guess.reason or role is not guess.role:
            reason = guess.reason or "its unit is not a voltage"
            odd.note("not screened", reason, labels[i])
        channels.append(
            Channel(
                index=i,
                label=labels[i],
                role=role,
                electrode=guess.electrode if role is Role.EEG else None,
                rate_hz=float(raw.info["sfreq"]),
                unit="V" if volts else "",
                high_pass_hz=float(raw.info["highpass"]) or None,
                low_pass_hz=_below_nyquist(raw),
            )
        )
    warnings += odd.warnings
    return tuple(channels)


def _with_kind(guess: Guess, kind: str, label: str) -> Guess:
    """Where the file itself says that a channel is no EEG, believe it; a number is no place."""
    if kind in _KINDS:
        return Guess(_KINDS[kind])
    numbered = guess.role is Role.UNUSED and any(char.isdigit() for char in label)
    if kind == "eeg" and (guess.role is Role.OTHER or numbered) and not guess.reason:
        return Guess(Role.OTHER, reason="its label is no 10-10 name")
    return guess


def _below_nyquist(raw: Any) -> float | None:
    """Mne gives half the rate where a file states no low-pass."""
    low_pass_hz = float(raw.info["lowpass"])
    return low_pass_hz if low_pass_hz < raw.info["sfreq"] / 2 else None


def _onsets(raw: Any) -> npt.NDArray[np.float64]:
    """Annotation onsets in seconds from the first sample that is there."""
    onsets: npt.NDArray[np.float64] = raw.annotations.onset - raw.first_samp / raw.info["sfreq"]
    return onsets


def _pieces(raw: Any) -> tuple[tuple[Piece, ...], tuple[int, ...]]:
    """Cut where the file says that samples do not belong together; leave skips out."""
    rate_hz = float(raw.info["sfreq"])
    total = len(raw.times)
    cuts, skips = {0, total}, []
    for onset_s, duration_s, text in zip(
        _onsets(raw), raw.annotations.duration, raw.annotations.description, strict=True
    ):
        at = min(max(round(onset_s * rate_hz), 0), total)
        if text.lower() == _SKIPPED:
            end = min(total, at + round(duration_s * rate_hz))
            skips.append((at, end))
            cuts |= {at, end}
        elif text.lower().startswith(_BREAKS):
            cuts.add(at)
    edges = sorted(cuts)
    kept = [
        (begin, end)
        for begin, end in itertools.pairwise(edges)
        if not any(first <= begin and end <= last for first, last in skips)
    ]
    pieces = tuple(Piece(begin / rate_hz, (end - begin) / rate_hz) for begin, end in kept)
    return pieces, tuple(begin for begin, _ in kept)


def _start(raw: Any) -> datetime | None:
    measured = raw.info["meas_date"]
    if not isinstance(measured, datetime) or not math.isfinite(raw.first_samp):
        return None
    # mne stamps the recorder's wall clock as UTC; the files say nothing about a time zone.
    return measured.replace(tzinfo=None)


def _format_name(raw: Any) -> str:
    return type(raw).__name__.removeprefix("Raw") or "raw"
