"""The ground truth of a whole simulated recording, from its known parts."""

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from cleanspan.training.simulator.eyes import EyeEvent
from cleanspan.training.simulator.noise import gate
from cleanspan.training.simulator.scenario import Fault, Scenario
from cleanspan.training.simulator.truth import (
    OTHER,
    POP_GAP_S,
    UNSURE,
    Span,
    band,
    contact_span,
    doubtful_contact,
    event_spans,
    line_states,
    muscle_states,
    state_spans,
    visible_spans,
)
from cleanspan.types import CONTACT_LOSS, LINE_NOISE, MUSCLE

LEAST_NOISE = 0.7
"""From this share of what is left of the head on (1-25 Hz), noise of a loose electrode shows."""
QUIET = 0.5
"""Up to this share of the other channels' rms an electrode without contact is plainly quiet."""
LOUD = 3.0
"""So much larger than the rest, drift and mains show. All three: common practice."""

Parts = Mapping[str, npt.NDArray[np.float32]]
"""Recorded channels by origin: brain, blinks, gaze, swings, muscle, faults, mains."""


def mark(
    scenario: Scenario,
    parts: Parts,
    samples: npt.NDArray[np.float32],
    *,
    events: Sequence[EyeEvent],
    ramps: Sequence[tuple[str, float, float]],
    rate_hz: float,
) -> tuple[Span, ...]:
    """Mark everything a reader would, sorted by onset.

    Parameters
    ----------
    parts : mapping of str to ndarray of shape (n_channels, n_samples), µV
        The recording by origin; their sum is what was recorded before rounding.
    samples : ndarray of shape (n_channels, n_samples), µV
        As recorded.
    events : sequence of EyeEvent
    ramps : sequence of (channel, onset_s, duration_s)
        Where drying electrodes are neither good nor lost.
    """
    names = scenario.electrodes
    end_s = samples.shape[1] / rate_hz
    without_mains = np.sum([part for name, part in parts.items() if name != "mains"], axis=0)
    without_eyes = samples - parts["blinks"] - parts["gaze"]
    spans = event_spans(
        events,
        (parts["blinks"], parts["gaze"]),
        without_eyes,
        channels=names,
        rate_hz=rate_hz,
    )
    spans += state_spans(
        muscle_states(parts["muscle"], without_mains - parts["muscle"], rate_hz),
        names,
        MUSCLE,
        end_s=end_s,
    )
    spans += state_spans(
        line_states(parts["mains"], without_mains, rate_hz, mains_hz=scenario.mains.frequency_hz),
        names,
        LINE_NOISE,
        end_s=end_s,
    )
    spans += _swings(scenario, parts, rate_hz=rate_hz)
    spans += _contact(scenario, parts, ramps=ramps, rate_hz=rate_hz)
    kept = [_within(span, end_s) for span in spans]
    return tuple(sorted((s for s in kept if s), key=lambda s: (s.onset_s, s.label, s.channels)))


def _within(span: Span, end_s: float) -> Span | None:
    """Cut a span to the recording."""
    onset_s = max(span.onset_s, 0.0)
    stop_s = min(span.onset_s + span.duration_s, end_s)
    if stop_s - onset_s < 0.02:
        return None
    return Span(
        span.label, span.kind, round(onset_s, 4), round(stop_s - onset_s, 4), span.channels
    )


def _swings(scenario: Scenario, parts: Parts, *, rate_hz: float) -> list[Span]:
    """Large sweat swings and movements, and rolling eyes, are ``other``; huge ones ``unsure``."""
    rest = parts["brain"] + parts["muscle"]
    names = scenario.electrodes
    spans = visible_spans(
        parts["swings"],
        rest,
        channels=names,
        rate_hz=rate_hz,
        label=OTHER,
        kind="swing",
        clear_uv=70,
        clear_ratio=2.5,
    )
    spans = [span for span in spans if span.label == OTHER]
    spans += [
        Span(UNSURE, CONTACT_LOSS, span.onset_s, span.duration_s, span.channels)
        for span in visible_spans(
            parts["swings"],
            rest,
            channels=names,
            rate_hz=rate_hz,
            label=OTHER,
            kind="swing",
            clear_uv=350,
            clear_ratio=6,
        )
        if span.label == OTHER
    ]
    if scenario.eyes.rolling_uv:
        shut = gate(scenario.eyes.closed, n_samples=rest.shape[1], rate_hz=rate_hz, edge_s=0.01)
        rolling = visible_spans(
            parts["gaze"] * shut,
            rest,
            channels=names,
            rate_hz=rate_hz,
            label=OTHER,
            kind="rolling eyes",
            clear_uv=20,
            clear_ratio=1.5,
        )
        spans += [span for span in rolling if span.label == OTHER]
    return spans


def _contact(
    scenario: Scenario,
    parts: Parts,
    *,
    ramps: Sequence[tuple[str, float, float]],
    rate_hz: float,
) -> list[Span]:
    """Spans of the faults: as long as they last, pops as long as they show."""
    spans: list[Span] = []
    slow = {(channel, onset_s): length_s for channel, onset_s, length_s in ramps}
    popped = [fault for fault in scenario.faults if fault.kind == "popping"]
    spans += _pops(scenario, parts, popped, rate_hz=rate_hz)
    for fault in scenario.faults:
        if fault.kind == "popping":
            continue
        who = scenario.electrodes if fault.kind == "reference lost" else (fault.channel,)
        ramp_s = slow.get((fault.channel, fault.onset_s), 0.0)
        if ramp_s:
            early_s = 0.2 * ramp_s
            spans.append(doubtful_contact(fault.onset_s + early_s, ramp_s - early_s, who))
        kind = "floating" if fault.kind == "drying" else fault.kind
        onset_s, length_s = fault.onset_s + ramp_s, fault.duration_s - ramp_s
        if kind == "floating" and not _shows(
            scenario, parts, fault.channel, onset_s, length_s, rate_hz=rate_hz
        ):
            spans.append(doubtful_contact(onset_s, length_s, who))
        else:
            spans.append(contact_span(kind, onset_s, length_s, who))
    spans += _spilled(scenario, parts, rate_hz=rate_hz)
    return spans


def _shows(
    scenario: Scenario,
    parts: Parts,
    channel: str,
    onset_s: float,
    duration_s: float,
    *,
    rate_hz: float,
) -> bool:
    """Whether a floating electrode shows: its own noise, or less than the other channels have.

    What the reference picks up stays in the channel, and may look like quiet EEG of its own.
    """
    first, last = (round(second * rate_hz) for second in (onset_s, onset_s + duration_s))
    head = sum(part for name, part in parts.items() if name not in ("faults", "mains"))
    own = parts["faults"] + parts["mains"]
    head, own = (np.asarray(part)[:, max(first, 0) : last] for part in (head, own))
    if head.shape[1] < rate_hz / 2:
        return True
    rest_uv, own_uv = (
        band(part, rate_hz, low_hz=1, high_hz=25).std(axis=1) for part in (head, own)
    )
    row = scenario.electrodes.index(channel)
    usual_uv = float(np.median(rest_uv))
    fault_uv = max(float(own_uv[row]), float(own[row].std()) / LOUD)
    return bool(
        fault_uv >= LEAST_NOISE * rest_uv[row] or rest_uv[row] + fault_uv <= QUIET * usual_uv
    )


def _pops(
    scenario: Scenario, parts: Parts, faults: Sequence[Fault], *, rate_hz: float
) -> list[Span]:
    """Spans in which pops stand out on their own channels."""
    spans: list[Span] = []
    for channel in sorted({fault.channel for fault in faults}):
        row = [scenario.electrodes.index(channel)]
        own = [(f.onset_s, f.duration_s + 2.0) for f in faults if f.channel == channel]
        during = gate(
            tuple(own), n_samples=parts["faults"].shape[1], rate_hz=rate_hz, edge_s=0.001
        )
        spans += visible_spans(
            parts["faults"][row] * during,
            parts["brain"][row] + parts["muscle"][row],
            channels=(channel,),
            rate_hz=rate_hz,
            label=CONTACT_LOSS,
            kind="popping",
            clear_uv=30,
            clear_ratio=2.5,
            doubtful_gap_s=POP_GAP_S,
        )
    return spans


def _spilled(scenario: Scenario, parts: Parts, *, rate_hz: float) -> list[Span]:
    """Where a fault reaches other channels through an average reference: ``unsure``."""
    own = {fault.channel for fault in scenario.faults}
    rows = [row for row, name in enumerate(scenario.electrodes) if name not in own]
    if scenario.reference != "average" or not scenario.faults or not rows:
        return []
    spilled = visible_spans(
        parts["faults"][rows],
        parts["brain"][rows],
        channels=[scenario.electrodes[row] for row in rows],
        rate_hz=rate_hz,
        label=CONTACT_LOSS,
        kind="",
        clear_uv=15,
        clear_ratio=1.5,
    )
    return [
        Span(UNSURE, CONTACT_LOSS, span.onset_s, span.duration_s, span.channels)
        for span in spilled
    ]
