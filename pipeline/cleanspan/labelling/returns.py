"""The way back: after a pop the trace creeps to its rest, and is of no use until it is there."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.edges import extremes_uv
from cleanspan.features.spool import RowFile
from cleanspan.features.windows import CELL_S
from cleanspan.labelling.runs import Runs

Array = npt.NDArray[np.float64]
Extremes = tuple[Array, ...]

LONGEST_S = 10.0
"""How long a way back is followed: the high-pass of 0.1 Hz needs 5 s for a twentieth, and slower
ways disturb no band that is looked at (common practice)."""
USUAL_S = 3.0
"""How long a stretch before and after tells what is usual there."""
CLEAR = 2.0
"""How many times the usual half extent of a cell the trace must be off its rest."""
ON_ITS_WAY = 0.8
"""Where no more than this is left of the way to the old rest at the end, the trace goes there;
otherwise it rests where it is: a step that an amplifier without a high-pass keeps."""
NEARER, SHORT_S = 0.75, 2.0
"""Share of the distance that the later half of a longer way may be off: what stays away for longer
drifts, and so do its neighbours as a rule."""
SMOOTH_CELLS = 9
"""Levels are running medians of about half a second: alpha and blinks are no way back."""
FEWEST_CELLS = 8
"""Less than half a second beside a run tells nothing."""


def with_returns(
    runs: Runs, cells: RowFile, *, channel: int, first_cell: int, n_cells: int
) -> Runs:
    """Let each run last until the trace is back, and begin when it begins to creep away.

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
    for place in range(onset_s.size):
        onset, end = (round(float(edges[place]) / CELL_S) for edges in (onset_s, end_s))
        least = round(end_s[place - 1] / CELL_S) if place else 0
        most = round(onset_s[place + 1] / CELL_S) if place + 1 < onset_s.size else n_cells
        begin, stop = max(least, onset - reach), min(most, end + reach)
        high, low = extremes_uv(cells.read(channel, first_cell + begin, first_cell + stop))
        before, after = slice(0, onset - begin), slice(end - begin, None)
        ahead = (high[before][::-1], low[before][::-1])
        behind = (high[after], low[after])
        late = cells_to_rest(behind, tuple(part[:usual] for part in ahead))
        early = cells_to_rest(ahead, tuple(part[:usual] for part in behind))
        if late:
            end_s[place] = (end + late) * CELL_S
        if early:
            onset_s[place] = (onset - early) * CELL_S
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
    smooth = _smooth(level)
    if other[0].size >= FEWEST_CELLS:
        old_rest, old_usual = _rest_of(*other)
        if abs(rest - old_rest) <= ON_ITS_WAY * abs(smooth[0] - old_rest):
            rest, usual = old_rest, old_usual
    off = np.abs(smooth - rest)
    back = off < CLEAR * usual
    late = min(int(np.argmax(back)) if back.any() else back.size, round(LONGEST_S / CELL_S))
    nearer = late and float(np.median(off[late // 2 : late])) <= NEARER * float(off[0])
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
