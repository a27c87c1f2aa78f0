"""Spectral features: band densities, mains, slopes, edge."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from cleanspan.features.registry import SPECTRAL

BANDS_HZ = ((1, 4), (4, 8), (8, 13), (13, 20), (20, 30), (30, 45), (65, 78))
MAINS_HZ = (50.0, 60.0)
DENSITY_FLOOR = 1e-6
"""Smallest density told apart from zero, µV²/Hz."""
RMS_FLOOR_UV = 1e-2
"""Smallest rms told apart from zero, µV."""
NEEDED_SHARE = (0.75, 0.75, 0.75, 0.75, 0.75, 0.3, 0.75)
"""A band is shown when at least this share of it lies in the recorded pass band. Of 30-45 Hz a few
hertz will do: what tells muscle apart is nearly even there, and many files end at 35 or 40 Hz."""
ROLL_OFF = 0.9
"""Share of the Nyquist frequency up to which a recording is trusted when no low-pass is stated."""


@dataclass(frozen=True, slots=True, eq=False)
class SpectralPlan:
    """What depends on the rate and pass band only, worked out once a recording.

    Attributes
    ----------
    taper : ndarray of shape (length,)
        Hann window, scaled so that the squared transform is the one-sided density.
    constant : ndarray of shape (2,)
        Transform of the tapered constant 1: all its bins that are not zero.
    frequency_hz : ndarray of shape (n_bins,)
    weights : ndarray of shape (n_weighted_bins, n_columns)
        Columns: one mean a band, then the power of 1-40 Hz, then for each mains frequency its
        power and the floor under it. Bins past the last one that counts are left out.
    running : ndarray of shape (n_summed_bins, n_edge_bins)
        Columns that sum the density up to each bin of 1-45 Hz; likewise cut off.
    shown : ndarray of bool of shape (n_bands,)
    mains_shown : ndarray of bool of shape (2,)
    """

    taper: npt.NDArray[np.float32]
    constant: npt.NDArray[np.complex64]
    frequency_hz: npt.NDArray[np.float64]
    weights: npt.NDArray[np.float32]
    running: npt.NDArray[np.float32]
    shown: npt.NDArray[np.bool_]
    mains_shown: npt.NDArray[np.bool_]

    @property
    def n_used(self) -> int:
        """How many bins, from 0 Hz on, the features are made of."""
        return max(len(self.weights), len(self.running))


def plan_spectra(rate_hz: float, *, low_pass_hz: float | None = None) -> SpectralPlan:
    """Prepare the spectral features for a rate.

    Parameters
    ----------
    rate_hz : float
    low_pass_hz : float, optional
        Upper end of the recorded pass band where the header states it.
    """
    length = round(rate_hz)
    taper: npt.NDArray[np.float64] = np.hanning(length + 1)[:-1]
    # One-sided density: |X|² · 2 / (rate · Σ taper²), as in Welch 1967.
    taper = taper * np.sqrt(2 / (rate_hz * np.sum(taper**2)))
    frequency_hz = np.fft.rfftfreq(length, 1 / rate_hz).astype(np.float64)
    limit_hz = rate_hz / 2 - 1.5
    top_hz = min(limit_hz, low_pass_hz or limit_hz)
    df = frequency_hz[1]
    columns: list[npt.NDArray[np.floating]] = []
    shown: list[bool] = []
    for (low, high), needed in zip(BANDS_HZ, NEEDED_SHARE, strict=True):
        usable: npt.NDArray[np.bool_] = (frequency_hz >= low) & (frequency_hz <= min(high, top_hz))
        shown.append(min(high, top_hz) - low >= needed * (high - low))
        columns.append(usable / max(int(np.count_nonzero(usable)), 1))
    columns.append(((frequency_hz >= 0.5) & (frequency_hz <= 40)) * df)
    mains_shown = []
    for mains_hz in MAINS_HZ:
        away = np.abs(frequency_hz - mains_hz)
        core = away <= 2
        flank = (away >= 4) & (away <= 6) & (frequency_hz <= limit_hz)
        columns.append(core * df)
        columns.append(flank * (np.count_nonzero(core) * df / max(np.count_nonzero(flank), 1)))
        mains_shown.append(mains_hz + 2 <= rate_hz / 2 + 0.5)
    return SpectralPlan(
        taper=taper.astype(np.float32),
        constant=np.fft.rfft(taper)[:2].astype(np.complex64),
        frequency_hz=frequency_hz,
        weights=_without_empty_end(np.stack(columns, axis=1).astype(np.float32)),
        running=_without_empty_end(_running_sums(frequency_hz)),
        shown=np.array(shown),
        mains_shown=np.array(mains_shown),
    )


def _without_empty_end(weights: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Leave out the last bins where no column counts them: most bins lie above 80 Hz."""
    used = np.flatnonzero(weights.any(axis=1))
    return weights[: used[-1] + 1] if used.size else weights[:1]


def densities(windows_uv: npt.NDArray[np.float32], plan: SpectralPlan) -> npt.NDArray[np.float32]:
    """One-sided power density of each window after its mean is taken away.

    Parameters
    ----------
    windows_uv : ndarray of shape (..., length), µV
    plan : SpectralPlan

    Returns
    -------
    ndarray of shape (..., n_bins), µV²/Hz
    """
    return power(transforms(windows_uv, plan))


def transforms(
    windows_uv: npt.NDArray[np.float32], plan: SpectralPlan
) -> npt.NDArray[np.complex64]:
    """Fourier transform of each tapered window after its mean is taken away.

    Parameters
    ----------
    windows_uv : ndarray of shape (..., length), µV
    plan : SpectralPlan

    Returns
    -------
    ndarray of shape (..., n_bins)
        Its squared size is the one-sided power density, µV²/Hz.
    """
    mean = windows_uv.mean(axis=-1, keepdims=True)
    transform: npt.NDArray[np.complex64] = fft.rfft(
        windows_uv * plan.taper, axis=-1, overwrite_x=True
    )
    # A Hann window puts a constant into the first two bins only, so the mean can go there.
    transform[..., :2] -= mean * plan.constant
    return transform


def power(transform: npt.NDArray[np.complex64]) -> npt.NDArray[np.float32]:
    """Squared size of complex numbers, of the same shape."""
    squared: npt.NDArray[np.float32] = np.square(transform.real)
    squared += np.square(transform.imag)
    return squared


def spectral_features(
    density: npt.NDArray[np.float32], plan: SpectralPlan
) -> npt.NDArray[np.float32]:
    """Compute the columns of `registry.SPECTRAL`.

    Parameters
    ----------
    density : ndarray of shape (n_channels, n_windows, n_bins), µV²/Hz
        The first `n_used` bins will do.
    plan : SpectralPlan

    Returns
    -------
    ndarray of shape (n_channels, n_windows, n_features)
    """
    sums = density[..., : len(plan.weights)] @ plan.weights
    n_bands = len(BANDS_HZ)
    out = np.full((*density.shape[:2], len(SPECTRAL)), np.nan, dtype=np.float32)
    bands = np.log10(np.maximum(sums[..., :n_bands], DENSITY_FLOOR))
    bands[..., ~plan.shown] = np.nan
    out[..., :n_bands] = bands
    body_rms = np.sqrt(np.maximum(sums[..., n_bands], RMS_FLOOR_UV**2))
    for place in np.flatnonzero(plan.mains_shown):
        power, floor = sums[..., n_bands + 1 + 2 * place], sums[..., n_bands + 2 + 2 * place]
        rms = np.sqrt(np.maximum(power - floor, 0))
        # A flat channel has no mains: 0 against the smallest rms, not the smallest rms twice.
        out[..., n_bands + place] = np.log10(np.maximum(rms / body_rms, 1e-3))
        out[..., n_bands + 2 + place] = np.log10(np.maximum(rms, RMS_FLOOR_UV))
    # Octaves between the middles of the two bands (geometric): 2 to 24.5 Hz, 24.5 to 71.2 Hz.
    out[..., 11] = (bands[..., 4] - bands[..., 0]) / np.float32(np.log2(24.5 / 2))
    out[..., 12] = (bands[..., 6] - bands[..., 4]) / np.float32(np.log2(71.2 / 24.5))
    out[..., 13] = _edge(density, plan)
    out[..., 14] = _flatness(density, plan)
    return out


def _running_sums(frequency_hz: npt.NDArray[np.float64]) -> npt.NDArray[np.float32]:
    """Columns that sum a density from 1 Hz up to each bin below 45 Hz."""
    used = np.flatnonzero((frequency_hz >= 0.5) & (frequency_hz <= 45))
    sums = np.zeros((frequency_hz.size, used.size), dtype=np.float32)
    for column, last in enumerate(used):
        sums[used[0] : last + 1, column] = 1
    return sums


def _edge(density: npt.NDArray[np.float32], plan: SpectralPlan) -> npt.NDArray[np.float32]:
    """Frequency below which 90 % of the 1-45 Hz power lies, Hz."""
    running = density[..., : len(plan.running)] @ plan.running
    below = np.count_nonzero(running < 0.9 * running[..., -1:], axis=-1)
    first = np.argmax(plan.running[:, 0] > 0)
    last = first + plan.running.shape[1] - 1
    edge_hz: npt.NDArray[np.float32] = plan.frequency_hz[np.minimum(first + below, last)].astype(
        np.float32
    )
    return edge_hz


def _flatness(density: npt.NDArray[np.float32], plan: SpectralPlan) -> npt.NDArray[np.float32]:
    """How noise-like 20-45 Hz is: log10 of geometric over arithmetic mean density."""
    first, end = np.searchsorted(plan.frequency_hz, (20, np.nextafter(45, 46)))
    part = np.maximum(density[..., first:end], DENSITY_FLOOR)
    flatness: npt.NDArray[np.float32] = np.log10(part).mean(axis=-1) - np.log10(part.mean(axis=-1))
    return flatness
