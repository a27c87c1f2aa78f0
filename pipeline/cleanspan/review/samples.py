"""Traces for the page: thinned out without aliasing, in 16 bits, as text."""

import base64
import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

NOTHING = -32768
"""Stands for a sample that was not recorded."""
_LARGEST = 32767
_FINEST_UV = 0.05
_LOWEST_HZ = 125.0

Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Packed:
    """Traces of one span, ready to be embedded.

    Attributes
    ----------
    text : str
        Little-endian 16-bit integers, channel by channel, in base64.
    scale_uv : tuple of float
        µV per step, by channel.
    count : int
        Samples a channel.
    """

    text: str
    scale_uv: tuple[float, ...]
    count: int


def page_rate(rate_hz: float) -> float:
    """Choose the page's rate: the recording's own over a whole number, at least 125 Hz.

    Mains of 60 Hz must still be seen, and muscle above the EEG's bands; where the recording
    itself is slower, its rate is kept.
    """
    return rate_hz / max(1, math.floor(rate_hz / _LOWEST_HZ))


def thinned(samples_uv: Samples, *, rate_hz: float, to_hz: float) -> Samples:
    """Resample behind an anti-alias filter; what was not recorded stays NaN.

    Parameters
    ----------
    samples_uv : ndarray of shape (n_channels, n_samples), µV
    rate_hz, to_hz : float

    Returns
    -------
    ndarray of shape (n_channels, ceil(n_samples · to_hz / rate_hz)), µV
    """
    from scipy.signal import resample_poly

    if math.isclose(rate_hz, to_hz) or not samples_uv.shape[1]:
        return samples_uv
    ratio = Fraction(to_hz / rate_hz).limit_denominator(1000)
    missing = ~np.isfinite(samples_uv)
    level = _median(samples_uv)
    filled = np.where(missing, 0.0, samples_uv - level)
    thin = resample_poly(filled, ratio.numerator, ratio.denominator, axis=1) + level
    if missing.any():
        nearest = np.minimum(
            np.arange(thin.shape[1]) * ratio.denominator // ratio.numerator,
            missing.shape[1] - 1,
        )
        thin[missing[:, nearest]] = np.nan
    return np.asarray(thin, dtype=np.float32)


def packed(samples_uv: Samples) -> Packed:
    """Take away each channel's median and pack the rest into 16 bits.

    The step of a channel is as fine as its largest swing allows, 0.05 µV at the finest.

    Parameters
    ----------
    samples_uv : ndarray of shape (n_channels, n_samples), µV
    """
    swing = samples_uv - _median(samples_uv)
    missing = ~np.isfinite(swing)
    swing = np.where(missing, 0.0, swing)
    largest = np.abs(swing).max(axis=1, initial=0.0)
    # Rounded up first: the page divides by what it is told, and nothing may overflow.
    exact = np.maximum(largest / _LARGEST, _FINEST_UV)
    scale = np.array([float(f"{value * (1 + 1e-5):.6g}") for value in exact])
    steps = np.round(swing / scale[:, None])
    steps[missing] = NOTHING
    text = base64.b64encode(steps.astype("<i2").tobytes()).decode("ascii")
    return Packed(text, tuple(scale.tolist()), samples_uv.shape[1])


def _median(samples_uv: Samples) -> npt.NDArray[np.float64]:
    """Compute each channel's median over what was recorded; 0 where nothing was."""
    level = np.zeros((len(samples_uv), 1))
    for row, channel in enumerate(samples_uv):
        recorded = channel[np.isfinite(channel)]
        if len(recorded):
            level[row] = np.median(recorded)
    return level
