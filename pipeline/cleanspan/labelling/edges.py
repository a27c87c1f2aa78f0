"""Edges of runs, moved to where the signal itself changes: to a sixteenth of a second."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.edges import LEVEL_UV
from cleanspan.features.spool import RowFile
from cleanspan.features.windows import CELL_S
from cleanspan.labelling.runs import Runs

REACH_S, INWARD_S = 0.75, 1.5
"""How far an edge may move outwards and inwards: violent faults raise the probabilities of the
windows around them too, so runs begin early and end late rather than the other way."""
FEWEST_CELLS = 4
SHORT_S, NEAR_S = 1.5, 0.25
"""Runs up to this length are about one excursion; its peak lies in them or this near."""
CLEAR_EXCURSION = 3.0
"""How far beyond the usual an excursion must go to set the edges."""
STILLER = 0.7
"""A run whose cells extend less than this share of the usual is still rather than jumping."""
RETURNED = 0.15
"""It is over when it has returned to this share of its peak: what is left of a large one still
hides the EEG."""
TRIM_S = 3.0
"""How far into a flat span its edges may be trimmed."""
STILL_LOG = -1 + 1e-6
"""log10 µV: the extent of a cell in which no sample differs (the floor of `measures`)."""
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
        Extent and level of each sixteenth of a second on each channel.
    channel : int
    first_cell, n_cells : int
        The piece's cells in the file.
    """
    length_s = n_cells * CELL_S
    edges_s = np.stack((runs.onset_s, runs.end_s), axis=1).reshape(-1)
    middles_s = (edges_s[1:] + edges_s[:-1]) / 2
    begins = np.arange(edges_s.size) % 2 == 0
    back_s, on_s = np.where(begins, REACH_S, INWARD_S), np.where(begins, INWARD_S, REACH_S)
    lowest_s = np.maximum(edges_s - back_s, np.concatenate(([0.0], middles_s)))
    highest_s = np.minimum(edges_s + on_s, np.concatenate((middles_s, [length_s])))
    low = np.ceil(lowest_s / CELL_S - 1e-6).astype(np.int64)
    n_looked_at = (highest_s / CELL_S + 1e-6).astype(np.int64) - low
    inside = (edges_s > 0) & (edges_s < length_s) & (n_looked_at >= FEWEST_CELLS)
    moved_s = edges_s.copy()
    # Most edges look at equally many cells: those are split together.
    for length in np.unique(n_looked_at[inside]):
        places = np.flatnonzero(inside & (n_looked_at == length))
        begins_at = first_cell + low[places]
        values = [cells.read(channel, begin, begin + int(length)) for begin in begins_at.tolist()]
        splits = best_splits(np.stack(values))
        found = splits > 0
        moved_s[places[found]] = (low[places] + splits)[found] * CELL_S
    return Runs(moved_s[::2], moved_s[1::2], runs.confidence)


def best_splits(values: npt.NDArray[np.float32]) -> npt.NDArray[np.int64]:
    """Where two means explain each row of cells best.

    Parameters
    ----------
    values : ndarray of shape (n_edges, n_cells, n_measures)

    Returns
    -------
    ndarray of shape (n_edges,)
        First cell after the split; 0 where no split explains half of the variance.
    """
    n_cells = values.shape[1]
    centred = values - values.mean(axis=1, keepdims=True)
    total = (centred**2).sum(axis=1, keepdims=True)
    scaled = centred / np.sqrt(np.maximum(total, 1e-6))
    count = np.arange(1, n_cells)[:, None]
    running = np.cumsum(scaled, axis=1)[:, :-1]
    explained = (running**2 / count + running**2 / (n_cells - count)).max(axis=2)
    split = np.argmax(explained, axis=1)
    clear = explained[np.arange(len(split)), split] >= CLEAR_SPLIT
    return np.where(clear & (total > 1e-6).any(axis=(1, 2)), split + 1, 0)


def refine_short(
    runs: Runs, cells: RowFile, *, channel: int, first_cell: int, n_cells: int
) -> Runs:
    """Narrow short runs to the excursion they are about: a pop and its return.

    Parameters
    ----------
    runs, cells, channel, first_cell, n_cells
        As for `refine`.
    """
    onset_s, end_s = runs.onset_s.copy(), runs.end_s.copy()
    for place in np.flatnonzero(end_s - onset_s <= SHORT_S):
        low = max(round((onset_s[place] - REACH_S) / CELL_S), 0)
        high = min(round((end_s[place] + REACH_S) / CELL_S), n_cells)
        if high - low < FEWEST_CELLS:
            continue
        inner = slice(
            max(round((onset_s[place] - NEAR_S) / CELL_S) - low, 0),
            round((end_s[place] + NEAR_S) / CELL_S) - low,
        )
        found = excursion(cells.read(channel, first_cell + low, first_cell + high), inner)
        if found is not None:
            onset_s[place], end_s[place] = (low + found[0]) * CELL_S, (low + found[1]) * CELL_S
    return Runs(onset_s, end_s, runs.confidence)


def excursion(values: npt.NDArray[np.float32], inner: slice) -> tuple[int, int] | None:
    """First cell and end of the largest excursion from the usual level; None without one.

    Parameters
    ----------
    values : ndarray of shape (n_cells, 2)
        Extent and level as `features.edges.measures` scales them.
    inner : slice
        Cells in which its peak is looked for.
    """
    extent = 10 ** values[:, 0]
    level = np.sign(values[:, 1]) * LEVEL_UV * (10 ** np.abs(values[:, 1]) - 1)
    if np.median(extent[inner]) < STILLER * np.median(extent):
        return None  # the run is a still stretch, not an excursion
    away = np.abs(level - np.median(level)) + extent / 2
    usual = float(np.median(away))
    peak = int(np.argmax(away[inner])) + (inner.start or 0)
    if away[peak] < CLEAR_EXCURSION * usual:
        return None
    above = away >= max(RETURNED * float(away[peak]), 2 * usual)
    before = np.flatnonzero(~above[: peak + 1])
    after = np.flatnonzero(~above[peak:])
    first = int(before[-1]) + 1 if before.size else 0
    return first, peak + (int(after[0]) if after.size else len(above) - peak)


def trim_to_still(
    cells: RowFile,
    span_s: tuple[float, float],
    *,
    channel: int,
    first_cell: int,
    n_cells: int,
) -> tuple[float, float]:
    """Narrow a flat span to where the signal really stands still; as it was where it never does.

    Parameters
    ----------
    cells, channel, first_cell, n_cells
        As for `refine`.
    span_s : (onset, end)
    """
    low, high = round(span_s[0] / CELL_S), min(round(span_s[1] / CELL_S), n_cells)
    reach = min(round(TRIM_S / CELL_S), high - low)
    if reach < 1:
        return span_s
    begin = cells.read(channel, first_cell + low, first_cell + low + reach)[:, 0] <= STILL_LOG
    end = cells.read(channel, first_cell + high - reach, first_cell + high)[:, 0] <= STILL_LOG
    if not (begin.any() and end.any()):
        return span_s
    onset = low + int(np.argmax(begin))
    stop = high - int(np.argmax(end[::-1]))
    return onset * CELL_S, stop * CELL_S
