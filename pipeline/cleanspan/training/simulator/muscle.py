"""Scalp and jaw muscles: generators just below the skin, each with its own noise and spikes."""

import numpy as np

from cleanspan.training.simulator.cap import Cap
from cleanspan.training.simulator.head import FloatArray, direction
from cleanspan.training.simulator.noise import (
    Density,
    Signal,
    envelope,
    gate,
    shaped_noise,
)
from cleanspan.training.simulator.scenario import Muscle

GROUPS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "left brow": ((98, -18, 18), (93, -36, 17)),
    "right brow": ((98, 18, 18), (93, 36, 17)),
    "left temple": ((93, -54, 16), (100, -72, 20), (98, -90, 18)),
    "right temple": ((93, 54, 16), (100, 72, 20), (98, 90, 18)),
    "left jaw": ((116, -62, 25), (128, -80, 30)),
    "right jaw": ((116, 62, 25), (128, 80, 30)),
    "left neck": ((110, -155, 23), (102, -130, 18)),
    "right neck": ((110, 155, 23), (102, 130, 18)),
    "left ear": ((107, -92, 15),),
    "right ear": ((107, 92, 15),),
}
"""Generators of each muscle group: degrees from the vertex, azimuth from the nose, reach.

Places follow the anatomy of frontalis, temporalis, masseter and the neck's muscles; muscle is
strongest frontal and temporal (Muthukumaraswamy 2013); reach is common practice.
"""


def muscle_signal(
    rng: np.random.Generator, muscle: Muscle, *, cap: Cap, n_samples: int, rate_hz: float
) -> Signal:
    """Potential of all muscles at the cap's sites.

    Returns
    -------
    ndarray of shape (n_sites, n_samples), float32, µV
    """
    total = np.zeros((len(cap.sites), n_samples), dtype=np.float32)
    levels: dict[str, Signal] = {}
    for group, amplitude_uv in muscle.lasting:
        tone = np.float32(amplitude_uv) * envelope(
            rng, n_samples=n_samples, rate_hz=rate_hz, slowness_s=6.0, spread=0.15
        )
        levels[group] = levels.get(group, np.float32(0)) + tone
    for burst in muscle.bursts:
        edge_s = min(0.3, burst.duration_s / 3) * float(rng.uniform(0.3, 1))
        shape = gate(
            ((burst.onset_s, burst.duration_s),),
            n_samples=n_samples,
            rate_hz=rate_hz,
            edge_s=edge_s,
        )
        wobble = envelope(rng, n_samples=n_samples, rate_hz=rate_hz, slowness_s=0.5, spread=0.3)
        levels[burst.group] = np.hypot(
            levels.get(burst.group, np.float32(0)), np.float32(burst.amplitude_uv) * shape * wobble
        ).astype(np.float32)
    for group in sorted(levels):
        _add_group(rng, group, levels[group], total, cap=cap, rate_hz=rate_hz)
    return total


def _add_group(
    rng: np.random.Generator,
    group: str,
    level: Signal,
    total: Signal,
    *,
    cap: Cap,
    rate_hz: float,
) -> None:
    """Add one muscle's generators where their level is above zero."""
    active = np.flatnonzero(level > 0.01)
    if not active.size:
        return
    piece = slice(int(active[0]), int(active[-1]) + 1)
    level = level[piece]
    for tilt_deg, turn_deg, reach_deg in GROUPS[group]:
        centre = direction(tilt_deg + rng.normal(0, 4), turn_deg + rng.normal(0, 4))
        weights = _reach(cap.sites, centre, reach_deg * float(rng.uniform(0.8, 1.25)))
        wave = muscle_wave(rng, level.size, rate_hz=rate_hz) * level
        wave *= np.float32(rng.uniform(0.6, 1.1))
        for row in np.flatnonzero(weights > 0.01):
            total[row, piece] += np.float32(weights[row]) * wave


def _reach(sites: FloatArray, centre: FloatArray, reach_deg: float) -> FloatArray:
    """How strongly sites see a generator: near 1 above it, less farther off, a faint tail."""
    angle = np.degrees(np.arccos(np.clip(sites @ centre, -1, 1)))
    return np.asarray(np.exp(-0.5 * (angle / reach_deg) ** 2) + 0.06 * np.exp(-angle / 45))


def muscle_density(rng: np.random.Generator) -> Density:
    """Density rising above 20-40 Hz and falling off above 80-180 Hz.

    20-300 Hz (Muthukumaraswamy 2013); frontal muscle peaks lower (20-30 Hz) than temporal
    (40-80 Hz) (Goncharova et al. 2003, from memory).
    """
    low, high = rng.uniform(16, 38), rng.uniform(70, 180)

    def density(f: FloatArray) -> FloatArray:
        rising = (f / low) ** 4
        return np.asarray(rising / (1 + rising) / (1 + (f / high) ** 3))

    return density


def muscle_wave(rng: np.random.Generator, n_samples: int, *, rate_hz: float) -> Signal:
    """Interference pattern of many motor units plus a few that stand out; unit rms.

    Motor units fire at 6-25 a second; their potentials last 5-12 ms (from memory).
    """
    spiky = float(rng.beta(1.0, 2.0))
    density = muscle_density(rng)
    wave = shaped_noise(rng, 1, n_samples=n_samples, rate_hz=rate_hz, density=density)[0]
    if spiky < 0.15:
        return np.asarray(wave)
    trains = np.zeros(n_samples, dtype=np.float32)
    for _ in range(int(rng.integers(1, 4))):
        gap_s = 1 / rng.uniform(6, 25)
        count = int(n_samples / rate_hz / gap_s) + 1
        gaps = np.maximum(rng.normal(gap_s, 0.2 * gap_s, count), 0.2 * gap_s)
        at = (np.cumsum(gaps) * rate_hz).astype(int)
        at = at[at < n_samples]
        trains[at] += (rng.uniform(0.5, 1) * rng.normal(1, 0.1, at.size)).astype(np.float32)
    width_s = rng.uniform(0.0015, 0.0035)
    lag_s = np.arange(-0.012, 0.016, 1 / rate_hz)
    unit = -np.exp(-0.5 * (lag_s / width_s) ** 2) + 0.55 * np.exp(
        -0.5 * ((lag_s - 2.6 * width_s) / (1.6 * width_s)) ** 2
    )
    spikes = np.convolve(trains, unit.astype(np.float32), mode="same")[:n_samples]
    spread = float(spikes.std())
    if spread > 0:
        wave = np.sqrt(1 - spiky**2) * wave + spiky * spikes / spread
    return np.asarray(wave, dtype=np.float32)
