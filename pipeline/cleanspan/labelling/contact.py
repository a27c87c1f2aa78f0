"""Kinds of contact loss, told from the features of a segment's windows."""

import numpy as np

from cleanspan.features.extraction import FeatureStore
from cleanspan.features.registry import RAW_NAMES

FLAT, RAILED, POPPING, FLOATING = "flat", "railed", "popping", "floating"
MOST = 0.5
SHORT_S = 1.5
"""A single pop, with its return through the high-pass, is over within this time."""
STEPPY = 1.5
"""log10 µV: steps of more than 30 µV within 40 ms that the neighbours do not share."""


def contact_kind(
    store: FeatureStore, row: int, piece: int, onset_s: float, end_s: float
) -> str:
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
    first, last = int(store.first[piece]), int(store.first[piece + 1])
    low = min(first + max(int(np.ceil(onset_s / store.hop_s - 0.01)), 0), last - 1)
    high = max(min(first + int((end_s - 1.0) / store.hop_s) + 1, last), low + 1)
    rows = store.rows.read(row, low, min(high, low + 7200))
    shares = {
        name: float(np.mean(rows[:, RAW_NAMES.index(name)]))
        for name in ("flat_share", "railed_share")
    }
    if shares["railed_share"] > MOST:
        return RAILED
    if shares["flat_share"] > MOST:
        return FLAT
    steps = rows[:, RAW_NAMES.index("step_alone")]
    # Steps here and there with calm between are pops; a floating electrode never rests.
    if end_s - onset_s <= SHORT_S and float(np.nanmax(steps)) > STEPPY:
        return POPPING
    if float(np.nanmax(steps)) > STEPPY and np.nanmedian(steps) < np.nanmax(steps) - 0.6:
        return POPPING
    return FLOATING
