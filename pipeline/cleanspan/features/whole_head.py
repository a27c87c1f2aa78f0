"""Whole-head features: a channel against all others at once, and what all channels share.

Neighbours say little where a cap is sparse, where muscle covers an electrode, and where
neighbouring electrodes come off together; all channels together still do.
"""

import numpy as np
import numpy.typing as npt

from cleanspan.features.registry import FEWEST_COMPARED, WHOLE_HEAD
from cleanspan.features.slower import Slower
from cleanspan.features.spatial import covariances, smoothed
from cleanspan.features.spectral import RMS_FLOOR_UV
from cleanspan.features.windows import gather

Array = npt.NDArray[np.float32]

BEFORE_S, AFTER_S = 1.5, 3.5
"""The seconds that are looked at begin so long before each whole second and end so long after
its beginning: one second has too few independent samples for so many channels."""
RIDGE = 0.05
"""Added to the diagonal of the correlation matrix (Hoerl & Kennard 1970, Technometrics 12:55), so
that many channels cannot explain noise by chance (the value: common practice)."""
LEAST_SHARE, LEAST_DISTANCE = 1e-3, 1e-3
AT_ONCE = 32
"""Seconds worked on at once: their covariances stay in the cache."""


def whole_head_features(made: Slower, starts_s: npt.NDArray[np.float64], factor: int) -> Array:
    """Compute the columns of `registry.WHOLE_HEAD`, anew for every whole second.

    Parameters
    ----------
    made : Slower
        The samples of one chunk.
    starts_s : ndarray of shape (n_windows,), s
        Onsets of the chunk's windows, from the piece's start.
    factor : int
        How much slower the rate is that spans are taken at.

    Returns
    -------
    ndarray of shape (n_channels, n_windows, 11)
        NaN but for the last one where there are fewer than six channels.
    """
    slow = made.without_mains(factor)
    told = np.full((len(slow), starts_s.size, len(WHOLE_HEAD)), np.nan, dtype=np.float32)
    told[..., -1] = np.log2(FEWEST_COMPARED / min(len(slow), FEWEST_COMPARED))
    if len(slow) >= FEWEST_COMPARED:
        told[..., :-1] = _by_seconds(made, starts_s, factor)
    return told


def _by_seconds(made: Slower, starts_s: npt.NDArray[np.float64], factor: int) -> Array:
    """All columns but the last, ndarray of shape (n_channels, n_windows, 10)."""
    slow = made.without_mains(factor)
    rate_hz = made.rate_hz / factor
    signals = _signals(np.concatenate((slow, middle_of(slow)[None])), rate_hz)
    seconds_s, place = np.unique(np.floor(starts_s + 1e-6), return_inverse=True)
    first = np.rint((seconds_s - BEFORE_S) * rate_hz).astype(np.int64) - made.first(factor)
    stop = np.minimum(first + round((BEFORE_S + AFTER_S) * rate_hz), slow.shape[1])
    first = np.maximum(first, 0)
    told = np.empty((len(slow), seconds_s.size, len(WHOLE_HEAD) - 1), dtype=np.float32)
    # A piece's first and last seconds have shorter spans.
    for length in np.unique(stop - first).tolist():
        places = np.flatnonzero(stop - first == length)
        for begin in range(0, places.size, AT_ONCE):
            some = places[begin : begin + AT_ONCE]
            spans = [
                gather(signal, first[some], length - lost).transpose(1, 0, 2)
                for signal, lost in signals
            ]
            told[:, some] = _of_spans(*spans).transpose(1, 0, 2)
    return told[:, place]


def middle_of(samples_uv: Array) -> Array:
    """Median over all channels: bad ones, up to half of them, do not move it.

    Sorted whole, for that is several times as fast as looking for the middle.

    Parameters
    ----------
    samples_uv : ndarray of shape (n_channels, n_samples), µV

    Returns
    -------
    ndarray of shape (n_samples,), µV
    """
    ordered = np.sort(samples_uv, axis=0)
    last = len(ordered) - 1
    middle: Array = (ordered[last // 2] + ordered[last - last // 2]) / 2
    return middle


def _signals(traces: Array, rate_hz: float) -> list[tuple[Array, int]]:
    """Traces as they are, differenced, and below 6 Hz; by how many samples each is shorter."""
    signals = (traces, np.diff(traces, axis=1), smoothed(traces, rate_hz))
    return [(signal, traces.shape[1] - signal.shape[1]) for signal in signals]


def _of_spans(*kinds: Array) -> Array:
    """All columns but the last of some spans.

    Parameters
    ----------
    *kinds : ndarray of shape (n_spans, n_channels + 1, length), µV
        Of each of `_signals`; the last row is the median of the others.

    Returns
    -------
    ndarray of shape (n_spans, n_channels, 10)
    """
    whole, fast, slowest = (covariances(kind) for kind in kinds)
    alone = [np.log10(unexplained(kind[:, :-1, :-1])) for kind in (whole, fast, slowest)]
    usual = [np.median(part, axis=1, keepdims=True) for part in alone]
    sizes, distances = zip(_shared(whole), _shared(fast), strict=True)
    columns = np.broadcast_arrays(*alone, *usual, *sizes, *distances)
    return np.stack(columns, axis=-1, dtype=np.float32, casting="same_kind")


def unexplained(covariance: Array) -> npt.NDArray[np.float64]:
    """Share of each channel's variance that no mixture of the others explains.

    One minus the squared multiple correlation, out of the diagonal of the inverse correlation
    matrix (Marquardt 1970, Technometrics 12:591), with `RIDGE`.

    Parameters
    ----------
    covariance : ndarray of shape (n_spans, n_channels, n_channels), µV²

    Returns
    -------
    ndarray of shape (n_spans, n_channels)
        0.001 to 1; 1 for a channel that stands still.
    """
    variance = np.diagonal(covariance, axis1=1, axis2=2).astype(np.float64)
    scale = 1 / np.sqrt(np.maximum(variance, RMS_FLOOR_UV**2))
    correlation = covariance * scale[:, :, None] * scale[:, None, :]
    each = np.arange(covariance.shape[1])
    correlation[:, each, each] = 1 + RIDGE
    inverse = np.diagonal(np.linalg.inv(correlation), axis1=1, axis2=2)
    left: npt.NDArray[np.float64] = np.clip(1 / inverse - RIDGE, LEAST_SHARE, 1)
    return left


def _shared(covariance: Array) -> tuple[Array, Array]:
    """How large the channels' median is against the rest, and how unevenly they have it.

    Each of shape (n_spans, 1); the last row and column of the covariance are the median's.

    What comes in through the reference is as large in every channel; what comes from the brain,
    the eyes or muscles is not.
    """
    floor = np.float32(RMS_FLOOR_UV**2)
    with_middle, middle = covariance[:, :-1, -1], np.maximum(covariance[:, -1:, -1], floor)
    variance = np.diagonal(covariance, axis1=1, axis2=2)[:, :-1]
    besides = np.maximum(variance - 2 * with_middle + middle, floor)
    size = np.log10(middle[:, 0] / np.median(besides, axis=1)) / 2
    distance = np.median(np.abs(with_middle / middle - 1), axis=1)
    return size[:, None], np.log10(np.maximum(distance, LEAST_DISTANCE))[:, None]
