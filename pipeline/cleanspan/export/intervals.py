"""Arithmetic of sets of time intervals, on sorted integer arrays.

Times are whole microseconds (ticks), so that sums are exact. A set is a pair of arrays: begins
and ends, half-open, sorted and disjoint unless said otherwise.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.types import Piece

Ticks = npt.NDArray[np.int64]
Spans = tuple[Ticks, Ticks]

TICKS_PER_S = 1_000_000
TICKS_PER_MS = 1_000


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """Recorded time: the pieces of a recording laid end to end, gaps left out.

    Attributes
    ----------
    begins, ends : ndarray of shape (n_pieces,)
        The pieces in the recording's time.
    before : ndarray of shape (n_pieces,)
        Recorded time that lies before each piece.
    """

    begins: Ticks
    ends: Ticks
    before: Ticks

    @classmethod
    def of(cls, pieces: Sequence[Piece]) -> "Timeline":
        """Lay the pieces end to end."""
        ordered = sorted(pieces, key=lambda piece: piece.onset_s)
        begins = to_ticks(np.array([piece.onset_s for piece in ordered], dtype=float))
        ends = to_ticks(
            np.array([piece.onset_s + piece.duration_s for piece in ordered], dtype=float)
        )
        lengths = np.maximum(ends - begins, 0)
        return cls(begins, begins + lengths, np.cumsum(lengths) - lengths)

    @property
    def total(self) -> int:
        """Recorded time in ticks."""
        return int(np.sum(self.ends - self.begins))

    def recorded(self, at: Ticks) -> Ticks:
        """How much was recorded before a time; inside a gap this stands still."""
        if not len(self.begins):
            return np.zeros_like(at)
        piece = np.maximum(np.searchsorted(self.begins, at, side="right") - 1, 0)
        into = np.clip(at - self.begins[piece], 0, self.ends[piece] - self.begins[piece])
        return np.asarray(self.before[piece] + into, dtype=np.int64)

    def placed(self, spans: Spans) -> Spans:
        """Put spans of recorded time, none across a gap, back into the recording's time."""
        begins, ends = spans
        if not len(begins):
            return spans
        piece = np.searchsorted(self.before, begins, side="right") - 1
        shift = self.begins[piece] - self.before[piece]
        return begins + shift, ends + shift


def to_ticks(seconds: npt.NDArray[np.float64]) -> Ticks:
    """Round seconds to whole microseconds."""
    return np.rint(seconds * TICKS_PER_S).astype(np.int64)


def to_whole_ms(seconds: npt.NDArray[np.float64]) -> Ticks:
    """Round seconds to whole milliseconds, in ticks."""
    return np.rint(seconds * 1000).astype(np.int64) * TICKS_PER_MS


def nothing() -> Spans:
    """Give the empty set."""
    return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)


def union(begins: Ticks, ends: Ticks) -> Spans:
    """Join intervals, in any order, that overlap or touch; empty ones vanish."""
    real = ends > begins
    begins, ends = begins[real], ends[real]
    if not len(begins):
        return nothing()
    order = np.argsort(begins, kind="stable")
    begins, reach = begins[order], np.maximum.accumulate(ends[order])
    first = np.flatnonzero(np.append(True, begins[1:] > reach[:-1]))
    last = np.append(first[1:] - 1, len(begins) - 1)
    return begins[first], reach[last]


def union_by_group(
    group: npt.NDArray[np.int16], begins: Ticks, ends: Ticks
) -> tuple[npt.NDArray[np.int16], Ticks, Ticks]:
    """Join intervals group by group."""
    groups = np.unique(group)
    parts = [union(begins[group == one], ends[group == one]) for one in groups]
    sizes = [len(part[0]) for part in parts]
    joined_begins, joined_ends = (
        np.concatenate([part[side] for part in (nothing(), *parts)]) for side in (0, 1)
    )
    return np.repeat(groups, sizes), joined_begins, joined_ends


def complement(spans: Spans, total: int) -> Spans:
    """Give what the spans leave of 0 to total."""
    begins, ends = spans
    left, right = np.append(0, ends), np.append(begins, total)
    real = right > left
    return left[real], right[real]


def cut(spans: Spans, at: Ticks) -> Spans:
    """Cut spans at some times."""
    begins, ends = spans
    if not len(begins):
        return spans
    at = np.unique(at)
    inside = np.searchsorted(begins, at, side="right") - 1
    real = (inside >= 0) & (at > begins[inside]) & (at < ends[inside])
    return np.sort(np.append(begins, at[real])), np.sort(np.append(ends, at[real]))


def covered_before(spans: Spans, at: Ticks) -> Ticks:
    """How much of the time before each moment the spans cover."""
    begins, ends = spans
    if not len(begins):
        return np.zeros_like(at)
    before = np.append(0, np.cumsum(ends - begins))
    index = np.searchsorted(begins, at, side="right")
    over = np.where(index > 0, np.maximum(ends[index - 1] - at, 0), 0)
    return np.asarray(before[index] - over, dtype=np.int64)


def more_than(begins: Ticks, ends: Ticks, allowed: int) -> Spans:
    """Find where more than `allowed` of the intervals (any order) lie over each other.

    After `i` ends have passed, that is so from the begin number ``i + allowed`` (from 0) up to
    the next end.
    """
    after, before = np.sort(begins)[allowed:], np.sort(ends)[: max(len(ends) - allowed, 0)]
    return union(after, before)


def touches(begins: Ticks, ends: Ticks, spans: Spans) -> npt.NDArray[np.bool_]:
    """Tell for each span whether any of the intervals (any order) shares time with it."""
    first = np.searchsorted(spans[1], begins, side="right")
    after = np.searchsorted(spans[0], ends, side="left")
    real = (after > first) & (ends > begins)
    size = len(spans[0]) + 1
    change = np.bincount(first[real], minlength=size) - np.bincount(after[real], minlength=size)
    return np.asarray(np.cumsum(change)[:-1] > 0)


def overlap(spans: Spans, targets: Spans) -> Ticks:
    """How much of each target the spans cover; both disjoint and sorted."""
    return covered_before(spans, targets[1]) - covered_before(spans, targets[0])
