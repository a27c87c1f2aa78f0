"""Muscle, blinks and line noise laid over a real recording, with their spans."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.training.simulator.eyes import lid_pulse
from cleanspan.training.simulator.head import (
    EARS,
    FloatArray,
    dipole_potentials,
    direction,
    electrode_directions,
)
from cleanspan.training.simulator.mains import mains_phase
from cleanspan.training.simulator.muscle import muscle_wave
from cleanspan.training.simulator.noise import add_pulse, envelope, gate, log_uniform
from cleanspan.training.simulator.truth import LINE_CLEAR, LINE_DOUBTFUL, UNSURE, Span

Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """The recording that faults are injected into."""

    samples: Samples
    rate_hz: float
    electrodes: tuple[str, ...]
    limit_uv: float
    mains_hz: float
    levels_uv: tuple[float, ...]

    @classmethod
    def of(
        cls,
        samples: Samples,
        rate_hz: float,
        electrodes: Sequence[str],
        *,
        limit_uv: float = np.inf,
        mains_hz: float = 50.0,
    ) -> "Target":
        """Take samples, which will be changed, with the levels that they have now."""
        levels_uv = robust_levels_uv(samples)
        return cls(samples, rate_hz, tuple(electrodes), limit_uv, mains_hz, levels_uv)

    @property
    def duration_s(self) -> float:
        """Length of the recording."""
        return float(self.samples.shape[1] / self.rate_hz)

    @property
    def shows_mains(self) -> bool:
        """Whether the rate lets mains through."""
        return self.mains_hz < 0.48 * self.rate_hz

    def piece(self, onset_s: float, duration_s: float) -> slice:
        """Give the samples of a span."""
        first = max(round(onset_s * self.rate_hz), 0)
        return slice(
            first, min(round((onset_s + duration_s) * self.rate_hz), self.samples.shape[1])
        )

    def level_uv(self, row: int) -> float:
        """Robust rms of a channel as it was before anything was injected."""
        return self.levels_uv[row]


def robust_levels_uv(samples: Samples) -> tuple[float, ...]:
    """Rms of each channel from its median absolute deviation, at least 0.5 µV."""
    middle = np.median(samples, axis=1, keepdims=True)
    deviation = np.median(np.abs(samples - middle), axis=1)
    return tuple(np.maximum(1.4826 * deviation, 0.5).tolist())


def add_muscle(
    target: Target,
    rng: np.random.Generator,
    kind: str,
    row: int,
    onset_s: float,
    duration_s: float,
) -> list[Span]:
    """Add a burst at one electrode that reaches its neighbours."""
    piece = target.piece(onset_s, duration_s)
    wave = muscle_wave(rng, piece.stop - piece.start, rate_hz=target.rate_hz)
    wave *= gate(
        ((0.0, duration_s),),
        n_samples=wave.size,
        rate_hz=target.rate_hz,
        edge_s=min(0.3, duration_s / 3) * float(rng.uniform(0.2, 1)),
    )
    level_uv = target.level_uv(row)
    height_uv = level_uv * log_uniform(rng, 0.8, 12)
    weights = _neighbours(target, row, reach_deg=float(rng.uniform(15, 35)))
    sure, perhaps = [], []
    for index, weight in enumerate(weights):
        share_uv = weight * height_uv
        target.samples[index, piece] += np.float32(share_uv) * wave
        own_uv = _fast_level_uv(target, index, piece)
        if share_uv > 1.6 * own_uv and share_uv > 5:
            sure.append(target.electrodes[index])
        elif share_uv > 0.5 * own_uv and share_uv > 1.5:
            perhaps.append(target.electrodes[index])
    return _both(kind, onset_s, duration_s, sure, perhaps)


def _fast_level_uv(target: Target, row: int, piece: slice) -> float:
    """Rough level of a channel's fast activity, from the differences of its samples."""
    step = max(1, round(target.rate_hz / 160))
    around = target.samples[row, max(0, piece.start - 5 * int(target.rate_hz)) : piece.start]
    if around.size < target.rate_hz:
        around = target.samples[row]
    return float(np.median(np.abs(np.diff(around[::step])))) * 1.4826 / 2**0.5 + 0.3


def _both(
    label: str, onset_s: float, duration_s: float, sure: list[str], perhaps: list[str]
) -> list[Span]:
    spans = []
    if sure:
        spans.append(Span(label, "", onset_s, duration_s, tuple(sure)))
    if perhaps:
        spans.append(Span(UNSURE, label, onset_s, duration_s, tuple(perhaps)))
    return spans


def _neighbours(target: Target, row: int, *, reach_deg: float) -> FloatArray:
    """Weights of all channels for something at one; it alone if names are unknown."""
    weights = np.zeros(len(target.electrodes))
    weights[row] = 1.0
    try:
        places = electrode_directions(target.electrodes)
    except ValueError:
        return weights
    angle = np.degrees(np.arccos(np.clip(places @ places[row], -1, 1)))
    return np.asarray(np.exp(-0.5 * (angle / reach_deg) ** 2))


def nearest_first(electrodes: Sequence[str], row: int, *, within_deg: float) -> tuple[int, ...]:
    """List the other electrodes within an angle, the nearest first; none if names are unknown."""
    try:
        places = electrode_directions(tuple(electrodes))
    except ValueError:
        return ()
    angle = np.degrees(np.arccos(np.clip(places @ places[row], -1, 1)))
    order = np.argsort(angle, kind="stable")
    return tuple(int(index) for index in order if index != row and angle[index] <= within_deg)


def add_blink(
    target: Target,
    rng: np.random.Generator,
    kind: str,
    row: int,  # noqa: ARG001
    onset_s: float,
    duration_s: float,
) -> list[Span]:
    """Add a blink with the falling-off towards the back that blinks have."""
    try:
        weights = blink_topography(target.electrodes, rng)
    except ValueError:
        return []
    closing_s = min(float(rng.uniform(0.05, 0.1)), 0.3 * duration_s)
    opening_s = 0.5 * (duration_s - closing_s)
    pulse = lid_pulse(
        target.rate_hz,
        closing_s=closing_s,
        held_s=0.15 * opening_s,
        opening_s=opening_s,
        rounded=float(rng.uniform(0.1, 0.9)),
    )
    height_uv = float(np.clip(180 * rng.lognormal(0, 0.5), 50, 700))
    sure, perhaps = [], []
    for index, weight in enumerate(weights):
        level_uv = target.level_uv(index)
        add_pulse(
            target.samples[index], weight * height_uv * pulse, first=int(onset_s * target.rate_hz)
        )
        peak_uv = abs(weight) * height_uv
        if peak_uv > 3 * level_uv and peak_uv > 15:
            sure.append(target.electrodes[index])
        elif peak_uv > 1.6 * level_uv and peak_uv > 9:
            perhaps.append(target.electrodes[index])
    return _both(kind, onset_s, duration_s, sure, perhaps)


def blink_topography(electrodes: Sequence[str], rng: np.random.Generator) -> FloatArray:
    """Relative size of a blink against the ears, 1 at Fp1/Fp2, one person's deviation drawn.

    The two dipoles are those of `cleanspan.training.simulator.eyes.eye_patterns`.

    Raises
    ------
    ValueError
        If an electrode has no 10-10 name.
    """
    sites = electrode_directions((*electrodes, "Fp1", "Fp2", *EARS))
    tilt_deg, aside_deg, depth = rng.normal(118, 2.5), rng.normal(37, 3), rng.uniform(0.61, 0.72)
    places = np.array([direction(tilt_deg, side * aside_deg) * depth for side in (-1, 1)])
    lean = rng.normal(0.09, 0.12)
    moments = np.array([[0, np.cos(lean), np.sin(lean)]] * 2)
    seen = dipole_potentials(sites, places, moments).sum(axis=1)
    seen -= seen[-2:].mean()
    return np.asarray(seen[: len(electrodes)] / seen[-4:-2].mean())


def add_mains(
    target: Target,
    rng: np.random.Generator,
    kind: str,
    row: int,
    onset_s: float,
    duration_s: float,
) -> list[Span]:
    """Add line noise at a chosen ratio to one, some or all channels."""
    if not target.shows_mains:
        return []
    piece = target.piece(onset_s, duration_s)
    length = piece.stop - piece.start
    count = len(target.electrodes)
    number = int(rng.choice([1, max(1, count // 4), count]))
    rows = np.union1d([row], rng.choice(count, size=number - 1, replace=False)).astype(int)
    ratio = log_uniform(rng, 0.2, 8)
    phase = mains_phase(rng, target.mains_hz, n_samples=length, rate_hz=target.rate_hz)
    drift = envelope(rng, n_samples=length, rate_hz=target.rate_hz, slowness_s=8.0, spread=0.1)
    sure, perhaps = [], []
    for index in rows:
        own = target.samples[index, piece]
        rest_uv = _rest_rms_uv(own, target.rate_hz)
        here = ratio * float(rng.lognormal(0, 0.2))
        shift = float(rng.normal(0, 0.4))
        own += (np.sqrt(2) * here * rest_uv * drift * np.sin(phase + shift)).astype(np.float32)
        if here >= 1.3 * LINE_CLEAR:
            sure.append(target.electrodes[index])
        elif here >= 0.5 * LINE_DOUBTFUL:
            perhaps.append(target.electrodes[index])
    return _both(kind, onset_s, duration_s, sure, perhaps)


def _rest_rms_uv(samples: Samples, rate_hz: float) -> float:
    """Rms between 1 and 40 Hz."""
    from scipy import signal

    if samples.size < rate_hz / 2:
        return float(np.std(samples))
    sections = signal.butter(
        2, [1.0, min(40.0, 0.45 * rate_hz)], "bandpass", fs=rate_hz, output="sos"
    )
    return float(np.std(signal.sosfilt(sections, samples - samples.mean())))
