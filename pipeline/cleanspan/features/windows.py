"""The regular grid of windows, and the chunks of samples that hold them.

A window is one second of one channel. Onsets lie on a grid that starts with each piece, so a
window never spans a gap. All cuts fall on sixteenths of a second.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.types import Piece, Recording

WINDOW_S = 1.0
CELL_S = 0.0625
"""Smallest step of the grid, s: hops are whole multiples of it."""

MARGIN_S = 4.0
"""Samples kept on both sides of a chunk, s: an event near its edge needs its surroundings, and so
do whole-head features, with mains that are told by the second around them."""


def sample_at(time_s: float, rate_hz: float) -> int:
    """Index of the sample at a time, counted from the piece's start."""
    return round(time_s * rate_hz)


def window_count(n_samples: int, rate_hz: float, hop_s: float) -> int:
    """Count the whole windows that fit into a piece."""
    count = int((n_samples / rate_hz - WINDOW_S) / hop_s + 1e-6) + 1
    while count > 0 and sample_at((count - 1) * hop_s, rate_hz) + round(rate_hz) > n_samples:
        count -= 1
    return max(count, 0)


def window_onsets(
    pieces: Sequence[Piece], rate_hz: float, hop_s: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Onsets of all windows, and the index of each piece's first window.

    Returns
    -------
    onset_s : ndarray of shape (n_windows,), s
    first : ndarray of shape (n_pieces + 1,)
        The windows of piece ``p`` are ``first[p]:first[p + 1]``.
    """
    onsets, first = [], [0]
    for piece in pieces:
        n_windows = window_count(round(piece.duration_s * rate_hz), rate_hz, hop_s)
        onsets.append(piece.onset_s + hop_s * np.arange(n_windows))
        first.append(first[-1] + n_windows)
    return np.concatenate(onsets) if onsets else np.empty(0), np.array(first)


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """Some seconds of a piece with a margin, and the windows that begin in them.

    Attributes
    ----------
    piece : int
    begin_s, end_s : float
        The windows (and events) that begin in ``[begin_s, end_s)`` belong to this chunk;
        seconds from the piece's start.
    first_window, n_windows : int
        Their indices within the piece.
    first_sample : int
        Index of the first column of `samples_uv`, counted from the piece's start.
    samples_uv : ndarray of shape (n_channels, n_samples), float32, µV
    """

    piece: int
    begin_s: float
    end_s: float
    first_window: int
    n_windows: int
    first_sample: int
    samples_uv: npt.NDArray[np.float32]


def chunks(
    recording: Recording, channels: Sequence[int], *, hop_s: float, block_s: float
) -> Iterator[Chunk]:
    """Cut a recording into overlapping chunks; memory does not grow with its length.

    Parameters
    ----------
    recording : Recording
    channels : sequence of int
        Channels of one rate.
    hop_s, block_s : float
        Grid of the windows; how much of the piece a chunk advances.

    Yields
    ------
    Chunk
    """
    rate_hz = recording.channels[channels[0]].rate_hz
    kept: list[npt.NDArray[np.float32]] = []
    cutter = _Cutter(rate_hz, hop_s, block_s, piece=-1)
    for block in recording.blocks(channels, block_s=block_s):
        if block.piece != cutter.piece:
            yield from cutter.rest(kept)
            kept, cutter = [], _Cutter(rate_hz, hop_s, block_s, piece=block.piece)
        kept.append(block.samples_uv)
        cutter.end_sample = block.first_sample + block.samples_uv.shape[1]
        while cutter.has_next():
            joined = np.concatenate(kept, axis=1) if len(kept) > 1 else kept[0]
            yield cutter.cut(joined)
            kept = [cutter.drop_passed(joined)]
    yield from cutter.rest(kept)


class _Cutter:
    """Keeps account of where the next chunk of one piece begins."""

    def __init__(self, rate_hz: float, hop_s: float, block_s: float, *, piece: int) -> None:
        self.rate_hz = rate_hz
        self.hop_s = hop_s
        self.step_s = max(round(block_s / hop_s), 1) * hop_s
        self.piece = piece
        self.begin_s = 0.0
        self.first_sample = 0
        self.end_sample = 0

    def has_next(self) -> bool:
        """Whether all samples of the next chunk, margin included, have arrived."""
        needed_s = self.begin_s + self.step_s + WINDOW_S + MARGIN_S
        return self.end_sample >= sample_at(needed_s, self.rate_hz)

    def cut(self, joined: npt.NDArray[np.float32], *, last: bool = False) -> Chunk:
        """Make the next chunk out of the samples at hand and move on."""
        end_s = self.begin_s + self.step_s
        first_window = round(self.begin_s / self.hop_s)
        n_windows = round(self.step_s / self.hop_s)
        end_sample = self.end_sample
        if last:
            end_s = self.end_sample / self.rate_hz
            n_windows = window_count(self.end_sample, self.rate_hz, self.hop_s) - first_window
        else:
            end_sample = sample_at(end_s + WINDOW_S + MARGIN_S, self.rate_hz)
        chunk = Chunk(
            piece=self.piece,
            begin_s=self.begin_s,
            end_s=end_s,
            first_window=first_window,
            n_windows=max(n_windows, 0),
            first_sample=self.first_sample,
            samples_uv=joined[:, : end_sample - self.first_sample],
        )
        self.begin_s += self.step_s
        return chunk

    def drop_passed(self, joined: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Let go of the samples before the next chunk's margin."""
        keep_from = max(sample_at(self.begin_s - MARGIN_S, self.rate_hz), self.first_sample)
        rest = joined[:, keep_from - self.first_sample :].copy()
        self.first_sample = keep_from
        return rest

    def rest(self, kept: list[npt.NDArray[np.float32]]) -> Iterator[Chunk]:
        """Cut what is left when the piece has ended."""
        while kept and self.end_sample / self.rate_hz > self.begin_s:
            joined = np.concatenate(kept, axis=1)
            if self.end_sample / self.rate_hz <= self.begin_s + self.step_s + WINDOW_S:
                yield self.cut(joined, last=True)
                return
            yield self.cut(joined)  # its right margin is cut short by the piece's end
            kept[:] = [self.drop_passed(joined)]


def gather(
    samples: npt.NDArray[np.float32], starts: npt.NDArray[np.int64], length: int
) -> npt.NDArray[np.float32]:
    """Windows out of samples; a view where the starts are evenly spaced, else a copy.

    Parameters
    ----------
    samples : ndarray of shape (n_channels, n_samples)
    starts : ndarray of shape (n_windows,), ascending
    length : int

    Returns
    -------
    ndarray of shape (n_channels, n_windows, length)
        Must not be written to.
    """
    views = np.lib.stride_tricks.sliding_window_view(samples, length, axis=1)
    steps = np.diff(starts)
    if steps.size and steps[0] > 0 and (steps == steps[0]).all():
        return views[:, starts[0] : starts[-1] + 1 : steps[0]]
    return views[:, starts]


def boxed(samples: npt.NDArray[np.float32], factor: int) -> npt.NDArray[np.float32]:
    """Average each run of `factor` samples: a slower rate whose nulls fall on its multiples."""
    if factor == 1:
        return samples
    n_whole = samples.shape[1] // factor
    cut = samples[:, : n_whole * factor].reshape(samples.shape[0], n_whole, factor)
    # With finite numbers on both sides an invalid value was flagged once all the same, presumably
    # in lanes that so short a vector leaves unused: a warning about nothing.
    with np.errstate(invalid="ignore"):
        averaged: npt.NDArray[np.float32] = cut @ np.full(factor, 1 / factor, dtype=np.float32)
    return averaged
