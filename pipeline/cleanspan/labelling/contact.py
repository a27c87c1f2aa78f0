"""Kinds of contact loss, told from the features of a segment's windows."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.context import STILL
from cleanspan.features.edges import extremes_uv
from cleanspan.features.extraction import FeatureStore
from cleanspan.features.registry import RAW_NAMES
from cleanspan.features.windows import CELL_S, WINDOW_S

FLAT, RAILED, POPPING, FLOATING = "flat", "railed", "popping", "floating"
MOST = 0.5
OFTEN = 0.2
"""Share of eighths of a second at the amplifier's limit from which a channel is called railed: it
may swing between the limits, and an electrode with contact never touches them."""
FAR_UV = 400.0
"""How far from the channel's usual level a limit must lie that the header does not tell: files
may state a wider range than the amplifier had (common practice: EEG inputs reach 0.5 mV or
more)."""
SAME, SAME_UV = 0.0001, 0.2
"""Share of the range, and µV, within which two extremes are the same limit. Mains of steady size
come back to their peak as well, but with the amplifier's noise on it."""
BESIDE_S = 30.0
"""The usual level is that of so much before and after."""
SHORT_S = 1.5
"""A single pop, with its return through the high-pass, is over within this time."""
OFTEN_ENOUGH = 0.75
"""Quantile of the windows: a quarter of them may hold the pops, the others what is between."""
AGREEING = 1 / 3
JUMPY = 0.68
"""Pops jump far above their usual change, and the EEG between them agrees with the neighbours;
drift does neither. Fitted by logistic regression to 546 marks of floating or popping electrodes
injected into open recordings; of 530 marks of other draws it told 94 % rightly."""
MOST_WINDOWS = 7200
"""An hour of windows is enough to tell the kind."""


def contact_kind(store: FeatureStore, row: int, piece: int, onset_s: float, end_s: float) -> str:
    """Name the kind: flat, railed, popping or floating.

    Parameters
    ----------
    store : FeatureStore
    row : int
        Channel.
    piece : int
    onset_s, end_s : float
        Segment, from the piece's start.
    """
    rows = _windows_inside(store, row, piece, onset_s, end_s)
    column = {name: rows[:, RAW_NAMES.index(name)] for name in RAW_NAMES}
    brief = end_s - onset_s <= SHORT_S
    # Some files state their largest sample as the limit: one peak touches it, no more.
    often = MOST if brief else OFTEN
    if float(column["railed_share"].mean()) > often:
        return RAILED
    if _share_at_a_limit(store, row, piece, onset_s, end_s) > often:
        return RAILED
    if float(column["flat_share"].mean()) > MOST or float(np.median(column["rms"])) < STILL:
        return FLAT
    # Without neighbours that live the two cannot be told apart.
    compared = ~np.isnan(column["jump_crest"])
    if not compared.any():
        return FLOATING
    jump = float(np.quantile(column["jump_crest"][compared], OFTEN_ENOUGH))
    agreement = float(np.median(column["neighbour_r_fast"][compared]))
    return POPPING if jump + AGREEING * agreement > JUMPY else FLOATING


def _share_at_a_limit(
    store: FeatureStore, row: int, piece: int, onset_s: float, end_s: float
) -> float:
    """Share of a segment's cells that touch its own extremes, where these lie far away.

    A signal that comes back to one and the same extreme is cut off there.
    """
    first, last = (int(time_s / CELL_S + 0.5) for time_s in (onset_s, end_s))
    last = min(last, first + MOST_WINDOWS, store.n_cells[piece])
    if last <= first:
        return 0.0
    high, low = _cells(store, row, piece, first, last)
    beside = round(BESIDE_S / CELL_S)
    parts = [
        np.add(*_cells(store, row, piece, begin, end)) / 2
        for begin, end in ((first - beside, first), (last, last + beside))
    ]
    around = np.concatenate(parts)
    usual = float(np.median(around)) if around.size else 0.0
    top, bottom = float(high.max()), float(low.min())
    near = max(SAME * (top - bottom), SAME_UV)
    touching = np.zeros(high.size, dtype=bool)
    if top - usual > FAR_UV:
        touching |= high >= top - near
    if usual - bottom > FAR_UV:
        touching |= low <= bottom + near
    return float(touching.mean())


def _cells(
    store: FeatureStore, row: int, piece: int, first: int, last: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Extremes of some cells of a piece, as far as it has them, µV."""
    offset = store.first_cell[piece]
    begin, end = max(first, 0), min(last, store.n_cells[piece])
    return extremes_uv(store.cells.read(row, offset + begin, offset + max(begin, end)))


def _windows_inside(
    store: FeatureStore, row: int, piece: int, onset_s: float, end_s: float
) -> npt.NDArray[np.float32]:
    """Feature rows of the windows inside a segment, or of those that hold a short one."""
    first, last = int(store.first[piece]), int(store.first[piece + 1])
    low = int(np.ceil(onset_s / store.hop_s - 0.01))
    high = int((end_s - WINDOW_S) / store.hop_s + 0.01) + 1
    if high <= low:
        middle_s = (onset_s + end_s) / 2
        low = int(np.ceil((middle_s - WINDOW_S) / store.hop_s))
        high = int(middle_s / store.hop_s) + 1
    low = min(max(first + low, first), last - 1)
    high = max(min(first + high, last), low + 1)
    return store.rows.read(row, low, min(high, low + MOST_WINDOWS))
