"""Edges of runs, moved to where the signal itself changes: to an eighth of a second."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.spool import RowFile
from cleanspan.features.windows import CELL_S
from cleanspan.labelling.runs import Runs

REACH_S = 1.0
"""How far an edge may move."""
CLEAR_SPLIT = 0.5
"""Share of the cells' variance that a split must explain for the edge to move."""


def refine(
    runs: Runs, cells: RowFile, *, channel: int, first_cell: int, n_cells: int
) -> Runs:
    """Move each edge to the split that best parts the cells before from those after.

    Parameters
    ----------
    runs : Runs
    cells : RowFile
        Eighth-second measures of each channel (extent and level).
    channel : int
    first_cell, n_cells : int
        The piece's cells in the file.
    """
    onset_s, end_s = runs.onset_s.copy(), runs.end_s.copy()
    length_s = n_cells * CELL_S
    for place in range(onset_s.size):
        half_s = (end_s[place] - onset_s[place]) / 2
        for edges, inward in ((onset_s, 1), (end_s, -1)):
            time_s = edges[place]
            if not 0 < time_s < length_s:
                continue
            inner_s = min(REACH_S, half_s)
            before_s, after_s = (REACH_S, inner_s) if inward > 0 else (inner_s, REACH_S)
            low = max(round((time_s - before_s) / CELL_S), 0)
            high = min(round((time_s + after_s) / CELL_S), n_cells)
            if high - low >= 4:
                values = cells.read(channel, first_cell + low, first_cell + high)
                split = best_split(values)
                if split is not None:
                    edges[place] = (low + split) * CELL_S
    good = end_s > onset_s
    return Runs(
        np.where(good, onset_s, runs.onset_s), np.where(good, end_s, runs.end_s), runs.confidence
    )


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
