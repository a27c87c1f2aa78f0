"""Contact faults: at the electrode (floating, drying, popping, reference) and at the amplifier."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.training.simulator.cap import Cap
from cleanspan.training.simulator.mains import mains_phase
from cleanspan.training.simulator.noise import Signal, bell, envelope, power_law, shaped_noise
from cleanspan.training.simulator.scenario import Fault

AT_AMPLIFIER = ("flat", "railed")
LOUDEST_HUM_UV = 3000.0
SWINGS, WHITE = 0.2, (-2.5, -0.7)
"""How often an open electrode swings slowly rather than being noisy; white noise beside the
rest, as exponents of ten (common practice)."""
SMALL_UV = 6.0
"""Below this a loose electrode is quiet: a little noise where the brain should be."""


@dataclass(frozen=True, slots=True, eq=False)
class ContactSignal:
    """What faults do at the sites, before the amplifier.

    Attributes
    ----------
    gain : ndarray of shape (n_sites, n_samples), float32
        Share of the head's signal that still passes.
    added : ndarray of shape (n_sites, n_samples), float32, µV
        Noise, drift and steps instead of it.
    hum : ndarray of shape (n_sites, n_samples), float32, µV
        Line noise that a loose electrode picks up.
    ramps : tuple of (channel, onset_s, duration_s)
        Spans in which a drying electrode is neither good nor lost.
    """

    gain: Signal
    added: Signal
    hum: Signal
    ramps: tuple[tuple[str, float, float], ...]


def contact_signal(
    rng: np.random.Generator,
    faults: Sequence[Fault],
    *,
    cap: Cap,
    n_samples: int,
    rate_hz: float,
    mains_hz: float,
) -> ContactSignal:
    """Draw what the electrodes' faults do.

    Raises
    ------
    ValueError
        If a fault names a channel the cap has not, or the cap has no reference to lose.
    """
    gain = np.ones((len(cap.sites), n_samples), dtype=np.float32)
    added = np.zeros((2, len(cap.sites), n_samples), dtype=np.float32)
    ramps = []
    for fault in faults:
        if fault.kind != "reference lost" and fault.channel not in cap.channels:
            raise ValueError(f"a fault's channel must be on the cap, got {fault.channel!r}")
        if fault.kind in AT_AMPLIFIER:
            continue
        piece = _samples(fault, n_samples=n_samples, rate_hz=rate_hz)
        length = piece.stop - piece.start
        if length < 2:
            continue
        if fault.kind == "popping":
            row = cap.index(fault.channel)
            added[0, row, piece] += popping(rng, length, rate_hz=rate_hz, height_uv=fault.strength)
        elif fault.kind == "reference lost":
            _lose_reference(rng, fault, added, cap=cap, piece=piece, rate_hz=rate_hz, hz=mains_hz)
        else:
            ramp = _let_go(
                rng, fault, gain, added, cap=cap, piece=piece, rate_hz=rate_hz, hz=mains_hz
            )
            ramps += [(fault.channel, fault.onset_s, ramp)] if ramp else []
    return ContactSignal(gain, added[0], added[1], tuple(ramps))


def _samples(fault: Fault, *, n_samples: int, rate_hz: float) -> slice:
    first = round(fault.onset_s * rate_hz)
    last = round((fault.onset_s + fault.duration_s) * rate_hz)
    return slice(min(max(first, 0), n_samples), min(max(last, 0), n_samples))


def _let_go(
    rng: np.random.Generator,
    fault: Fault,
    gain: Signal,
    added: Signal,
    *,
    cap: Cap,
    piece: slice,
    rate_hz: float,
    hz: float,
) -> float:
    """Float an electrode, at once or (drying) little by little; return the length of the ramp."""
    row = cap.index(fault.channel)
    length = piece.stop - piece.start
    noise = floating(rng, length, rate_hz=rate_hz, amplitude_uv=fault.strength, mains_hz=hz)
    most = 0.25 if fault.strength > 2 * SMALL_UV else 0.06
    left = float(rng.choice([0.0, rng.uniform(0, 0.06), rng.uniform(0, most)]))
    ramp_s = 0.0
    if fault.kind == "drying":
        ramp_s = float(rng.uniform(0.3, 0.6)) * fault.duration_s
        course = np.clip(np.arange(length) / (ramp_s * rate_hz), 0, 1)
        noise *= (course**2.5).astype(np.float32)
        gain[row, piece] *= (1 - (1 - left) * course**2).astype(np.float32)
    else:
        gain[row, piece] *= np.float32(left)
    added[:, row, piece] += noise
    return ramp_s


def floating(
    rng: np.random.Generator,
    n_samples: int,
    *,
    rate_hz: float,
    amplitude_uv: float,
    mains_hz: float,
) -> Signal:
    """Draw what an electrode that touches nothing shows: drift, noise, mains; never the brain.

    Now mostly slow (1/f²), now nearly white; mains from none to several times the rest, and at
    times so much that nothing else shows (common practice).

    Returns
    -------
    ndarray of shape (2, n_samples), float32, µV
        Noise, and line noise.
    """
    if amplitude_uv <= 0:
        return np.zeros((2, n_samples), dtype=np.float32)
    noise = _own_noise(rng, n_samples, rate_hz=rate_hz, small=amplitude_uv < SMALL_UV)
    share = _hum_share(rng, amplitude_uv)
    hum = np.zeros(n_samples)
    phase = mains_phase(rng, mains_hz, n_samples=n_samples, rate_hz=rate_hz)
    if mains_hz < 0.48 * rate_hz:
        drift = envelope(rng, n_samples=n_samples, rate_hz=rate_hz, slowness_s=5.0, spread=0.3)
        wave = np.sin(phase) + 0.2 * rng.random() * np.sin(3 * phase) * (mains_hz < 0.16 * rate_hz)
        hum = share * np.sqrt(2) * wave * drift
    return np.asarray(amplitude_uv * np.array([noise, hum]), dtype=np.float32)


def _own_noise(rng: np.random.Generator, n_samples: int, *, rate_hz: float, small: bool) -> Signal:
    """Draw what an open electrode shows without the mains: noise, or a slow swing with little."""
    if not small and rng.random() < SWINGS:
        return _swing(rng, n_samples, rate_hz=rate_hz)
    slope = float(rng.uniform(0, 2.0) if small else rng.uniform(0.4, 3.0))
    knee_hz = float(10 ** rng.uniform(-1.3, 0.5))
    noise: Signal = shaped_noise(
        rng, 1, n_samples=n_samples, rate_hz=rate_hz, density=power_law(slope, knee_hz)
    )[0]
    if small:
        return noise
    noise *= envelope(
        rng,
        n_samples=n_samples,
        rate_hz=rate_hz,
        slowness_s=float(rng.uniform(0.5, 4)),
        spread=float(rng.uniform(0.1, 0.7)),
    )
    noise += _white(rng, n_samples, WHITE)
    if rng.random() < 0.4:
        noise += popping(rng, n_samples, rate_hz=rate_hz, height_uv=1.5, per_minute=20)
    return noise


def _swing(rng: np.random.Generator, n_samples: int, *, rate_hz: float) -> Signal:
    """Draw the slow swing of a cable that moves, of unit rms and 0.1-2 Hz (common practice)."""
    centre_hz = float(10 ** rng.uniform(-1, 0.3))
    swing: Signal = shaped_noise(
        rng,
        1,
        n_samples=n_samples,
        rate_hz=rate_hz,
        density=bell(centre_hz, centre_hz * float(rng.uniform(0.15, 0.5))),
    )[0]
    return swing + _white(rng, n_samples, (-3.0, -1.0))


def _white(rng: np.random.Generator, n_samples: int, exponents: tuple[float, float]) -> Signal:
    """Draw white noise whose rms is ten to the power of one of these."""
    white = rng.standard_normal(n_samples, dtype=np.float32)
    return np.float32(10 ** rng.uniform(*exponents)) * white


def _hum_share(rng: np.random.Generator, amplitude_uv: float) -> float:
    """How large the mains are against the rest of what an open electrode shows."""
    reach = rng.choice(["none", "some", "most"], p=[0.2, 0.55, 0.25])
    if reach == "none":
        return 0.0
    exponent = rng.uniform(-2, 0.5) if reach == "some" else rng.uniform(0.5, 1.5)
    return min(float(10**exponent), LOUDEST_HUM_UV / amplitude_uv)


def popping(
    rng: np.random.Generator,
    n_samples: int,
    *,
    rate_hz: float,
    height_uv: float,
    per_minute: float | None = None,
) -> Signal:
    """Steep steps that come back: one if the span is short, else a series.

    Steps of tens to a thousand µV within a few ms. Most creep back exponentially with
    0.05-1.5 s; some stay where they are before they return, some are over at once, as where a
    wire makes and breaks contact (common practice).
    """
    signal = np.zeros(n_samples, dtype=np.float32)
    duration_s = n_samples / rate_hz
    rate = per_minute if per_minute is not None else float(10 ** rng.uniform(0.9, 2.1))
    number = max(1, int(rng.poisson(rate * duration_s / 60)))
    at = np.sort(rng.uniform(0, duration_s, number - 1)) if number > 1 else np.array([])
    breaks = per_minute is None and rng.random() < 0.3
    tau_s = float(10 ** (rng.uniform(-2.3, -1.5) if breaks else rng.uniform(-1.3, 0.2)))
    mostly = rng.choice([-1, 1])
    for moment_s in (0.0, *at):
        first = int(moment_s * rate_hz)
        sign = mostly if rng.random() < 0.75 else -mostly
        height = sign * height_uv * rng.lognormal(0, 0.4)
        stays_s = float(10 ** rng.uniform(-2, 0)) if breaks else 0.0
        since_s = np.arange(n_samples - first) / rate_hz
        rise = 1 - np.exp(-since_s / rng.uniform(0.001, 0.006))
        fall_s = np.maximum(since_s - stays_s, 0)
        tail = np.exp(-fall_s / (tau_s * rng.uniform(0.6, 1.6)))
        signal[first:] += (height * rise * tail).astype(np.float32)
    return signal


def _lose_reference(
    rng: np.random.Generator,
    fault: Fault,
    added: Signal,
    *,
    cap: Cap,
    piece: slice,
    rate_hz: float,
    hz: float,
) -> None:
    """Float the reference: one drift, noise and mains on every channel."""
    if set(cap.reference_sites) <= set(cap.channels):
        raise ValueError("an average reference cannot be lost")
    noise = floating(
        rng, piece.stop - piece.start, rate_hz=rate_hz, amplitude_uv=fault.strength, mains_hz=hz
    )
    lost = cap.reference_sites
    if len(lost) == 2 and rng.random() < 0.5:
        lost = (lost[int(rng.integers(2))],)
    for site in lost:
        # Each site has a share of the reference, so the strength is as seen in the recording.
        added[:, cap.index(site), piece] += noise * (len(cap.reference_sites) / len(lost))


def replace_at_amplifier(
    rng: np.random.Generator,
    samples: npt.NDArray[np.floating],
    fault: Fault,
    *,
    rate_hz: float,
    row: int,
    limit_uv: float,
) -> slice:
    """Overwrite a span of one channel as a flat line or at the amplifier's limit; return it."""
    piece = _samples(fault, n_samples=samples.shape[1], rate_hz=rate_hz)
    length = piece.stop - piece.start
    if length < 1:
        return piece
    makers: dict[str, Callable[[], npt.NDArray[np.floating]]] = {
        "flat": lambda: _flat(rng, float(samples[row, piece.start]), length, fault.strength),
        "railed": lambda: _railed(rng, length, fault.strength, rate_hz=rate_hz, limit_uv=limit_uv),
    }
    samples[row, piece] = makers[fault.kind]()
    return piece


def _flat(
    rng: np.random.Generator, last_uv: float, length: int, noise_uv: float
) -> npt.NDArray[np.float32]:
    level = float(rng.choice([0.0, last_uv, rng.normal(0, 5)]))
    noise = rng.standard_normal(length, dtype=np.float32)
    return np.float32(level) + np.float32(noise_uv) * noise


def _railed(
    rng: np.random.Generator, length: int, strength: float, *, rate_hz: float, limit_uv: float
) -> npt.NDArray[np.floating]:
    side = float(rng.choice([-1, 1]))
    if strength <= 0:
        return np.full(length, side * limit_uv, dtype=np.float32)
    noise = shaped_noise(rng, 1, n_samples=length, rate_hz=rate_hz, density=power_law(2.0, 0.5))[0]
    if rng.random() < 0.3:
        side = 0.0
        noise *= 2.5
    return np.asarray(np.clip(side * limit_uv * 1.1 + strength * noise, -limit_uv, limit_uv))
