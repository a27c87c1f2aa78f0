"""Edges of runs, moved to where the signal itself changes: to an eighth of a second."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.spool import RowFile
from cleanspan.features.windows import CELL_S
from cleanspan.labelling.runs import Runs

REACH_S = 0.75
"""How far an edge may move."""
FEWEST_CELLS = 4
CLEAR_SPLIT = 0.5
"""Share of the cells' variance that a split must explain for the edge to move."""


def refine(runs: Runs, cells: RowFile, *, channel: int, first_cell: int, n_cells: int) -> Runs:
    """Move each edge to the split that best parts the cells before from those after.

    An edge moves inwards by no more than half its run and outwards by no more than half the gap
    to the next one: runs stay ordered and apart.

    Parameters
    ----------
    runs : Runs
    cells : RowFile
        Eighth-second measures of each channel (extent and level).
    channel : int
    first_cell, n_cells : int
        The piece's cells in the file.
    """
    length_s = n_cells * CELL_S
    edges_s = np.stack((runs.onset_s, runs.end_s), axis=1).reshape(-1)
    middles_s = (edges_s[1:] + edges_s[:-1]) / 2
    lowest_s = np.maximum(edges_s - REACH_S, np.concatenate(([0.0], middles_s)))
    highest_s = np.minimum(edges_s + REACH_S, np.concatenate((middles_s, [length_s])))
    moved_s = edges_s.copy()
    for place in np.flatnonzero((edges_s > 0) & (edges_s < length_s)):
        low = int(np.ceil(lowest_s[place] / CELL_S - 1e-6))
        high = int(highest_s[place] / CELL_S + 1e-6)
        if high - low < FEWEST_CELLS:
            continue
        split = best_split(cells.read(channel, first_cell + low, first_cell + high))
        if split is not None:
            moved_s[place] = (low + split) * CELL_S
    return Runs(moved_s[::2], moved_s[1::2], runs.confidence)


def best_split(values: npt.NDArray[np.float32]) -> int | None:
    """Where two means explain the values best; None where no split explains half of them.

    Parameters
    ----------
    values : ndarray of shape (n_cells, n_measures)
    """
    centred = values - values.mean(axis=0)
    total = (centred**2).sum(axis=0)
    if not (total > 1e-6).any():
        return None
    scaled = centred / np.sqrt(np.maximum(total, 1e-6))
    count = np.arange(1, len(values))[:, None]
    running = np.cumsum(scaled, axis=0)[:-1]
    explained = running**2 / count + running**2 / (len(values) - count)
    best = explained.max(axis=1)
    split = int(np.argmax(best))
    return split + 1 if best[split] >= CLEAR_SPLIT else None
