"""Runs of one label on one channel: from window probabilities to spans of time."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.config import SegmentRule
from cleanspan.features.extraction import FeatureStore
from cleanspan.features.windows import WINDOW_S

RunKey = tuple[int, str, int]
"""Channel row, label, piece."""

FloatArray = npt.NDArray[np.float32]
NEARLY_ALL = 0.97
"""A label that covers this share of a piece, with short gaps, covers it all."""
SHORT_GAP_S = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Spans of one label on one channel.

    Attributes
    ----------
    onset_s, end_s : ndarray of shape (n_runs,), s from the piece's start
    confidence : ndarray of shape (n_runs,)
        Mean probability.
    """

    onset_s: npt.NDArray[np.float64]
    end_s: npt.NDArray[np.float64]
    confidence: npt.NDArray[np.float64]


def cell_probabilities(probability: FloatArray, hop_s: float) -> FloatArray:
    """Probability of each hop-long cell: geometric mean of the windows that cover it.

    A window reacts as soon as an artefact reaches into it; a cell is only as probable as all the
    windows around it say, so that runs do not begin early and end late.

    Parameters
    ----------
    probability : ndarray of shape (n_windows,)
    hop_s : float

    Returns
    -------
    ndarray of shape (n_windows + windows per second - 1,)
    """
    cover = max(round(WINDOW_S / hop_s), 1)
    logs = np.log(np.maximum(probability, np.float32(1e-4)))
    kernel = np.ones(cover)
    total = np.convolve(logs, kernel)
    count = np.convolve(np.ones(len(logs)), kernel)
    return np.exp(total / count).astype(np.float32)


def find_runs(cells: FloatArray, rule: SegmentRule, hop_s: float) -> Runs:
    """Hysteresis, joining, shortest length.

    Parameters
    ----------
    cells : ndarray of shape (n_cells,)
        Probabilities of hop-long cells.
    rule : SegmentRule
    hop_s : float
    """
    begin, end = _stretches(cells >= rule.keep_above)
    reached = np.maximum.reduceat(cells, begin) >= rule.begin_at if begin.size else begin > 0
    begin, end = begin[reached], end[reached]
    begin, end = _joined(begin, end, rule.join_s / hop_s)
    begin, end = _whole(begin, end, len(cells), SHORT_GAP_S / hop_s)
    long_enough = (end - begin) * hop_s >= rule.shortest_s - 1e-9
    begin, end = begin[long_enough], end[long_enough]
    sums = np.concatenate(([0.0], np.cumsum(cells, dtype=np.float64)))
    confidence = (sums[end] - sums[begin]) / np.maximum(end - begin, 1)
    return Runs(hop_s * begin.astype(float), hop_s * end.astype(float), confidence)


def _stretches(
    flags: npt.NDArray[np.bool_],
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Begin and end (exclusive) of each stretch of True."""
    padded = np.concatenate(([False], flags, [False]))
    change = np.flatnonzero(padded[1:] != padded[:-1])
    return change[::2], change[1::2]


def _joined(
    begin: npt.NDArray[np.int64], end: npt.NDArray[np.int64], gap: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Join stretches that lie no further apart than a gap."""
    if begin.size < 2:
        return begin, end
    apart = begin[1:] - end[:-1] > gap + 1e-9
    return begin[np.concatenate(([True], apart))], end[np.concatenate((apart, [True]))]


def _whole(
    begin: npt.NDArray[np.int64], end: npt.NDArray[np.int64], n_cells: int, gap: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Make one stretch of what covers nearly everything with short gaps only."""
    if not begin.size or (end - begin).sum() < NEARLY_ALL * n_cells:
        return begin, end
    gaps = np.concatenate((begin, [n_cells])) - np.concatenate(([0], end))
    if gaps.max() > gap:
        return begin, end
    return np.array([0]), np.array([n_cells])


def by_piece(
    store: FeatureStore, values: npt.NDArray[np.float32]
) -> Iterator[tuple[int, npt.NDArray[np.float32]]]:
    """Parts of a channel's windows, piece by piece."""
    for piece in range(len(store.pieces)):
        part = values[store.first[piece] : store.first[piece + 1]]
        if len(part):
            yield piece, part
