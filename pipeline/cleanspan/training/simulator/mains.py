"""Line noise: one frequency for all, its own strength, phase and drift at every site."""

import numpy as np

from cleanspan.training.simulator.cap import Cap
from cleanspan.training.simulator.noise import Signal, envelope, gate
from cleanspan.training.simulator.scenario import Mains

SWITCH_S = 0.2
"""How long line noise takes to come and go where an appliance is switched (common practice)."""


def mains_phase(
    rng: np.random.Generator, frequency_hz: float, *, n_samples: int, rate_hz: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Phase of the grid in radians; its frequency wanders within ±0.05 Hz (from memory)."""
    time_s = np.arange(n_samples) / rate_hz
    offset_hz, swing_hz = rng.uniform(-0.03, 0.03), rng.uniform(0, 0.02)
    slow = swing_hz * np.sin(2 * np.pi * time_s / rng.uniform(20, 90) + rng.uniform(0, 6.3))
    return np.asarray(
        2 * np.pi * np.cumsum((frequency_hz + offset_hz + slow) / rate_hz) + rng.uniform(0, 6.3)
    )


def harmonic_amplitudes(
    rng: np.random.Generator, mains: Mains, *, rate_hz: float
) -> list[tuple[int, float]]:
    """Harmonics below the Nyquist frequency; odd ones are stronger (common practice)."""
    return [
        (order, mains.harmonics * float(rng.lognormal(0, 0.5)) * (1.0 if order % 2 else 0.4))
        for order in (2, 3, 4, 5)
        if order * mains.frequency_hz < 0.48 * rate_hz
    ]


def mains_signal(
    rng: np.random.Generator, mains: Mains, *, cap: Cap, n_samples: int, rate_hz: float
) -> Signal:
    """Line noise at the cap's sites: shared (through the reference) and per electrode.

    Returns
    -------
    ndarray of shape (n_sites, n_samples), float32, µV
    """
    total = np.zeros((len(cap.sites), n_samples), dtype=np.float32)
    phase = mains_phase(rng, mains.frequency_hz, n_samples=n_samples, rate_hz=rate_hz)
    turn = np.exp(1j * phase).astype(np.complex64)
    harmonics = harmonic_amplitudes(rng, mains, rate_hz=rate_hz)
    own = dict(mains.channels)
    shared = complex(np.exp(1j * rng.uniform(0, 6.3)))
    for row, name in enumerate(cap.site_names):
        level = mains.common_uv * (
            0.35 * rng.normal()
            + 0.35j * rng.normal()
            + (shared if name in ("A1", "A2", "M1", "M2") else 0)
        )
        level += own.get(name, 0.0) * complex(np.exp(1j * rng.uniform(0, 6.3)))
        if abs(level) < 1e-3:
            continue
        drift = envelope(
            rng, n_samples=n_samples, rate_hz=rate_hz, slowness_s=10.0, spread=mains.drift
        )
        wave = np.real(np.complex64(level) * turn)
        for order, share in harmonics:
            wave = wave + np.float32(share) * np.real(np.complex64(level) * turn**order)
        total[row] = np.float32(np.sqrt(2)) * wave * drift
    if mains.spans:
        total *= gate(mains.spans, n_samples=n_samples, rate_hz=rate_hz, edge_s=SWITCH_S)
    return total
