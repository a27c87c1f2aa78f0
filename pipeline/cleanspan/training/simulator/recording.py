"""One simulated recording with its ground truth."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.training.simulator.amplifier import (
    apply_pass_band,
    digitise,
    pass_band,
    step_uv,
)
from cleanspan.training.simulator.body import heart_signal, movement_signal, sweat_signal
from cleanspan.training.simulator.brain import brain_signal
from cleanspan.training.simulator.cap import Cap, make_cap
from cleanspan.training.simulator.contact import (
    AT_AMPLIFIER,
    ContactSignal,
    contact_signal,
    replace_at_amplifier,
)
from cleanspan.training.simulator.eyes import EyeSignal, eye_signal
from cleanspan.training.simulator.mains import mains_signal
from cleanspan.training.simulator.marks import Parts, mark
from cleanspan.training.simulator.muscle import muscle_signal
from cleanspan.training.simulator.scenario import Scenario
from cleanspan.training.simulator.truth import Span


@dataclass(frozen=True, slots=True)
class Facts:
    """What a header would say about a simulated recording.

    Attributes
    ----------
    reference : str
    high_pass_hz, low_pass_hz : float
    notch_hz : float or None
    bits : int
    lsb_uv, lowest_uv, highest_uv : float
        Size of one step; the range.
    mains_hz : float
    """

    reference: str
    high_pass_hz: float
    low_pass_hz: float
    notch_hz: float | None
    bits: int
    lsb_uv: float
    lowest_uv: float
    highest_uv: float
    mains_hz: float


@dataclass(frozen=True, slots=True, eq=False)
class Simulated:
    """A simulated recording.

    Attributes
    ----------
    rate_hz : float
    electrodes : tuple of str
        10-10 names, in the order of the rows.
    samples_uv : ndarray of shape (n_channels, n_samples), float32, µV
    labels : tuple of Span
        Ground truth over the whole recording; what no span covers is clean. Besides the four
        labels there are ``other`` (its kind says what) and ``unsure`` (its kind is the label it
        may be): leave both out of training and scoring.
    facts : Facts
    """

    rate_hz: float
    electrodes: tuple[str, ...]
    samples_uv: npt.NDArray[np.float32]
    labels: tuple[Span, ...]
    facts: Facts


def simulate(seed: int | np.random.Generator, *, scenario: Scenario) -> Simulated:
    """Simulate one recording.

    Parameters
    ----------
    seed : int or numpy.random.Generator
        The same seed and scenario give the same samples.
    scenario : Scenario

    Raises
    ------
    ValueError
        If the scenario contradicts itself: an unknown electrode, a fault on a channel that is
        not there, a pass band beyond half the rate.
    """
    rng = np.random.default_rng(seed)
    amplifier = scenario.amplifier
    rate_hz = amplifier.rate_hz
    n_samples = round(scenario.duration_s * rate_hz)
    cap = make_cap(scenario.electrodes, scenario.reference)
    sections = pass_band(amplifier)
    eyes = eye_signal(rng, scenario.eyes, cap=cap, n_samples=n_samples, rate_hz=rate_hz)
    contact = contact_signal(
        rng,
        scenario.faults,
        cap=cap,
        n_samples=n_samples,
        rate_hz=rate_hz,
        mains_hz=scenario.mains.frequency_hz,
    )
    raw = _potentials(rng, scenario, eyes, contact, cap=cap, n_samples=n_samples)
    parts = {
        name: apply_pass_band(sections, cap.referencing.astype(np.float32) @ sites)
        for name, sites in raw.items()
    }
    samples = digitise(amplifier, np.sum(list(parts.values()), axis=0))
    facts = _facts(scenario)
    _fail_at_amplifier(rng, scenario, samples, parts, limit_uv=facts.highest_uv)
    spans = mark(
        scenario, parts, samples, events=eyes.events, ramps=contact.ramps, rate_hz=rate_hz
    )
    return Simulated(rate_hz, cap.channels, samples, spans, facts)


def _potentials(
    rng: np.random.Generator,
    scenario: Scenario,
    eyes: EyeSignal,
    contact: ContactSignal,
    *,
    cap: Cap,
    n_samples: int,
) -> dict[str, npt.NDArray[np.float32]]:
    """Potentials at the sites by origin, after the electrodes' faults."""
    rate_hz = scenario.amplifier.rate_hz
    brain = brain_signal(
        rng,
        scenario.brain,
        cap=cap,
        n_samples=n_samples,
        rate_hz=rate_hz,
        closed=scenario.eyes.closed,
    )
    brain += heart_signal(
        rng,
        scenario.heart_uv,
        per_minute=scenario.heart_per_minute,
        cap=cap,
        n_samples=n_samples,
        rate_hz=rate_hz,
    )
    swings = sweat_signal(rng, scenario.sweat_uv, cap=cap, n_samples=n_samples, rate_hz=rate_hz)
    swings += movement_signal(
        rng, scenario.movements, cap=cap, n_samples=n_samples, rate_hz=rate_hz
    )
    muscle = muscle_signal(rng, scenario.muscle, cap=cap, n_samples=n_samples, rate_hz=rate_hz)
    mains = mains_signal(rng, scenario.mains, cap=cap, n_samples=n_samples, rate_hz=rate_hz)
    from_head = {
        "brain": brain,
        "blinks": eyes.blink,
        "gaze": eyes.other,
        "swings": swings,
        "muscle": muscle,
    }
    parts = {name: part * contact.gain for name, part in from_head.items()}
    if scenario.bridge:
        _join(parts, cap, scenario.bridge)
    noise = rng.standard_normal(brain.shape, dtype=np.float32)
    parts["brain"] += np.float32(scenario.amplifier.noise_uv) * noise
    parts["faults"] = contact.added
    parts["mains"] = mains + contact.hum
    return parts


def _join(parts: dict[str, npt.NDArray[np.float32]], cap: Cap, bridge: tuple[str, ...]) -> None:
    """Give bridged electrodes the mean of their potentials."""
    rows = [cap.index(name) for name in bridge]
    for part in parts.values():
        part[rows] = part[rows].mean(axis=0)


def _facts(scenario: Scenario) -> Facts:
    amplifier = scenario.amplifier
    step = step_uv(amplifier)
    limit_uv = float(np.floor(amplifier.range_uv / step) * step)
    return Facts(
        reference=scenario.reference,
        high_pass_hz=amplifier.high_pass_hz,
        low_pass_hz=amplifier.low_pass_hz,
        notch_hz=amplifier.notch_hz,
        bits=amplifier.bits,
        lsb_uv=step,
        lowest_uv=-limit_uv,
        highest_uv=limit_uv,
        mains_hz=scenario.mains.frequency_hz,
    )


def _fail_at_amplifier(
    rng: np.random.Generator,
    scenario: Scenario,
    samples: npt.NDArray[np.float32],
    parts: Parts,
    *,
    limit_uv: float,
) -> None:
    """Overwrite flat and railed spans; nothing of the head is left in them."""
    for fault in scenario.faults:
        if fault.kind not in AT_AMPLIFIER:
            continue
        row = scenario.electrodes.index(fault.channel)
        piece = replace_at_amplifier(
            rng, samples, fault, rate_hz=scenario.amplifier.rate_hz, row=row, limit_uv=limit_uv
        )
        for part in parts.values():
            part[row, piece] = 0
        samples[row, piece] = digitise(scenario.amplifier, samples[row, piece])
