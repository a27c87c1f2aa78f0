"""Random signals with a given spectrum, envelopes, and bell-shaped pulses."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Signal = npt.NDArray[np.float32]
Density = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]


def shaped_noise(
    rng: np.random.Generator,
    n_rows: int,
    *,
    n_samples: int,
    rate_hz: float,
    density: Density,
) -> Signal:
    """Gaussian noise of unit rms whose power density follows `density`.

    Parameters
    ----------
    density : callable
        Relative power density at frequencies in Hz (all above 0).

    Returns
    -------
    ndarray of shape (n_rows, n_samples), float32
    """
    from scipy import fft

    # Longer than asked for: the circular seam must not join the end to the beginning.
    length = fft.next_fast_len(n_samples + int(rate_hz), real=True)
    frequency = fft.rfftfreq(length, 1 / rate_hz)
    shape = np.zeros(frequency.size)
    shape[1:] = np.sqrt(density(frequency[1:]))
    power = float(np.sum(shape**2))
    shape *= length / (2 * np.sqrt(power)) if power else 0.0
    parts = rng.standard_normal((n_rows, frequency.size, 2), dtype=np.float32)
    spectrum = parts.view(np.complex64)[..., 0] * shape.astype(np.float32)
    return np.asarray(fft.irfft(spectrum, length, axis=1)[:, :n_samples], dtype=np.float32)


def power_law(slope: float, knee_hz: float) -> Density:
    """Density 1/f^slope above a knee, flat below."""
    return lambda f: 1.0 / (1.0 + (f / knee_hz) ** slope)


def bell(centre_hz: float, width_hz: float) -> Density:
    """Gaussian bump around a frequency; `width_hz` is one standard deviation."""
    return lambda f: np.exp(-0.5 * ((f - centre_hz) / width_hz) ** 2)


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw evenly on a logarithmic scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def envelope(
    rng: np.random.Generator, *, n_samples: int, rate_hz: float, slowness_s: float, spread: float
) -> Signal:
    """Log-normal amplitude that waxes and wanes, mean square near 1.

    Parameters
    ----------
    slowness_s : float
        How long it takes to change.
    spread : float
        Standard deviation of the amplitude's logarithm.
    """
    coarse_hz = 8.0 / slowness_s
    n_coarse = int(np.ceil(n_samples / rate_hz * coarse_hz)) + 2
    wander = shaped_noise(
        rng, 1, n_samples=n_coarse, rate_hz=coarse_hz, density=power_law(4.0, 1.0 / slowness_s)
    )[0]
    times = np.arange(n_samples) * (coarse_hz / rate_hz)
    level = np.interp(times, np.arange(n_coarse), np.exp(spread * wander - spread**2))
    return np.asarray(level, dtype=np.float32)


def gate(
    spans: tuple[tuple[float, float], ...], *, n_samples: int, rate_hz: float, edge_s: float
) -> Signal:
    """1 inside spans, 0 outside, with cosine edges of `edge_s` inside each span."""
    open_ = np.zeros(n_samples, dtype=np.float32)
    time_s = np.arange(n_samples) / rate_hz
    for onset_s, duration_s in spans:
        first, last = (int(np.floor(t * rate_hz)) for t in (onset_s, onset_s + duration_s))
        piece = slice(max(first, 0), min(last + 1, n_samples))
        since = time_s[piece] - onset_s
        nearest = np.minimum(since, duration_s - since) / max(edge_s, 1e-6)
        rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(nearest, 0, 1))
        open_[piece] = np.maximum(open_[piece], rise)
    return open_


def add_pulse(row: Signal, pulse: npt.NDArray[np.floating], *, first: int) -> None:
    """Add a pulse to a row at a sample, cut off at the row's ends."""
    begin, end = max(first, 0), min(first + pulse.size, row.size)
    if begin < end:
        row[begin:end] += pulse[begin - first : end - first].astype(np.float32)


def onsets(
    rng: np.random.Generator, per_minute: float, *, duration_s: float, apart_s: float = 0.4
) -> list[float]:
    """Draw random times at a mean rate, never closer than `apart_s`."""
    times: list[float] = []
    now = 0.0
    while per_minute > 0:
        now += apart_s + rng.exponential(max(60.0 / per_minute - apart_s, 0.05))
        if now >= duration_s:
            break
        times.append(now)
    return times
