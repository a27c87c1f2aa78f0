"""Spatial features: how a channel agrees with its neighbours and how large it is among them."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.spectral import DENSITY_FLOOR, RMS_FLOOR_UV
from cleanspan.features.statistical import AT_ONCE_SAMPLES, largest_step

NEIGHBOURS = 5
SLOWEST_HZ = 6.0
"""Below this, muscle has little power (Muthukumaraswamy 2013: it begins near 20 Hz), while a
loose electrode has most of its own: here the two part."""
SPATIAL_COLUMNS = 19
QUIET_QUANTILE = 0.25
"""The quiet quarter of the channels: muscle seldom reaches all of them."""


def nearest(positions: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Find the nearest electrodes by angle on the head.

    Of two that are equally near, the one further forward, then the one further left is taken:
    the order of the channels in the file decides nothing.

    Parameters
    ----------
    positions : ndarray of shape (n_channels, 3)
        Unit vectors.

    Returns
    -------
    ndarray of shape (n_channels, min(5, n_channels - 1))
    """
    closeness = np.round(positions @ positions.T, 6)
    np.fill_diagonal(closeness, -np.inf)
    count = min(NEIGHBOURS, len(positions) - 1)
    x, y = np.round(positions[:, :2], 6).T
    order: npt.NDArray[np.int64] = np.stack(
        [np.lexsort((x, -y, -row))[:count] for row in closeness]
    )
    return order


def covariances(windows: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Covariance of all channels within each window.

    Parameters
    ----------
    windows : ndarray of shape (n_windows, n_channels, length)

    Returns
    -------
    ndarray of shape (n_windows, n_channels, n_channels)
    """
    centred = windows - windows.mean(axis=-1, keepdims=True)
    product: npt.NDArray[np.float32] = centred @ centred.transpose(0, 2, 1)
    product /= np.float32(windows.shape[-1])
    return product


def correlations(
    covariance: npt.NDArray[np.float32], near: npt.NDArray[np.int64]
) -> npt.NDArray[np.float32]:
    """Correlation of each channel with each of its neighbours; a flat channel agrees with none.

    Returns
    -------
    ndarray of shape (n_windows, n_channels, n_neighbours)
    """
    size = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    rows = np.arange(near.shape[0])[:, None]
    product = size[:, rows] * size[:, near]
    agreement: npt.NDArray[np.float32] = np.where(
        product > 1e-4, covariance[:, rows, near] / np.maximum(product, 1e-4), 0
    ).astype(np.float32)
    return agreement


def spatial_features(
    slow_uv: npt.NDArray[np.float32],
    wide_uv: npt.NDArray[np.float32],
    rate_hz: float,
    *,
    near: npt.NDArray[np.int64],
) -> npt.NDArray[np.float32]:
    """Compute the columns of `registry.SPATIAL` that come from the slow signal.

    Parameters
    ----------
    slow_uv : ndarray of shape (n_channels, n_windows, length), µV
    wide_uv : ndarray of shape (n_channels, n_windows, length + lag), µV
        See `statistical.step_features`.
    rate_hz : float
        Rate of the slow signal.
    near : ndarray of shape (n_channels, n_neighbours)

    Returns
    -------
    ndarray of shape (n_channels, n_windows, 19)
        NaN throughout where there is one channel only.
    """
    n_channels, n_windows, length = slow_uv.shape
    if n_channels < 2:
        return np.full((n_channels, n_windows, SPATIAL_COLUMNS), np.nan, dtype=np.float32)
    at_once = max(AT_ONCE_SAMPLES // (n_channels * length), 1)
    parts = [
        _of_some(slow_uv[:, some], wide_uv[:, some], rate_hz, near)
        for some in (slice(first, first + at_once) for first in range(0, n_windows, at_once))
    ]
    return np.concatenate(parts, axis=1)


def _of_some(
    slow_uv: npt.NDArray[np.float32],
    wide_uv: npt.NDArray[np.float32],
    rate_hz: float,
    near: npt.NDArray[np.int64],
) -> npt.NDArray[np.float32]:
    """Spatial features of some windows."""
    length = slow_uv.shape[-1]
    by_window = np.ascontiguousarray(slow_uv.transpose(1, 0, 2))
    covariance = covariances(by_window)
    slow_r = np.sort(correlations(covariance, near), axis=-1)
    fast_r = np.sort(correlations(covariances(np.diff(by_window, axis=-1)), near), axis=-1)
    slowest = covariances(smoothed(by_window, rate_hz))
    slowest_r = np.sort(correlations(slowest, near), axis=-1)
    variance = np.maximum(np.diagonal(covariance, axis1=1, axis2=2), RMS_FLOOR_UV**2)
    log_rms = np.log10(variance) / 2
    middle_rms = np.median(log_rms, axis=1, keepdims=True)
    distance = _distances(covariance, near)
    alone_uv = without_neighbours(wide_uv.transpose(1, 0, 2), near)
    alone, lead = _steps_alone(alone_uv, rate_hz, near)
    crest, balance = _jumps(alone_uv)
    common = np.broadcast_to(_common_r(covariance)[:, None], log_rms.shape)
    middle = near.shape[1] // 2
    columns = (
        slow_r[..., middle],
        slow_r[..., -1],
        fast_r[..., middle],
        fast_r[..., -1],
        slowest_r[..., middle],
        slowest_r[..., -1],
        distance[..., 0],
        distance[..., middle],
        log_rms - middle_rms,
        alone,
        lead,
        crest,
        balance,
        common,
        _for_all(slow_r[..., middle]),
        _for_all(slowest_r[..., middle]),
        np.broadcast_to(middle_rms, log_rms.shape),
        np.broadcast_to(_common_share(covariance)[:, None], log_rms.shape),
        alone_uv[..., wide_uv.shape[-1] - length :].mean(axis=-1),
    )
    return np.stack(columns, axis=-1).transpose(1, 0, 2).astype(np.float32)


def _for_all(agreement: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Median over the channels, the same for each of them.

    With few electrodes or an average reference nobody agrees with the neighbours, and a channel
    that does not is no worse than the others.
    """
    return np.broadcast_to(np.median(agreement, axis=1, keepdims=True), agreement.shape)


def smoothed(windows: npt.NDArray[np.float32], rate_hz: float) -> npt.NDArray[np.float32]:
    """Mean of the samples around each, over one period of `SLOWEST_HZ`.

    Parameters
    ----------
    windows : ndarray of shape (..., length)
    rate_hz : float

    Returns
    -------
    ndarray of shape (..., length - n + 1)
        Where ``n`` is the number of samples in a period, at most ``length - 1``.
    """
    count = min(max(round(rate_hz / SLOWEST_HZ), 1), max(windows.shape[-1] - 1, 1))
    centred = windows - windows.mean(axis=-1, keepdims=True)
    # Where drift is a thousand times larger, sums in single precision would lose the rest.
    running = np.cumsum(centred, axis=-1, dtype=np.float64)
    padded = np.concatenate((np.zeros_like(running[..., :1]), running), axis=-1)
    mean: npt.NDArray[np.float32] = (padded[..., count:] - padded[..., :-count]) / count
    return mean.astype(np.float32)


def _distances(
    covariance: npt.NDArray[np.float32], near: npt.NDArray[np.int64]
) -> npt.NDArray[np.float32]:
    """Measure the rms difference to each neighbour, ascending, log10 µV (Tenke & Kayser 2001)."""
    variance = np.diagonal(covariance, axis1=1, axis2=2)
    rows = np.arange(near.shape[0])[:, None]
    squared = variance[:, rows] + variance[:, near] - 2 * covariance[:, rows, near]
    ordered: npt.NDArray[np.float32] = np.sort(
        np.log10(np.maximum(squared, RMS_FLOOR_UV**2)) / 2, axis=-1
    )
    return ordered


def _common_r(covariance: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Median over channels of the correlation with the mean of all channels."""
    with_mean = covariance.mean(axis=2)
    mean_variance = np.maximum(with_mean.mean(axis=1, keepdims=True), RMS_FLOOR_UV**2)
    variance = np.maximum(np.diagonal(covariance, axis1=1, axis2=2), RMS_FLOOR_UV**2)
    agreement: npt.NDArray[np.float32] = np.median(
        with_mean / np.sqrt(variance * mean_variance), axis=1
    )
    return agreement


def _common_share(covariance: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Rms of the mean of all channels against what the median channel has besides it, log10.

    What comes in through the reference is equally large everywhere: the mean grows, and what is
    left of each channel does not. A correlation is near 1 long before, for blinks as well.
    """
    with_mean = covariance.mean(axis=2)
    of_mean = with_mean.mean(axis=1)
    besides = np.diagonal(covariance, axis1=1, axis2=2) - 2 * with_mean + of_mean[:, None]
    floor = RMS_FLOOR_UV**2
    ratio = np.maximum(of_mean, floor) / np.maximum(np.median(besides, axis=1), floor)
    share: npt.NDArray[np.float32] = np.log10(ratio) / 2
    return share


def without_neighbours(
    samples_uv: npt.NDArray[np.float32], near: npt.NDArray[np.int64]
) -> npt.NDArray[np.float32]:
    """Take the neighbours' mean away from each channel.

    Parameters
    ----------
    samples_uv : ndarray of shape (..., n_channels, n_samples), µV
    near : ndarray of shape (n_channels, n_neighbours)
    """
    mixing = np.eye(near.shape[0], dtype=np.float32)
    np.put_along_axis(mixing, near, np.float32(-1 / near.shape[1]), axis=1)
    alone_uv: npt.NDArray[np.float32] = mixing @ samples_uv
    return alone_uv


def _steps_alone(
    alone_uv: npt.NDArray[np.float32], rate_hz: float, near: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Largest change in 40 ms that the neighbours do not share, and its lead over theirs."""
    alone = largest_step(alone_uv, rate_hz)
    logs = np.log10(np.maximum(alone, np.float32(RMS_FLOOR_UV)))
    return logs, logs - logs[:, near].max(axis=-1)


def _jumps(
    alone_uv: npt.NDArray[np.float32],
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """How far one change between samples stands out, and whether the next ones take it back."""
    change = alone_uv[..., 1:] - alone_uv[..., :-1]
    largest, balance = largest_change(change)
    rms = np.sqrt(np.einsum("...i,...i->...", change, change) / np.float32(change.shape[-1]))
    crest = np.log10(largest / np.maximum(rms, np.float32(RMS_FLOOR_UV)))
    return crest, balance


def largest_change(
    change: npt.NDArray[np.float32],
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Largest change of each window, and whether it stays.

    A pop jumps once and creeps back; a spike jumps there and back; noise never stands out.

    Parameters
    ----------
    change : ndarray of shape (..., length), µV

    Returns
    -------
    largest : ndarray of shape (...), µV
    balance : ndarray of shape (...)
        0 where it is taken back as fast, near 1 for a step.
    """
    up, down = change.max(axis=-1), -change.min(axis=-1)
    largest = np.maximum(np.maximum(up, down), np.float32(RMS_FLOOR_UV))
    return largest, np.abs(up - down) / largest


def relative_to_quiet(levels: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Level of each channel above the quiet quarter of the channels, window by window.

    A flat channel is not quiet but dead: it counts among the loudest, lest all others stand out.

    Parameters
    ----------
    levels : ndarray of shape (n_channels, n_windows), log10 µV²/Hz
    """
    dead = levels <= np.log10(DENSITY_FLOOR) + 0.01
    alive = np.where(dead, levels.max(axis=0), levels)
    place = int(QUIET_QUANTILE * (len(levels) - 1))
    quiet = np.partition(alive, place, axis=0)[place]
    above: npt.NDArray[np.float32] = (levels - quiet).astype(np.float32)
    return above
