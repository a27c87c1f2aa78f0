"""Edges of lost contact: the first jump and the last of what a jump leaves behind."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.edges import extremes_uv
from cleanspan.features.spool import RowFile
from cleanspan.features.windows import CELL_S
from cleanspan.labelling.runs import Runs

REACH_S, INWARD_S = 0.75, 1.5
"""How far an edge may move outwards and inwards: violent faults raise the probabilities of the
windows around them too, so runs begin early and end late rather than the other way."""
USUAL_S = 3.0
"""How long a stretch beside a run tells what is usual there."""
CLEAR = 3.0
"""How far beyond the usual a cell must go to set an edge."""
FEWEST_CELLS = 8
"""Less than half a second beside a run tells nothing."""


def to_jumps(
    coarse: Runs,
    refined: Runs,
    cells: RowFile,
    *,
    channel: int,
    first_cell: int,
    n_cells: int,
) -> Runs:
    """Move edges to the first clear jump and to the end of the last clear excursion.

    A split into two means (`edges.refine`) finds where noise begins. A pop is a jump in a single
    cell and creeps back for seconds: the split lies somewhere on its way. An edge near which
    nothing stands out stays where the split is.

    Parameters
    ----------
    coarse : Runs
        As the probabilities have them: a jump is looked for near these edges.
    refined : Runs
        The same runs after `edges.refine`.
    cells : RowFile
        Extent and level of each sixteenth of a second on each channel.
    channel : int
    first_cell, n_cells : int
        The piece's cells in the file.
    """
    onset_s, end_s = refined.onset_s.copy(), refined.end_s.copy()
    piece = _Piece(cells, channel, first_cell, n_cells)
    for place in range(onset_s.size):
        least_s = float(end_s[place - 1]) if place else 0.0
        most_s = float(onset_s[place + 1]) if place + 1 < onset_s.size else n_cells * CELL_S
        begin_s, stop_s = float(coarse.onset_s[place]), float(coarse.end_s[place])
        first_s, last_s = onset_s[place], end_s[place]
        if begin_s > 0:
            first_s = piece.first_jump(begin_s, within_s=(least_s, stop_s), default_s=first_s)
        if stop_s < n_cells * CELL_S:
            last_s = piece.last_excursion(stop_s, within_s=(first_s, most_s), default_s=last_s)
        if first_s < last_s:
            onset_s[place], end_s[place] = first_s, last_s
    return Runs(onset_s, end_s, refined.confidence)


class _Piece:
    """One channel's cells in one piece."""

    def __init__(self, cells: RowFile, channel: int, first_cell: int, n_cells: int) -> None:
        self._cells, self._channel = cells, channel
        self._first, self._number = first_cell, n_cells

    def first_jump(
        self, edge_s: float, *, within_s: tuple[float, float], default_s: float
    ) -> float:
        """Find where the first cell begins that extends clearly further than those before."""
        least_s, most_s = within_s
        low = _cell(max(edge_s - REACH_S, least_s))
        high = min(_cell(min(edge_s + INWARD_S, most_s)), self._number)
        begin = _cell(max(edge_s - REACH_S - USUAL_S, least_s))
        if low - begin < FEWEST_CELLS or high <= low:
            return default_s
        top, bottom = self._extremes(begin, high)
        extent = top - bottom
        usual = np.median(extent[: low - begin])
        jumps = np.flatnonzero(extent[low - begin :] >= CLEAR * usual)
        return (low + int(jumps[0])) * CELL_S if jumps.size else default_s

    def last_excursion(
        self, edge_s: float, *, within_s: tuple[float, float], default_s: float
    ) -> float:
        """Find where the last cell ends that is clearly further off than those after it."""
        least_s, most_s = within_s
        low = _cell(max(edge_s - INWARD_S, least_s))
        high = _cell(min(edge_s + REACH_S, most_s))
        end = min(_cell(min(edge_s + REACH_S + USUAL_S, most_s)), self._number)
        if end - high < FEWEST_CELLS or high <= low:
            return default_s
        top, bottom = self._extremes(low, end)
        after = slice(high - low, None)
        level = np.median((top + bottom)[after] / 2)
        away = np.maximum(top - level, level - bottom)
        far = np.flatnonzero(away[: high - low] >= CLEAR * np.median(away[after]))
        return (low + int(far[-1]) + 1) * CELL_S if far.size else default_s

    def _extremes(
        self, begin: int, end: int
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        rows = self._cells.read(self._channel, self._first + begin, self._first + end)
        return extremes_uv(rows)


def _cell(time_s: float) -> int:
    return round(time_s / CELL_S)
