"""Findings about polarity: channels, or whole recordings, that are the wrong way round."""

from collections.abc import Iterator

import numpy as np

from cleanspan.features.extraction import FeatureStore
from cleanspan.types import Finding

FEWEST_HUMPS = 8
MOSTLY_DOWN = 3.0
"""So many times as many strong humps point downwards as upwards. (A blink's rebound through a
high-pass points downwards, but then the blink itself points upwards.)"""
AT_FRONT = 0.9
"""No other channel may show the humps larger than the leads do, about."""
OPPOSED_R = -0.5
"""Correlation with the neighbours (their median) from which a channel is called opposed. What two
near electrodes share is the larger part of both against the ears, Cz or the average."""


def polarity_findings(store: FeatureStore) -> Iterator[Finding]:
    """Whether blinks point downwards, and which channels oppose all their neighbours.

    Blinks are positive at Fp1/Fp2 (handbook knowledge: the cornea is positive and the lid moves
    over it; Bentivoglio et al. 1997 describe lid and timing).

    Parameters
    ----------
    store : FeatureStore
    """
    names = [channel.label for channel in store.channels]
    humps = store.humps
    if humps.down >= FEWEST_HUMPS and humps.down >= MOSTLY_DOWN * max(humps.up, 1):
        others = np.delete(humps.depth_uv, humps.leads)
        lead_uv = humps.depth_uv[humps.leads].min()
        if not others.size or others.max() * AT_FRONT <= lead_uv:
            leads = [names[row] for row in humps.leads]
            yield Finding(
                "polarity",
                tuple(leads),
                f"Strong humps at {' and '.join(leads)} point downwards ({humps.down} against "
                f"{humps.up} upwards); blinks point upwards: check whether the amplifier or the "
                "export has turned the polarity round. Blinks are not marked while it is so.",
            )
    for row in opposed(store):
        yield Finding(
            "polarity",
            (names[row],),
            f"{names[row]} swings against all its neighbours: check whether this channel's two "
            "inputs are swapped.",
        )


def opposed(store: FeatureStore) -> list[int]:
    """Rows of channels that are the mirror image of what their neighbours show."""
    near = store.near
    if near.shape[1] < 2:
        return []
    variance = store.pairs.variance_uv2
    rows = np.arange(len(near))[:, None]
    difference = store.pairs.difference_uv2[rows, near]
    shared = (variance[:, None] + variance[near] - difference) / 2
    r = shared / np.sqrt(np.maximum(variance[:, None] * variance[near], 1e-6))
    return np.flatnonzero(np.median(r, axis=1) <= OPPOSED_R).tolist()
