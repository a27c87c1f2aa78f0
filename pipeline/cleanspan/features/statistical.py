"""Statistical features of each channel-window: size, shape, steps, flat and railed shares."""

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from cleanspan.features.registry import STATISTICAL
from cleanspan.features.spectral import RMS_FLOOR_UV

MIDDLE_RATE_HZ = 160.0
"""Shape statistics depend on bandwidth, so they are taken near this rate for every amplifier."""
SLOW_RATE_HZ = 50.0
"""Rate at which steps, events and neighbours are compared."""
STEP_S = 0.04
AT_ONCE_SAMPLES = 240_000
"""Samples of windows worked on at once: arrays of a megabyte stay in the cache."""
RAIL_SHARE = 0.005
"""How near to the amplifier's limit counts as railed, as a share of its range."""


def hjorth(
    windows_uv: npt.NDArray[np.float32], rate_hz: float
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Hjorth's mobility (as a frequency) and complexity.

    Mobility is the ratio of the rms of the first difference to the rms of the signal; a sampled
    sine of frequency f has ``2 sin(π f / rate)``, which is turned back into f here (Hjorth 1970).

    Parameters
    ----------
    windows_uv : ndarray of shape (..., length), mean taken away
    rate_hz : float

    Returns
    -------
    mobility_hz, complexity : ndarray of shape (...)
    """
    step = np.diff(windows_uv, axis=-1)
    return _hjorth(_mean_square(windows_uv), step, rate_hz)


def _hjorth(
    size: npt.NDArray[np.float32], step: npt.NDArray[np.float32], rate_hz: float
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Compute mobility and complexity out of the mean square and the first difference."""
    step_size, bend_size = _mean_square(step), _mean_square(np.diff(step, axis=-1))
    floor = np.float32(1e-8)
    mobility = np.sqrt(step_size / np.maximum(size, floor))
    bend_mobility = np.sqrt(bend_size / np.maximum(step_size, floor))
    mobility_hz = np.arcsin(np.minimum(mobility / 2, 1)) * np.float32(rate_hz / np.pi)
    complexity = np.minimum(bend_mobility / np.maximum(mobility, np.float32(1e-3)), 50)
    return mobility_hz.astype(np.float32), complexity.astype(np.float32)


def _mean_square(windows: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Mean of squares along the last axis without a squared copy."""
    total: npt.NDArray[np.float32] = np.einsum("...i,...i->...", windows, windows)
    return total / np.float32(windows.shape[-1])


def shape_features(windows_uv: npt.NDArray[np.float32], rate_hz: float) -> npt.NDArray[np.float32]:
    """rms, peak-to-peak, skewness, kurtosis, line length, mobility, complexity, busiest length.

    Parameters
    ----------
    windows_uv : ndarray of shape (n_channels, n_windows, length), µV
    rate_hz : float
        Rate of these windows.

    Returns
    -------
    ndarray of shape (n_channels, n_windows, 8)
    """
    at_once = max(AT_ONCE_SAMPLES // max(windows_uv[:1].size, 1), 1)
    parts = [
        _shapes(windows_uv[first : first + at_once], rate_hz)
        for first in range(0, len(windows_uv), at_once)
    ]
    return np.concatenate(parts)


def _shapes(windows_uv: npt.NDArray[np.float32], rate_hz: float) -> npt.NDArray[np.float32]:
    """Shape features of some channels."""
    span = windows_uv.max(axis=-1) - windows_uv.min(axis=-1)
    windows_uv = windows_uv - windows_uv.mean(axis=-1, keepdims=True)
    squared = np.square(windows_uv)
    variance = squared.mean(axis=-1)
    safe = np.maximum(variance, np.float32(1e-8))
    third = np.einsum("...i,...i->...", squared, windows_uv) / np.float32(squared.shape[-1])
    fourth = _mean_square(squared)
    step = np.diff(windows_uv, axis=-1)
    mobility_hz, complexity = _hjorth(variance, step, rate_hz)
    quarters = np.abs(step, out=step) @ _quarters(step.shape[-1])
    floor = np.float32(RMS_FLOOR_UV)
    columns = (
        np.log10(np.maximum(np.sqrt(variance), floor)),
        np.log10(np.maximum(span, floor)),
        np.cbrt(third / safe**1.5),
        np.log10(np.clip(fourth / safe**2, 1, 1e3)),
        np.log10(np.maximum(quarters.sum(axis=-1), floor)),
        mobility_hz,
        complexity,
        np.log10(np.maximum(4 * quarters.max(axis=-1), floor)),
    )
    return np.stack(columns, axis=-1).astype(np.float32)


@lru_cache(maxsize=8)
def _quarters(length: int) -> npt.NDArray[np.float32]:
    """Columns that sum a window's quarters, of nearly equal length."""
    quarter = np.arange(length) * 4 // length
    sums: npt.NDArray[np.float32] = (quarter[:, None] == np.arange(4)).astype(np.float32)
    return sums


def step_features(
    slow_uv: npt.NDArray[np.float32], wide_uv: npt.NDArray[np.float32], rate_hz: float
) -> npt.NDArray[np.float32]:
    """Largest change within 40 ms and between neighbouring quarter-seconds.

    Parameters
    ----------
    slow_uv : ndarray of shape (n_channels, n_windows, length), µV
    wide_uv : ndarray of shape (n_channels, n_windows, length + lag), µV
        The same windows begun `step_lag` samples earlier, so that a step right at a window's
        edge is seen.
    rate_hz : float

    Returns
    -------
    ndarray of shape (n_channels, n_windows, 2), log10 µV
    """
    quarter = max(slow_uv.shape[-1] // 4, 1)
    quarters = slow_uv[..., : 4 * quarter].reshape(*slow_uv.shape[:2], -1, quarter)
    # A product sums such short runs faster than a mean does.
    means = quarters @ np.full(quarter, 1 / quarter, dtype=np.float32)
    lasting = np.abs(np.diff(means, axis=-1)).max(axis=-1, initial=0)
    fast = largest_step(wide_uv, rate_hz)
    both = np.stack((fast, lasting), axis=-1)
    logs: npt.NDArray[np.float32] = np.log10(np.maximum(both, np.float32(RMS_FLOOR_UV)))
    return logs


def step_lag(rate_hz: float) -> int:
    """Count the samples within `STEP_S`."""
    return max(round(STEP_S * rate_hz), 1)


def largest_step(windows_uv: npt.NDArray[np.float32], rate_hz: float) -> npt.NDArray[np.float32]:
    """Largest absolute change within `STEP_S` along the last axis, µV."""
    lag = step_lag(rate_hz)
    change = windows_uv[..., lag:] - windows_uv[..., :-lag]
    largest: npt.NDArray[np.float32] = np.abs(change, out=change).max(axis=-1)
    return largest


def cell_extremes(
    samples_uv: npt.NDArray[np.float32], cells: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Largest and smallest sample of each sixteenth of a second.

    Parameters
    ----------
    samples_uv : ndarray of shape (n_channels, n_samples), µV
    cells : ndarray of shape (n_cells + 1,), ascending
        Sample indices at which the cells begin, and the end.

    Returns
    -------
    high, low : ndarray of shape (n_channels, n_cells), µV
    """
    high = np.empty((len(samples_uv), len(cells) - 1), dtype=np.float32)
    low = np.empty_like(high)
    for row, trace in enumerate(samples_uv):
        high[row] = _extremes(trace, cells, np.maximum)
        low[row] = _extremes(trace, cells, np.minimum)
    return high, low


def _extremes(
    trace: npt.NDArray[np.float32], cells: npt.NDArray[np.int64], ufunc: np.ufunc
) -> npt.NDArray[np.float32]:
    """Largest (or smallest) sample of each cell.

    Extremes of 2, 4, 8... samples from every sample on, until two such stretches cover a cell:
    some passes over the whole trace take half the time of one short reduction a cell.
    """
    begin, end = cells[:-1], cells[1:]
    shortest = int((end - begin).min())
    longest = int((end - begin).max())
    covered, reached = trace[: cells[-1]], 1
    while 2 * reached <= shortest:
        covered = ufunc(covered[:-reached], covered[reached:])
        reached *= 2
    if longest > 2 * reached:  # cells of very different lengths
        whole: npt.NDArray[np.float32] = ufunc.reduceat(trace[: cells[-1]], begin)
        return whole
    extremes: npt.NDArray[np.float32] = ufunc(covered[begin], covered[end - reached])
    return extremes


def stuck_features(
    high: npt.NDArray[np.float32],
    low: npt.NDArray[np.float32],
    windows: npt.NDArray[np.int64],
    *,
    limits_uv: npt.NDArray[np.float32],
) -> npt.NDArray[np.float32]:
    """Shares of each window in which the signal never moves, or sits at the amplifier's limit.

    Counted in eighths of a second: one is flat when all its samples are equal, and railed when
    its largest (or smallest) sample touches the limit.

    Parameters
    ----------
    high, low : ndarray of shape (n_channels, n_cells), µV
    windows : ndarray of shape (n_windows, 8)
        Which eighths make up each window.
    limits_uv : ndarray of shape (n_channels, 2)
        Lowest and highest value of the amplifier; NaN where unknown.

    Returns
    -------
    ndarray of shape (n_channels, n_windows, 2)
    """
    margin = (limits_uv[:, 1:] - limits_uv[:, :1]) * RAIL_SHARE
    railed = (high >= limits_uv[:, 1:] - margin) | (low <= limits_uv[:, :1] + margin)
    both = np.stack((high == low, railed), axis=-1).astype(np.float32)
    shares: npt.NDArray[np.float32] = both[:, windows].mean(axis=2)
    return shares


def in_pairs(extreme: npt.NDArray[np.float32], ufunc: np.ufunc) -> npt.NDArray[np.float32]:
    """Extremes of each eighth of a second out of those of its two halves."""
    n_cells = extreme.shape[1]
    if n_cells < 2:
        return extreme
    paired: npt.NDArray[np.float32] = ufunc(extreme[:, : n_cells - 1 : 2], extreme[:, 1::2])
    if n_cells % 2:
        paired[:, -1] = ufunc(paired[:, -1], extreme[:, -1])
    return paired


N_SHAPE = 8
assert len(STATISTICAL) == N_SHAPE + 4  # noqa: S101 - the registry and this module must agree
