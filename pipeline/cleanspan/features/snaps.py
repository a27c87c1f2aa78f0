"""Snaps: what changes faster than any wave of the brain, for a pop rises within milliseconds.

Each channel is taken without its neighbours' mean, and without the median over all channels:
neighbours that come off together hide each other's pops from the first, not from the second.
That median is looked at for itself: where the reference pops, all channels do, and each by itself
shows nothing of it.

A large blink changes as much within as short a time. But it goes on: what is sudden is a change
that stands between two small ones.
"""

import numpy as np
import numpy.typing as npt

from cleanspan.features.registry import SNAPS
from cleanspan.features.slower import Slower
from cleanspan.features.spatial import largest_change, without_neighbours
from cleanspan.features.whole_head import middle_of

Array = npt.NDArray[np.float32]

SNAP_S = 0.012
"""How long a snap may take (common practice)."""
FEWEST_CHANGES = 2
"""A snap takes so many sample intervals at least: a step behind an amplifier's low-pass does, and
its parts must not be taken for changes beside it."""
EVERY = 4
"""Every so many changes of a window are enough to tell how large they usually are."""
LEAST_CHANGE_UV = 0.02
"""A usual change is taken to be no smaller: a flat channel must not snap with every bit."""


def snap_features(
    made: Slower, starts_s: npt.NDArray[np.float64], factor: int, *, near: npt.NDArray[np.int64]
) -> Array:
    """Compute the columns of `registry.SNAPS`.

    Parameters
    ----------
    made : Slower
        The samples of one chunk.
    starts_s : ndarray of shape (n_windows,), s
        Onsets of the chunk's windows, from the piece's start.
    factor : int
        How much slower the rate is that snaps are looked for at.
    near : ndarray of shape (n_channels, n_neighbours)

    Returns
    -------
    ndarray of shape (n_channels, n_windows, 18)
        NaN throughout where there is one channel only.
    """
    whole = made.without_mains(factor)
    if len(whole) < 2:
        return np.full((len(whole), starts_s.size, len(SNAPS)), np.nan, dtype=np.float32)
    lag = max(round(SNAP_S * made.rate_hz / factor), FEWEST_CHANGES)
    # What comes in through the reference is in the median, too.
    common = middle_of(whole)[None]
    alone, apart = without_neighbours(whole, near), whole - common
    of_alone, of_apart, of_common = (
        _snaps(made.cut(_changes(rest, lag), factor, starts_s), lag)
        for rest in (alone, apart, common)
    )
    height, crest, balance, *sudden = of_alone
    lead = height - height[near].max(axis=1)
    level, level_common = (
        made.cut(rest, factor, starts_s).mean(axis=-1) for rest in (apart, common)
    )
    own = (height, crest, lead, balance, *of_apart[:3], *sudden, *of_apart[3:], level)
    shared = np.broadcast_arrays(height, *of_common, level_common)[1:]
    return np.stack((*own, *shared), axis=-1)


def _changes(samples: Array, lag: int) -> Array:
    """Change of each sample from so many samples before; of the first ones there is none."""
    changes = np.zeros_like(samples)
    np.subtract(samples[:, lag:], samples[:, :-lag], out=changes[:, lag:])
    return changes


def _snaps(change: Array, lag: int) -> tuple[Array, Array, Array, Array, Array]:
    """Largest change, how far it stands out, and whether it stays; the same of sudden ones.

    Parameters
    ----------
    change : ndarray of shape (n_channels, n_windows, length), µV
    lag : int
        How many samples a change takes.

    Returns
    -------
    height : ndarray of shape (n_channels, n_windows), log10 µV
    crest : ndarray of shape (n_channels, n_windows), log10 ratio
        Against the median change.
    balance : ndarray of shape (n_channels, n_windows)
        See `spatial.largest_change`.
    sudden : ndarray of shape (n_channels, n_windows), log10 µV
        Largest change less the larger one beside it.
    sudden_crest : ndarray of shape (n_channels, n_windows), log10 ratio
        That against the median change.
    """
    largest, balance = largest_change(change)
    size = np.abs(change)
    some = np.sort(size[..., ::EVERY], axis=-1)
    usual = np.maximum(some[..., some.shape[-1] // 2], np.float32(LEAST_CHANGE_UV))
    sudden = np.maximum(_without_those_beside(size, lag), np.float32(LEAST_CHANGE_UV))
    return (
        np.log10(largest),
        np.log10(largest / usual),
        balance,
        np.log10(sudden),
        np.log10(sudden / usual),
    )


def _without_those_beside(size: Array, lag: int) -> Array:
    """Size of the change that exceeds those before and after it the most, µV.

    Parameters
    ----------
    size : ndarray of shape (n_channels, n_windows, length), µV
        Of each change.
    lag : int
    """
    rest = np.maximum(size[..., : -2 * lag], size[..., 2 * lag :])
    np.subtract(size[..., lag:-lag], rest, out=rest)
    largest: Array = rest.max(axis=-1)
    return largest
