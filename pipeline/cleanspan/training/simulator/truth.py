"""What a reader would mark: spans from the known parts of a simulated recording.

The borders between clear, doubtful and invisible were placed near those at which one reader of
an open data set begins to mark: half of the channels are marked where a lasting trace has about
1.5 times the fast activity of quiet channels, and where a blink has about three times a channel's
robust rms (both measured). The blink's border here is 2.5 times the plain rms: chosen, not
measured, after blinks had been marked on fewer channels than the reader marks. In between is
``unsure``. Line noise is defined by computation, not by eye.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from cleanspan.training.simulator.eyes import EyeEvent
from cleanspan.types import BLINK, CONTACT_LOSS, LINE_NOISE, MUSCLE

FloatArray = npt.NDArray[np.floating]
BLOCK_S = 0.25
POP_GAP_S = 1.5
"""Pops that lie no further apart are marked as one loss (`cleanspan guide labels`). The EEG
between them may be whole, so the truth calls it ``unsure``: neither learned from nor judged."""
OTHER = "other"
UNSURE = "unsure"
BLINK_CLEAR, BLINK_DOUBTFUL = (2.5, 15.0), (1.4, 9.0)
"""Peak in rms of the rest (0.5-40 Hz), and in µV."""
MUSCLE_CLEAR, MUSCLE_DOUBTFUL = (1.3, 3.5), (0.8, 2.0)
"""Rms 20-70 Hz against the rest's in the same band, and in µV."""
MUSCLE_THICKER = 1.5
"""All of the fast activity against that of the cap's quieter half, or the channel's quiet time."""
MUSCLE_PLAIN = (2.5, 8.0)
"""As `MUSCLE_CLEAR`; from here on muscle is seen even if every channel has it all the time."""
GAZE_SEEN = (1.0, 9.0)
LINE_CLEAR, LINE_DOUBTFUL = 1.0, 0.25
"""Rms of the fundamental against the rest's rms 1-40 Hz: above the one it must be marked, below
the other it must not."""


@dataclass(frozen=True, slots=True)
class Span:
    """One span of ground truth.

    Attributes
    ----------
    label : str
        One of the labels, ``other``, or ``unsure``.
    kind : str
        Kind of contact loss; what an ``other`` is; for ``unsure`` the label it may be.
    onset_s, duration_s : float
    channels : tuple of str
    """

    label: str
    kind: str
    onset_s: float
    duration_s: float
    channels: tuple[str, ...]


def block_starts(n_samples: int, rate_hz: float) -> npt.NDArray[np.intp]:
    """First sample of each whole block of `BLOCK_S`.

    Where a block is no whole number of samples its length alternates, so that blocks never
    drift from their times.
    """
    count = max(int(n_samples / rate_hz / BLOCK_S + 1e-9), 1)
    return np.round(np.arange(count) * BLOCK_S * rate_hz).astype(np.intp)


def block_mean(samples: npt.NDArray[Any], rate_hz: float) -> npt.NDArray[Any]:
    """Mean of each channel in blocks, shape (n_channels, n_blocks); the last takes the rest."""
    starts = block_starts(samples.shape[1], rate_hz)
    sizes = np.diff(np.append(starts, samples.shape[1]))
    return np.asarray(np.add.reduceat(samples, starts, axis=1) / sizes)


def block_power(samples: FloatArray, rate_hz: float) -> npt.NDArray[np.float64]:
    """Mean square of each channel in blocks of `BLOCK_S`, shape (n_channels, n_blocks)."""
    return np.asarray(block_mean(np.square(samples, dtype=np.float64), rate_hz))


def smooth(power: npt.NDArray[np.float64], blocks: int) -> npt.NDArray[np.float64]:
    """Mean of each value and its neighbours, edges repeated."""
    from scipy import ndimage

    mean = ndimage.uniform_filter1d(power, blocks, axis=1, mode="nearest")
    return np.asarray(np.maximum(mean, 0.0))  # its running sum may end a little below 0


def band(
    samples: FloatArray, rate_hz: float, *, low_hz: float, high_hz: float
) -> npt.NDArray[np.float64]:
    """Band-passed samples; the band ends below the Nyquist frequency."""
    from scipy import signal

    high_hz = min(high_hz, 0.45 * rate_hz)
    sections = signal.butter(2, [low_hz, high_hz], "bandpass", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(sections, samples, axis=1))


def state_spans(
    states: npt.NDArray[np.int8], channels: Sequence[str], label: str, *, end_s: float
) -> list[Span]:
    """Spans from blocks: 2 is clear (`label`), 1 doubtful (``unsure``), 0 neither."""
    spans = []
    for row, channel in enumerate(channels):
        edges = np.flatnonzero(np.diff(states[row])) + 1
        bounds = [0, *edges.tolist(), states.shape[1]]
        for first, last in pairwise(bounds):
            if last > first and states[row, first] > 0:
                clear = states[row, first] == 2
                stop_s = end_s if last == states.shape[1] else last * BLOCK_S
                spans.append(
                    Span(
                        label if clear else UNSURE,
                        "" if clear else label,
                        first * BLOCK_S,
                        stop_s - first * BLOCK_S,
                        (channel,),
                    )
                )
    return spans


def muscle_states(muscle: FloatArray, rest: FloatArray, rate_hz: float) -> npt.NDArray[np.int8]:
    """How visible muscle is, by channel and block.

    A quarter of a second that stands out is enough, or one to five seconds that are plainly
    thicker (but not the quiet edges around a strong burst): a lasting thick trace is not cut up.
    The rest's level is taken over five seconds.
    """
    own = block_power(band(muscle, rate_hz, low_hz=20, high_hz=70), rate_hz)
    other = block_power(band(rest, rate_hz, low_hz=20, high_hz=70), rate_hz)
    level = np.sqrt(smooth(other, 20)) + 1e-3
    quick, slow = np.sqrt(own), np.sqrt(np.maximum(smooth(own, 5), smooth(own, 20)))
    states = np.zeros(own.shape, dtype=np.int8)
    for state, (ratio, floor_uv) in ((1, MUSCLE_DOUBTFUL), (2, MUSCLE_CLEAR)):
        seen = (slow >= ratio * level) & (slow >= floor_uv) & (quick >= 0.6 * ratio * level)
        seen |= (quick >= 1.5 * ratio * level) & (quick >= 1.5 * floor_uv)
        states[_filled(seen, gap=2)] = state
    states[(states == 2) & ~_filled(_stands_out(own, other, level), gap=2)] = 1
    return states


def _stands_out(
    own: npt.NDArray[np.float64], other: npt.NDArray[np.float64], level: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    """Whether muscle makes a trace thicker than others, or than itself, or very thick.

    A faint even haze on all channels (through the reference) is not something readers mark.
    """
    fast = np.sqrt(smooth(own + other, 3))
    quieter_half = np.sort(fast, axis=0)[: max(1, len(fast) // 2)].mean(axis=0)
    own_quiet = np.quantile(fast, 0.2, axis=1, keepdims=True)
    plain = np.sqrt(smooth(own, 3))
    seen = fast >= MUSCLE_THICKER * np.minimum(quieter_half, 1.15 * own_quiet)
    return np.asarray(seen | (plain >= MUSCLE_PLAIN[0] * level) & (plain >= MUSCLE_PLAIN[1]))


def line_states(
    mains: FloatArray, rest: FloatArray, rate_hz: float, *, mains_hz: float
) -> npt.NDArray[np.int8]:
    """How visible line noise is, by channel and block, over a second around it."""
    turn = np.exp(-2j * np.pi * mains_hz * np.arange(mains.shape[1]) / rate_hz)
    phasor = block_mean(mains * turn, rate_hz)
    own = smooth(2 * np.abs(phasor).astype(np.float64) ** 2, 4)
    other = smooth(block_power(band(rest, rate_hz, low_hz=1, high_hz=40), rate_hz), 4)
    ratio = np.sqrt(own / (other + 1e-6))
    audible = np.sqrt(own) > 0.3
    states = np.zeros(ratio.shape, dtype=np.int8)
    states[_filled((ratio >= LINE_DOUBTFUL) & audible, gap=4)] = 1
    states[_filled((ratio >= LINE_CLEAR) & audible, gap=1)] = 2
    return states


def _filled(seen: npt.NDArray[np.bool_], *, gap: int) -> npt.NDArray[np.bool_]:
    """Close gaps of up to `gap` blocks."""
    from scipy import ndimage

    closed = ndimage.binary_closing(
        np.pad(seen, ((0, 0), (gap + 1, gap + 1))), structure=np.ones((1, gap + 1), dtype=np.bool_)
    )
    return np.asarray(closed[:, gap + 1 : -gap - 1] | seen)


def event_spans(
    events: Sequence[EyeEvent],
    parts: tuple[FloatArray, FloatArray],
    rest: FloatArray,
    *,
    channels: Sequence[str],
    rate_hz: float,
) -> list[Span]:
    """Spans of eye events: blinks with the channels where they show, the others as ``other``.

    Parameters
    ----------
    parts : tuple of ndarray of shape (n_channels, n_samples)
        Blinks alone, other eye movements alone, as recorded.
    rest : ndarray of shape (n_channels, n_samples)
        Everything but the eyes, as recorded.
    """
    # Slow drift does not hide a blink, so the level is that of 0.5-40 Hz.
    steady = band(rest - rest.mean(axis=1, keepdims=True), rate_hz, low_hz=0.5, high_hz=40)
    level = np.sqrt(smooth(block_power(steady, rate_hz), 16))
    spans = []
    for event in events:
        own = parts[0] if event.kind not in ("lateral", "vertical") else parts[1]
        first = max(int(event.onset_s * rate_hz), 0)
        last = min(first + max(int(event.duration_s * rate_hz), 2), own.shape[1])
        if last - first < 2:
            continue
        height = np.abs(own[:, first:last] - own[:, first : first + 1]).max(axis=1)
        local = level[:, min(int(event.onset_s / BLOCK_S), level.shape[1] - 1)]
        if own is parts[1]:
            clear = (height >= GAZE_SEEN[0] * local) & (height >= GAZE_SEEN[1])
            spans += _one_event(event, clear, np.zeros_like(clear), channels)
            continue
        clear = (height >= BLINK_CLEAR[0] * local) & (height >= BLINK_CLEAR[1])
        doubt = (height >= BLINK_DOUBTFUL[0] * local) & (height >= BLINK_DOUBTFUL[1]) & ~clear
        spans += _one_event(event, clear, doubt, channels)
    return spans


def _one_event(
    event: EyeEvent,
    clear: npt.NDArray[np.bool_],
    doubt: npt.NDArray[np.bool_],
    channels: Sequence[str],
) -> list[Span]:
    """Spans of one event. Lids that close for long are neither blink nor not: ``unsure``."""
    onset_s = max(event.onset_s, 0.0)
    sure, perhaps = (tuple(np.array(channels)[seen].tolist()) for seen in (clear, doubt))
    if event.kind in ("lateral", "vertical"):
        rows = [(OTHER, f"{event.kind} eye movement", sure + perhaps)]
    elif event.kind == "blink" and event.duration_s < 0.8:
        rows = [(BLINK, "", sure), (UNSURE, BLINK, perhaps)]
    else:
        rows = [(UNSURE, BLINK, sure + perhaps)]
    return [Span(label, kind, onset_s, event.duration_s, who) for label, kind, who in rows if who]


def visible_spans(
    part: FloatArray,
    rest: FloatArray,
    *,
    channels: Sequence[str],
    rate_hz: float,
    label: str,
    kind: str,
    clear_uv: float,
    clear_ratio: float,
    doubtful_gap_s: float = 0.5,
) -> list[Span]:
    """Spans in which one part exceeds the rest (pops) by peak; half of it is ``unsure``.

    What is seen again within half a second is one span; up to `doubtful_gap_s` is ``unsure``.
    """
    peak = np.maximum.reduceat(np.abs(part), block_starts(part.shape[1], rate_hz), axis=1)
    level = np.sqrt(np.median(block_power(rest, rate_hz), axis=1, keepdims=True))
    states = np.zeros(peak.shape, dtype=np.int8)
    for state, share, gap_s in ((1, 0.5, doubtful_gap_s), (2, 1.0, 0.5)):
        seen = (peak >= share * clear_ratio * level) & (peak >= share * clear_uv)
        states[_filled(seen, gap=round(gap_s / BLOCK_S))] = state
    spans = state_spans(states, channels, label, end_s=part.shape[1] / rate_hz)
    return [
        Span(s.label, kind if s.label == label else s.kind, s.onset_s, s.duration_s, s.channels)
        for s in spans
    ]


def contact_span(kind: str, onset_s: float, duration_s: float, channels: Sequence[str]) -> Span:
    """Contact loss of a known extent."""
    return Span(CONTACT_LOSS, kind, onset_s, duration_s, tuple(channels))


def doubtful_contact(onset_s: float, duration_s: float, channels: Sequence[str]) -> Span:
    """Contact that may be lost: neither good nor bad."""
    return Span(UNSURE, CONTACT_LOSS, onset_s, duration_s, tuple(channels))


__all__ = [
    "LINE_NOISE",
    "MUSCLE",
    "OTHER",
    "UNSURE",
    "Span",
    "band",
    "block_power",
    "contact_span",
    "doubtful_contact",
    "event_spans",
    "line_states",
    "muscle_states",
    "state_spans",
    "visible_spans",
]
