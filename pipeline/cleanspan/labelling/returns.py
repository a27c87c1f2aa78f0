"""The way back: after a pop the trace creeps to its rest, and is of no use until it is there."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.edges import extremes_uv
from cleanspan.features.spool import RowFile
from cleanspan.features.windows import CELL_S
from cleanspan.labelling.jumps import FEWEST_CELLS, USUAL_S
from cleanspan.labelling.runs import Runs

Array = npt.NDArray[np.float64]
Extremes = tuple[Array, Array]
"""Largest and smallest sample of some cells, µV."""

LONGEST_S = 10.0
"""How long a way back is followed: the high-pass of 0.1 Hz needs 5 s for a twentieth, and slower
ways disturb no band that is looked at (common practice)."""
CLEAR = 2.0
"""How many times the usual half extent of a cell the trace must be off its rest: of 2, 3 and 4
the one that found most of the pulls that were injected into recordings of people left out."""
ON_ITS_WAY = 0.8
"""Where no more than this is left of the way to the old rest at the end, the trace goes there;
otherwise it rests where it is: a step that an amplifier without a high-pass keeps (common
practice)."""
NEARER, SHORT_S = 0.75, 2.0
"""Share of the distance that the later half of a way longer than this may be off: what stays away
for longer drifts, and its neighbours do too as a rule (one open recording, S017R03)."""
SMOOTH_CELLS = 9
"""Levels are running medians of about half a second: alpha and blinks are no way back."""


def with_returns(
    runs: Runs, cells: RowFile, *, channel: int, first_cell: int, n_cells: int
) -> Runs:
    """Let each run last until the trace is back, and begin when it begins to creep away.

    In a series of which the trace does not come back between two, it is followed to where it was
    before the first.

    Parameters
    ----------
    runs : Runs
        Of lost contact, with edges where the signal changes. They stay ordered and apart.
    cells : RowFile
        Extent and level of each sixteenth of a second on each channel.
    channel : int
    first_cell, n_cells : int
        The piece's cells in the file.
    """
    onset_s, end_s = runs.onset_s.copy(), runs.end_s.copy()
    reach, usual = round((LONGEST_S + USUAL_S) / CELL_S), round(USUAL_S / CELL_S)
    before: Extremes = (np.empty(0), np.empty(0))
    still_away = False
    for place in range(onset_s.size):
        onset, end = (round(float(edges[place]) / CELL_S) for edges in (onset_s, end_s))
        least = round(end_s[place - 1] / CELL_S) if place else 0
        most = round(onset_s[place + 1] / CELL_S) if place + 1 < onset_s.size else n_cells
        spans = (max(least, onset - reach), onset), (end, min(most, end + reach))
        ahead, behind = (
            extremes_uv(cells.read(channel, first_cell + begin, first_cell + stop))
            for begin, stop in spans
        )
        ahead = (ahead[0][::-1], ahead[1][::-1])
        if not still_away:
            before = (ahead[0][:usual], ahead[1][:usual])
        late = cells_to_rest(behind, before)
        early = cells_to_rest(ahead, (behind[0][:usual], behind[1][:usual]))
        still_away = late > 0 and end + late >= most
        end_s[place] += late * CELL_S
        onset_s[place] -= early * CELL_S
    return Runs(onset_s, end_s, runs.confidence)


def cells_to_rest(away: Extremes, other: Extremes) -> int:
    """Count the cells beside a run in which the trace is clearly off its rest.

    Parameters
    ----------
    away : (high, low), two ndarray of shape (n_cells,), µV
        Extremes of the cells on one side, from the run outwards.
    other : (high, low), two ndarray of shape (n_cells,), µV
        The same on the other side of the run.
    """
    high, low = away
    if high.size < FEWEST_CELLS:
        return 0
    level = (high + low) / 2
    last = slice(-min(round(USUAL_S / CELL_S), level.size // 2), None)
    rest, usual = _rest_of(high[last], low[last])
    first = float(_smooth(level[:SMOOTH_CELLS])[0])
    if other[0].size >= FEWEST_CELLS:
        old_rest, old_usual = _rest_of(*other)
        if abs(rest - old_rest) <= ON_ITS_WAY * abs(first - old_rest):
            rest, usual = old_rest, old_usual
    if abs(first - rest) < CLEAR * usual:
        return 0
    off = np.abs(_smooth(level) - rest)
    back = off < CLEAR * usual
    late = min(int(np.argmax(back)) if back.any() else back.size, round(LONGEST_S / CELL_S))
    nearer = float(np.median(off[late // 2 : late])) <= NEARER * float(off[0])
    return late if nearer or late * CELL_S <= SHORT_S else 0


def _rest_of(high: Array, low: Array) -> tuple[float, float]:
    """Level at which cells lie, and how far they usually reach from it."""
    level = (high + low) / 2
    rest = float(np.median(level))
    return rest, float(np.median(np.maximum(high - rest, rest - low)))


def _smooth(level: Array) -> Array:
    """Take a running median; beyond the ends the level goes back as it came."""
    half = SMOOTH_CELLS // 2
    padded = np.pad(level, half, mode="symmetric")
    seen = np.lib.stride_tricks.sliding_window_view(padded, SMOOTH_CELLS)
    smooth: Array = np.sort(seen, axis=1)[:, half]
    return smooth
