"""What else reaches the scalp: the heart, sweat, movements of head and cables."""

import numpy as np

from cleanspan.training.simulator.cap import Cap
from cleanspan.training.simulator.noise import (
    Signal,
    add_pulse,
    bell,
    envelope,
    gate,
    power_law,
    shaped_noise,
)
from cleanspan.training.simulator.scenario import Spans


def heart_signal(
    rng: np.random.Generator,
    height_uv: float,
    *,
    per_minute: float,
    cap: Cap,
    n_samples: int,
    rate_hz: float,
) -> Signal:
    """Heart beats: a nearly uniform field over the head, strongest at the ears.

    The spike (80-100 ms) with smaller P and T waves; beat-to-beat variation a few per cent
    (textbook values, from memory).
    """
    track = np.zeros(n_samples, dtype=np.float32)
    time_s = np.arange(-0.3, 0.5, 1 / rate_hz)
    parts = ((-0.17, 0.02, 0.08), (-0.022, 0.008, -0.12), (0.0, 0.010, 1.0), (0.026, 0.010, -0.25))
    beat = np.zeros_like(time_s)
    for at, width, height in (*parts, (0.27, 0.05, float(rng.uniform(0.05, 0.3)))):
        beat += height * np.exp(-0.5 * ((time_s - at) / width) ** 2)
    gap_s = 60 / per_minute
    now_s = float(rng.uniform(0, gap_s))
    while now_s < n_samples / rate_hz:
        add_pulse(track, height_uv * beat, first=int((now_s - 0.3) * rate_hz))
        now_s += gap_s * float(rng.normal(1, 0.04))
    axis = rng.normal(0, [0.5, 0.25, 0.35])
    # Against the ears the whole cap shares what the ears pick up.
    gain = cap.sites @ axis - 1.0 * (cap.sites[:, 2] < -0.4)
    seen = np.abs(cap.referencing @ gain)
    return np.outer(gain / max(float(np.median(seen)), 0.05), track).astype(np.float32)


def sweat_signal(
    rng: np.random.Generator, amplitude_uv: float, *, cap: Cap, n_samples: int, rate_hz: float
) -> Signal:
    """Swings below 0.5 Hz at some electrodes, mostly frontal and temporal (common practice)."""
    total = np.zeros((len(cap.sites), n_samples), dtype=np.float32)
    if amplitude_uv <= 0:
        return total
    forward = np.array([0.0, 0.8, -0.4])
    chance = np.clip(0.35 + 0.5 * (cap.sites @ forward), 0.05, 0.9)
    chosen = np.flatnonzero(rng.random(len(cap.sites)) < chance)
    centre_hz = float(rng.uniform(0.1, 0.35))
    waves = shaped_noise(
        rng, chosen.size, n_samples=n_samples, rate_hz=rate_hz, density=bell(centre_hz, 0.08)
    )
    total[chosen] = waves * (amplitude_uv * rng.lognormal(0, 0.5, (chosen.size, 1)))
    return total


def movement_signal(
    rng: np.random.Generator, spans: Spans, *, cap: Cap, n_samples: int, rate_hz: float
) -> Signal:
    """Head and cables moving: slow irregular swings, different on neighbouring electrodes."""
    total = np.zeros((len(cap.sites), n_samples), dtype=np.float32)
    for onset_s, duration_s in spans:
        shape = gate(
            ((onset_s, duration_s),),
            n_samples=n_samples,
            rate_hz=rate_hz,
            edge_s=min(0.5, duration_s / 3),
        )
        first, last = (int(t * rate_hz) for t in (onset_s, onset_s + duration_s))
        piece = slice(max(first, 0), min(last + 1, n_samples))
        length = piece.stop - piece.start
        if length < 2:
            continue
        wave = shaped_noise(
            rng, 4, n_samples=length, rate_hz=rate_hz, density=power_law(3.0, rng.uniform(0.8, 3))
        )
        wave *= envelope(rng, n_samples=length, rate_hz=rate_hz, slowness_s=0.7, spread=0.5)
        axis = rng.normal(0, 1, (3, 3))
        gain = np.hstack([cap.sites @ axis, rng.normal(0, 0.6, (len(cap.sites), 1))])
        size = rng.uniform(40, 200)
        total[:, piece] += (size * gain @ wave * shape[piece]).astype(np.float32)
    return total
