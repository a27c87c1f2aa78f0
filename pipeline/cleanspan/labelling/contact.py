"""Kinds of contact loss, told from the features of a segment's windows."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.extraction import FeatureStore
from cleanspan.features.registry import RAW_NAMES
from cleanspan.features.windows import WINDOW_S

FLAT, RAILED, POPPING, FLOATING = "flat", "railed", "popping", "floating"
MOST = 0.5
OFTEN = 0.2
"""Share of eighths of a second at the amplifier's limit from which a channel is called railed: it
may swing between the limits, and an electrode with contact never touches them."""
SHORT_S = 1.5
"""A single pop, with its return through the high-pass, is over within this time."""
OFTEN_ENOUGH = 0.75
"""Quantile of the windows: a quarter of them may hold the pops, the others what is between."""
AGREEING = 1 / 3
JUMPY = 0.68
"""Pops jump far above their usual change, and the EEG between them agrees with the neighbours;
drift does neither. Fitted by logistic regression to 546 marks of floating or popping electrodes
injected into open recordings; of 530 marks of other draws it told 94 % rightly."""
STILL = 0.0
"""log10 µV: below 1 µV rms there is amplifier noise only."""
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
    if float(column["railed_share"].mean()) > (MOST if brief else OFTEN):
        return RAILED
    if float(column["flat_share"].mean()) > MOST or float(np.median(column["rms"])) < STILL:
        return FLAT
    jump = float(np.quantile(column["jump_crest"], OFTEN_ENOUGH))
    agreement = float(np.median(column["neighbour_r_fast"]))
    # Without neighbours (NaN) the two cannot be told apart.
    return POPPING if jump + AGREEING * agreement > JUMPY else FLOATING


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
