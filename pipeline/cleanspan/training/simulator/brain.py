"""The brain's signal: background, rhythms, and the waves of drowsiness. All of it is clean."""

from dataclasses import dataclass

import numpy as np

from cleanspan.training.simulator.cap import Cap
from cleanspan.training.simulator.head import FloatArray, cortical_patterns, electrode_directions
from cleanspan.training.simulator.noise import (
    Signal,
    add_pulse,
    bell,
    envelope,
    gate,
    onsets,
    power_law,
    shaped_noise,
)
from cleanspan.training.simulator.scenario import Brain, Spans

N_PAIRS = 18
N_BROAD_PAIRS = 4


@dataclass(frozen=True, slots=True)
class Rhythm:
    """A narrow-band rhythm: rms in µV, frequency, where, and how unsteady it is."""

    amplitude_uv: float
    frequency_hz: float
    width_hz: float
    places: tuple[str, ...]
    spread: float


def brain_signal(
    rng: np.random.Generator,
    brain: Brain,
    *,
    cap: Cap,
    n_samples: int,
    rate_hz: float,
    closed: Spans,
) -> Signal:
    """Potential of all cortical sources at the cap's sites.

    Parameters
    ----------
    closed : tuple of (onset_s, duration_s)
        When the eyes are closed.

    Returns
    -------
    ndarray of shape (n_sites, n_samples), float32, µV
    """
    signal = _background(rng, brain, cap=cap, n_samples=n_samples, rate_hz=rate_hz)
    shut = gate(closed, n_samples=n_samples, rate_hz=rate_hz, edge_s=0.6)
    visible = brain.alpha_open + (1 - brain.alpha_open) * shut
    for rhythm in _alpha_rhythms(rng, brain):
        _add_rhythm(rng, rhythm, signal, cap=cap, rate_hz=rate_hz, visible=visible)
    for rhythm in _lesser_rhythms(rng, brain):
        _add_rhythm(rng, rhythm, signal, cap=cap, rate_hz=rate_hz, visible=None)
    _add_waves(rng, brain, signal, cap=cap, rate_hz=rate_hz)
    return signal


def _paired_patterns(
    rng: np.random.Generator,
    cap: Cap,
    *,
    n_pairs: int,
    depths: tuple[float, float],
    spread: float,
    lift: float,
) -> FloatArray:
    """Patterns of patches in mirrored pairs, left beside right, that partly act together.

    Patches lie above a plane a little below the electrodes. Opposite sites of the two
    hemispheres correlate (C3 with C4 about 0.8 against the ears in the open recordings).
    """
    places = rng.standard_normal((n_pairs * 4, 3)) + np.array([0, 0, lift])
    places /= np.linalg.norm(places, axis=1, keepdims=True)
    places = places[places[:, 2] > -0.7][:n_pairs]
    tilt = rng.normal(0, spread, places.shape)
    depth = rng.uniform(*depths, len(places))
    size = rng.lognormal(0, 0.35, len(places))
    one, other = (
        cortical_patterns(cap.sites, places * mirror, depth=depth, tilt=tilt * mirror) * size
        for mirror in (np.array([1, 1, 1]), np.array([-1, 1, 1]))
    )
    turn = rng.uniform(0.15, 0.75, len(places))
    pairs = (np.cos(turn) * one + np.sin(turn) * other, np.sin(turn) * one + np.cos(turn) * other)
    return np.asarray(np.stack(pairs, axis=2).reshape(len(cap.sites), -1))


def _background(
    rng: np.random.Generator, brain: Brain, *, cap: Cap, n_samples: int, rate_hz: float
) -> Signal:
    """1/f activity of many small and some broad patches, in four families of own slope."""
    total = np.zeros((len(cap.sites), n_samples), dtype=np.float32)
    groups = (
        (N_PAIRS, (0.75, 0.98), 0.4, 0.0, 1 - brain.shared),
        (N_BROAD_PAIRS, (0.1, 0.5), 0.35, 1.0, brain.shared),
    )
    for n_pairs, depths, spread, lift, share in groups:
        pattern = _paired_patterns(
            rng, cap, n_pairs=n_pairs, depths=depths, spread=spread, lift=lift
        )
        seen = np.sqrt(((cap.referencing @ pattern) ** 2).sum(axis=1))
        pattern *= np.sqrt(share) / np.median(seen)
        for part in np.array_split(np.arange(pattern.shape[1]), 4):
            slope = float(np.clip(brain.slope + rng.normal(0, 0.2), 0.6, 2.4))
            sources = shaped_noise(
                rng,
                part.size,
                n_samples=n_samples,
                rate_hz=rate_hz,
                density=power_law(slope, brain.knee_hz),
            )
            sources *= envelope(
                rng, n_samples=n_samples, rate_hz=rate_hz, slowness_s=1.2, spread=0.3
            )
            total += pattern[:, part].astype(np.float32) @ sources
    # Clips and mastoids have slow activity and contact noise of their own, shared by all channels.
    own = slice(len(cap.channels), None)
    total[own] += np.float32(rng.uniform(0.2, 0.9)) * shaped_noise(
        rng,
        len(cap.sites) - len(cap.channels),
        n_samples=n_samples,
        rate_hz=rate_hz,
        density=power_law(brain.slope, brain.knee_hz),
    )
    return total * np.float32(brain.background_uv)


def _alpha_rhythms(rng: np.random.Generator, brain: Brain) -> list[Rhythm]:
    """Alpha generators: left and right at the back, one in the middle, a weaker one in front."""
    hz, uv = brain.alpha_hz, brain.alpha_uv
    width = float(rng.uniform(0.4, 1.1))
    balance = float(rng.uniform(0.7, 1.3))
    jitter = rng.normal(0, 0.25, 4)
    return [
        Rhythm(uv * 0.75 * balance, hz + jitter[0], width, ("O1", "P3", "PO7"), 0.55),
        Rhythm(uv * 0.75 / balance, hz + jitter[1], width, ("O2", "P4", "PO8"), 0.55),
        Rhythm(uv * 0.5, hz + jitter[2], width, ("POz", "Pz"), 0.6),
        Rhythm(uv * brain.alpha_forward, hz - 0.5 + jitter[3], width, ("Fz", "FCz"), 0.5),
        # The sharper half of each wave: alpha is not a sine.
        Rhythm(uv * 0.12, 2 * hz, 2 * width, ("O1", "O2"), 0.7),
    ]


def _lesser_rhythms(rng: np.random.Generator, brain: Brain) -> list[Rhythm]:
    """Mu over the central region, frontal theta, frontal and central beta."""
    mu_hz, beta_hz = float(rng.uniform(8.5, 12)), float(rng.uniform(15, 26))
    rhythms = [
        Rhythm(brain.mu_uv, mu_hz, 0.9, ("C3",), 0.7),
        Rhythm(brain.mu_uv * float(rng.uniform(0.4, 1)), mu_hz, 0.9, ("C4",), 0.7),
        Rhythm(brain.mu_uv * 0.3, 2 * mu_hz, 1.5, ("C3", "C4"), 0.8),
        Rhythm(brain.theta_uv, float(rng.uniform(4.5, 7.2)), 0.7, ("Fz", "AFz"), 0.8),
        Rhythm(brain.beta_uv, beta_hz, 3.0, ("F3", "C3"), 0.4),
        Rhythm(brain.beta_uv, beta_hz, 3.0, ("F4", "C4"), 0.4),
        Rhythm(brain.beta_uv * 0.7, beta_hz * 0.9, 3.0, ("Pz", "P3"), 0.4),
        Rhythm(brain.focal_uv, brain.focal_hz, 0.8, (brain.focal_at,), 0.6),
    ]
    return [rhythm for rhythm in rhythms if rhythm.amplitude_uv > 0]


def _patterns_at(rng: np.random.Generator, cap: Cap, places: tuple[str, ...]) -> FloatArray:
    """Scalp patterns of patches near named electrodes."""
    centres = electrode_directions(places) + rng.normal(0, 0.08, (len(places), 3))
    centres /= np.linalg.norm(centres, axis=1, keepdims=True)
    return cortical_patterns(
        cap.sites,
        centres,
        depth=rng.uniform(0.75, 0.95, len(places)),
        tilt=rng.normal(0, 0.2, (len(places), 3)),
    )


def _add_rhythm(
    rng: np.random.Generator,
    rhythm: Rhythm,
    signal: Signal,
    *,
    cap: Cap,
    rate_hz: float,
    visible: Signal | None,
) -> None:
    """Add one rhythm, waxing and waning; its places share a source and have some of their own."""
    n_samples = signal.shape[1]
    pattern = _patterns_at(rng, cap, rhythm.places)
    common, *own = shaped_noise(
        rng,
        1 + len(rhythm.places),
        n_samples=n_samples,
        rate_hz=rate_hz,
        density=bell(rhythm.frequency_hz, rhythm.width_hz),
    )
    wave = 0.8 * common + 0.6 * np.array(own)
    wave *= envelope(
        rng,
        n_samples=n_samples,
        rate_hz=rate_hz,
        slowness_s=float(rng.uniform(0.8, 3)),
        spread=rhythm.spread,
    )
    if visible is not None:
        wave *= visible
    pattern *= rhythm.amplitude_uv / len(rhythm.places)
    signal += pattern.astype(np.float32) @ wave


def _add_waves(
    rng: np.random.Generator, brain: Brain, signal: Signal, *, cap: Cap, rate_hz: float
) -> None:
    """Add single waves: of drowsiness and light sleep, and slow frontal ones.

    Amplitudes: K-complexes above 75 µV and at least 0.5 s, spindles 11-16 Hz and 0.5-2 s, vertex
    waves up to 0.5 s (sleep scoring rules; from memory).
    """
    duration_s = signal.shape[1] / rate_hz
    kinds = (
        (_spindle, 5 * brain.drowsy, ("Cz", "FCz", "C3", "C4"), (8, 35)),
        (_vertex_wave, 4 * brain.drowsy, ("Cz",), (-110, -35)),
        (_k_complex, 2 * brain.drowsy, ("Fz", "FCz", "Cz"), (-180, -75)),
        (_slow_wave, 12 * brain.drowsy, ("FCz", "Fz", "Pz"), (-70, 70)),
        (_slow_wave, 10 if brain.frontal_slow_uv else 0, ("Fz", "F3", "F4", "FCz"), (0.5, 1)),
    )
    for number, (shape, per_minute, places, (low, high)) in enumerate(kinds):
        scale = brain.frontal_slow_uv if number == len(kinds) - 1 else 1.0
        for onset_s in onsets(rng, per_minute, duration_s=duration_s):
            pattern = _patterns_at(rng, cap, places).mean(axis=1)
            pulse = shape(rng, rate_hz) * rng.uniform(low, high) * scale
            for row, weight in zip(signal, pattern, strict=True):
                add_pulse(row, weight * pulse, first=int(onset_s * rate_hz))


def _hump(time_s: FloatArray, centre_s: float, width_s: float) -> FloatArray:
    """Gaussian hump of height 1."""
    return np.asarray(np.exp(-0.5 * ((time_s - centre_s) / width_s) ** 2))


def _spindle(rng: np.random.Generator, rate_hz: float) -> FloatArray:
    length_s = rng.uniform(0.5, 1.8)
    time_s = np.arange(0, length_s, 1 / rate_hz)
    hz = rng.uniform(11, 15.5)
    return np.asarray(np.sin(np.pi * time_s / length_s) ** 1.5 * np.sin(2 * np.pi * hz * time_s))


def _vertex_wave(rng: np.random.Generator, rate_hz: float) -> FloatArray:
    width_s = rng.uniform(0.03, 0.07)
    time_s = np.arange(0, 0.8, 1 / rate_hz)
    return _hump(time_s, 0.25, width_s) - 0.45 * _hump(time_s, 0.25 + 3.2 * width_s, 2 * width_s)


def _k_complex(rng: np.random.Generator, rate_hz: float) -> FloatArray:
    width_s = rng.uniform(0.06, 0.12)
    time_s = np.arange(0, 1.6, 1 / rate_hz)
    late = rng.uniform(0.5, 1.0)
    return _hump(time_s, 0.4, width_s) - late * _hump(time_s, 0.4 + 4 * width_s, 2 * width_s)


def _slow_wave(rng: np.random.Generator, rate_hz: float) -> FloatArray:
    """One to three slow humps, now with an undershoot, now without: shaped much like a blink."""
    time_s = np.arange(0, 2.4, 1 / rate_hz)
    wave = np.zeros_like(time_s)
    centre_s = 0.4
    for _ in range(int(rng.integers(1, 4))):
        width_s = rng.uniform(0.07, 0.2)
        wave += rng.uniform(0.5, 1) * _hump(time_s, centre_s, width_s)
        centre_s += rng.uniform(2.5, 4) * width_s
        wave -= rng.uniform(0, 0.7) * _hump(time_s, centre_s, 1.3 * width_s)
        centre_s += rng.uniform(1, 3) * width_s
    return wave
