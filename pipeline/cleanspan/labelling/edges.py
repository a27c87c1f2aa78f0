"""Edges of runs, moved to where the signal itself changes: to a sixteenth of a second."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.extraction import FeatureStore
from cleanspan.features.spool import RowFile
from cleanspan.features.windows import CELL_S, WINDOW_S
from cleanspan.labelling.jumps import INWARD_S, REACH_S, to_jumps
from cleanspan.labelling.returns import with_returns
from cleanspan.labelling.runs import Runs
from cleanspan.types import CONTACT_LOSS

FEWEST_CELLS = 4
LEAST_STILL_S = 0.5
"""What stands still for so long is no chance of two alike samples."""
TRIM_S = 3.0
"""How far into a flat span its edges may be trimmed."""
LONGEST_REACHED_S = 2 * (TRIM_S + WINDOW_S)
"""`reached_only` says no of every longer span."""
STILL_LOG = -1 + 1e-6
"""log10 µV: the extent of a cell in which no sample differs (the floor of `measures`)."""
MOMENT_S = 0.25
"""A shorter mark of lost contact ends later."""
CLEAR_SPLIT = 0.5
"""Share of the cells' variance that a split must explain for the edge to move."""


def refined(spans: Runs, store: FeatureStore, *, row: int, piece: int, label: str) -> Runs:
    """Refine the edges of a label's runs on one channel in one piece.

    A run that reaches the last window reaches the piece's end. Contact is lost for a moment at
    least: what follows a jump is still on its way back, even where that cannot be measured.
    """
    place = {"channel": row, "first_cell": store.first_cell[piece]}
    n_cells = store.n_cells[piece]
    found = refine(spans, store.cells, **place, n_cells=n_cells)
    if label == CONTACT_LOSS:
        found = to_jumps(spans, found, store.cells, **place, n_cells=n_cells)
    end_s = found.end_s
    if label == CONTACT_LOSS:
        latest_s = np.append(found.onset_s[1:], store.pieces[piece].duration_s)
        end_s = np.minimum(np.maximum(end_s, found.onset_s + MOMENT_S), latest_s)
    return _to_the_end(Runs(found.onset_s, end_s, found.confidence), store, piece)


def whole(edged: Runs, store: FeatureStore, *, row: int, piece: int) -> Runs:
    """Let lost contact last for its way back, too: `refined` runs of one channel in one piece."""
    place = {"first_cell": store.first_cell[piece], "n_cells": store.n_cells[piece]}
    return _to_the_end(with_returns(edged, store.cells, channel=row, **place), store, piece)


def _to_the_end(runs: Runs, store: FeatureStore, piece: int) -> Runs:
    """Let a run that reaches the last window reach the piece's end."""
    length_s = store.pieces[piece].duration_s
    end_s = np.where(length_s - runs.end_s < store.hop_s, length_s, runs.end_s)
    return Runs(runs.onset_s, end_s, runs.confidence)


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


def reached_only(still_s: tuple[float, float], span_s: tuple[float, float]) -> bool:
    """Tell whether all that is not still in a short span lies where windows reach into what is.

    Parameters
    ----------
    still_s : (onset, end)
        As `trim_to_still` gives it; the whole span where nothing stands still.
    span_s : (onset, end)
    """
    before_s, after_s = still_s[0] - span_s[0], span_s[1] - still_s[1]
    length_s = still_s[1] - still_s[0]
    if length_s < LEAST_STILL_S or length_s > 2 * TRIM_S:
        return False
    return before_s + after_s > 0 and max(before_s, after_s) <= WINDOW_S + 1e-6
