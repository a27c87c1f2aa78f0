"""Eyes and lids: two dipoles behind the brow, moved by blinks, lids and gaze."""

from dataclasses import dataclass

import numpy as np

from cleanspan.training.simulator.cap import Cap
from cleanspan.training.simulator.head import FloatArray, dipole_potentials, direction
from cleanspan.training.simulator.noise import (
    Signal,
    add_pulse,
    bell,
    envelope,
    gate,
    onsets,
    shaped_noise,
)
from cleanspan.training.simulator.scenario import Eyes, Spans


@dataclass(frozen=True, slots=True)
class EyeEvent:
    """One ``blink``, ``closing``, ``opening``, ``flutter``, ``lateral`` or ``vertical``."""

    kind: str
    onset_s: float
    duration_s: float


@dataclass(frozen=True, slots=True, eq=False)
class EyeSignal:
    """What the eyes add at every site.

    Attributes
    ----------
    blink, other : ndarray of shape (n_sites, n_samples), float32, µV
        Blinks and lid closures; all other movements.
    events : tuple of EyeEvent
    """

    blink: Signal
    other: Signal
    events: tuple[EyeEvent, ...]


@dataclass(frozen=True, slots=True, eq=False)
class EyePatterns:
    """Patterns over the sites: upward (1 at Fp1/Fp2), rightward (1 at F8, -1 at F7), spike."""

    upward: FloatArray
    gaze_up: FloatArray
    rightward: FloatArray
    spike: FloatArray


def eye_patterns(rng: np.random.Generator, cap: Cap) -> EyePatterns:
    """Draw a person's eyes and see how they look from the cap.

    Two dipoles 118° from the vertex, 37° to either side, at 0.66 of the radius, pointing forward,
    give the falling-off of blinks towards the back within 0.024 rms of the median over 14 people
    of an open data set (Schalk et al. 2004; measured); every person deviates a little.
    """
    tilt_deg, aside_deg = rng.normal(118, 2.5), rng.normal(37, 3)
    depth = rng.uniform(0.61, 0.72)
    lean = rng.normal(0.09, 0.12)
    uneven = rng.normal(1, 0.06)
    places = np.array([direction(tilt_deg, side * aside_deg) * depth for side in (-1, 1)])
    blink = np.array([[0, np.cos(lean), np.sin(lean)]] * 2) * [[uneven], [2 - uneven]]
    up = blink + np.array([0, -0.25, 0.35])
    right = np.array([[1.0, 0.15, 0.0], [1.0, -0.15, 0.0]])

    def normalised(moments: FloatArray, names: tuple[str, str], sign: float) -> FloatArray:
        at_sites = dipole_potentials(cap.sites, places, moments).sum(axis=1)
        seen = dipole_potentials(cap.against_reference(names), places, moments).sum(axis=1)
        height = 0.5 * (seen[1] + sign * seen[0])
        return np.asarray(at_sites / (height - (seen[2:].mean() if sign > 0 else 0.0)))

    rightward = normalised(right, ("F7", "F8"), -1)
    return EyePatterns(
        upward=normalised(blink, ("Fp1", "Fp2"), 1),
        gaze_up=normalised(up, ("Fp1", "Fp2"), 1),
        rightward=rightward,
        spike=np.abs(rightward) * 0.6 + normalised(up, ("Fp1", "Fp2"), 1) * 0.4,
    )


def eye_signal(
    rng: np.random.Generator, eyes: Eyes, *, cap: Cap, n_samples: int, rate_hz: float
) -> EyeSignal:
    """Draw all movements of eyes and lids over a recording."""
    patterns = eye_patterns(rng, cap)
    tracks = np.zeros((4, n_samples), dtype=np.float32)
    lids, vertical, lateral, spikes = tracks
    duration_s = n_samples / rate_hz
    events = _blinks(rng, eyes, lids, rate_hz=rate_hz)
    events += _closures(rng, eyes, lids, rate_hz=rate_hz)
    for kind, per_minute, track in (
        ("lateral", eyes.lateral_per_minute, lateral),
        ("vertical", eyes.vertical_per_minute, vertical),
    ):
        for onset_s in onsets(rng, per_minute, duration_s=duration_s, apart_s=0.3):
            if not _inside(eyes.closed, onset_s):
                height = eyes.lateral_uv * rng.lognormal(0, 0.4) * rng.choice([-1, 1])
                events += _saccades(
                    rng, track, spikes, kind=kind, onset_s=onset_s, height=height, rate_hz=rate_hz
                )
    _rolling(rng, eyes, lateral, vertical, rate_hz=rate_hz)
    blink = np.outer(patterns.upward, lids).astype(np.float32)
    other = np.outer(patterns.gaze_up, vertical).astype(np.float32)
    other += np.outer(patterns.rightward, lateral).astype(np.float32)
    other += np.outer(patterns.spike, spikes).astype(np.float32)
    return EyeSignal(blink, other, tuple(events))


def _inside(spans: Spans, time_s: float) -> bool:
    return any(onset <= time_s <= onset + duration for onset, duration in spans)


def lid_pulse(
    rate_hz: float, *, closing_s: float, held_s: float, opening_s: float, rounded: float = 0.5
) -> FloatArray:
    """Height of the lid's potential over one blink, 0 to 1.

    Closing is a half cosine; opening a half cosine that ends in a slower tail the more `rounded`.
    """
    time_s = np.arange(0, closing_s + held_s + 2.5 * opening_s, 1 / rate_hz)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(time_s / closing_s, 0, 1))
    since = time_s - closing_s - held_s
    quick = 0.5 + 0.5 * np.cos(np.pi * np.clip(since / opening_s, 0, 1))
    slow = 0.5 + 0.5 * np.cos(np.pi * np.clip(since / (2.5 * opening_s), 0, 1))
    sag = 1 - 0.15 * np.clip((time_s - closing_s) / max(held_s, 0.05), 0, 1)
    return np.asarray(rise * (quick * (1 - 0.5 * rounded) + slow * 0.5 * rounded) * sag)


def _blinks(
    rng: np.random.Generator, eyes: Eyes, lids: Signal, *, rate_hz: float
) -> list[EyeEvent]:
    """Add blinks, single and double, with a person's own speed and height.

    Closing 50-80 ms, opening slower (handbook values, from memory); doubles about one in ten
    (from memory).
    """
    events: list[EyeEvent] = []
    speed = rng.uniform(0.8, 1.5)
    rounded = rng.uniform(0.1, 0.9)
    held_s = rng.uniform(0.0, 0.05)
    rate = eyes.blinks_per_minute
    for start_s in onsets(rng, rate, duration_s=lids.size / rate_hz):
        onset_s = start_s
        for _ in range(2 if rng.random() < 0.1 else 1):
            if _inside(eyes.closed, onset_s):
                continue
            closing_s = rng.uniform(0.05, 0.08) * speed
            opening_s = closing_s * rng.uniform(1.4, 2.4)
            hold_s = held_s * rng.uniform(0.5, 1.5)
            if rng.random() < 0.05:
                hold_s += rng.uniform(0.1, 0.35)
            pulse = lid_pulse(
                rate_hz, closing_s=closing_s, held_s=hold_s, opening_s=opening_s, rounded=rounded
            )
            height = eyes.blink_uv * rng.lognormal(0, 0.22)
            add_pulse(lids, height * pulse, first=int(onset_s * rate_hz))
            length_s = closing_s + hold_s + opening_s * (0.8 + 0.3 * rounded)
            events.append(EyeEvent("blink", onset_s, length_s))
            onset_s += length_s + rng.uniform(0.0, 0.15)
    return events


def _closures(
    rng: np.random.Generator, eyes: Eyes, lids: Signal, *, rate_hz: float
) -> list[EyeEvent]:
    """Add the lids' closing at the start of each closed stretch, opening at its end, flutter."""
    events: list[EyeEvent] = []
    for onset_s, duration_s in eyes.closed:
        pulse = lid_pulse(
            rate_hz, closing_s=0.12, held_s=max(duration_s - 0.4, 0.1), opening_s=0.25
        )
        if onset_s > 0:
            add_pulse(lids, 0.8 * eyes.blink_uv * pulse, first=int(onset_s * rate_hz))
            events.append(EyeEvent("closing", onset_s, 0.6))
        elif onset_s + duration_s < lids.size / rate_hz:
            add_pulse(lids, 0.8 * eyes.blink_uv * pulse, first=0)
        if onset_s + duration_s < lids.size / rate_hz:
            events.append(EyeEvent("opening", onset_s + duration_s - 0.4, 0.9))
        for start_s in onsets(rng, eyes.flutter_per_minute, duration_s=duration_s - 3):
            length_s = rng.uniform(0.6, 2.5)
            first = int((onset_s + start_s + 0.8) * rate_hz)
            count = int(length_s * rate_hz)
            time_s = np.arange(count) / rate_hz
            wave = np.sin(np.pi * time_s / length_s) * (
                0.5 - 0.5 * np.cos(2 * np.pi * rng.uniform(3, 8) * time_s)
            )
            add_pulse(lids, rng.uniform(0.15, 0.5) * eyes.blink_uv * wave, first=first)
            events.append(EyeEvent("flutter", first / rate_hz, length_s))
    return events


def _saccades(
    rng: np.random.Generator,
    track: Signal,
    spikes: Signal,
    *,
    kind: str,
    onset_s: float,
    height: float,
    rate_hz: float,
) -> list[EyeEvent]:
    """Add one saccade, which stays or comes back, each with a spike of the eye muscles.

    A saccade takes 30-60 ms; its spike potential about 20 ms before and into it (from memory).
    """
    held_s = float(rng.uniform(0.15, 1.2) if rng.random() < 0.6 else rng.uniform(1.2, 6))
    moving_s = float(rng.uniform(0.03, 0.06))
    pulse = lid_pulse(rate_hz, closing_s=moving_s, held_s=held_s, opening_s=moving_s, rounded=0.0)
    add_pulse(track, height * pulse, first=int(onset_s * rate_hz))
    spike_s = np.arange(-0.03, 0.04, 1 / rate_hz)
    spike = np.exp(-0.5 * (spike_s / 0.006) ** 2) - 0.6 * np.exp(
        -0.5 * ((spike_s - 0.014) / 0.008) ** 2
    )
    size = rng.uniform(0.05, 0.35) * abs(height)
    for moment_s in (onset_s, onset_s + held_s + moving_s):
        add_pulse(spikes, -size * spike, first=int((moment_s - 0.03) * rate_hz))
    if held_s < 1.6:
        return [EyeEvent(kind, onset_s - 0.03, held_s + 2 * moving_s + 0.15)]
    back_s = onset_s + moving_s + held_s
    return [EyeEvent(kind, onset_s - 0.03, 0.6), EyeEvent(kind, back_s - 0.03, 0.6)]


def _rolling(
    rng: np.random.Generator, eyes: Eyes, lateral: Signal, vertical: Signal, *, rate_hz: float
) -> None:
    """Add slow rolling (0.2-0.6 Hz, common practice) while the eyes are closed."""
    if not eyes.rolling_uv or not eyes.closed:
        return
    shut = gate(eyes.closed, n_samples=lateral.size, rate_hz=rate_hz, edge_s=1.0)
    for track, share in ((lateral, 1.0), (vertical, 0.4)):
        wave = shaped_noise(
            rng, 1, n_samples=track.size, rate_hz=rate_hz, density=bell(0.4, 0.15)
        )[0]
        wave *= envelope(rng, n_samples=track.size, rate_hz=rate_hz, slowness_s=4.0, spread=0.7)
        track += np.float32(share * eyes.rolling_uv) * wave * shut
