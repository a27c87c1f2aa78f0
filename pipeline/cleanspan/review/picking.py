"""Which spans a reader should look at: where it helps most, and a random share as control.

Labels of spans that were picked because the model doubts them are good teachers and bad judges:
scored on them alone, any model looks worse than it is. The control share is drawn first and
blindly, over all spans of all recordings alike, so that scores on it hold for everything.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.types import Piece

CONTROL = "control"
DOUBT = "doubt"
NEIGHBOURS = "neighbours"
UNLIKE = "unlike"
REASONS = (DOUBT, NEIGHBOURS, UNLIKE)
"""Why a span was picked. None of the words is a label: in a note, a label's name has a meaning."""

_CELLS = 10
"""How many channel-windows, the highest, make a span's score: one channel must suffice."""

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SpanScores:
    """How much each span of one recording has to teach.

    Attributes
    ----------
    onset_s : ndarray of shape (n_spans,)
    doubt : ndarray of shape (n_spans,)
        Entropy of the least certain channel-windows, bits, 0 to 1.
    dispute : ndarray of shape (n_spans,)
        How far channels stray from their neighbours beyond their habit, 0 to 1.
    label : ndarray of shape (n_spans,)
        Index of the label that is doubted most.
    """

    onset_s: Numbers
    doubt: Numbers
    dispute: Numbers
    label: npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Pick:
    """One span to look at.

    Attributes
    ----------
    recording : int
        Index into the recordings given.
    onset_s : float
    reason : str
        `CONTROL` or one of `REASONS`.
    """

    recording: int
    onset_s: float
    reason: str


def span_onsets(pieces: Sequence[Piece], span_s: float) -> Numbers:
    """Lay spans end to end from the beginning of each piece; a remainder is left out."""
    onsets = [
        piece.onset_s + span_s * np.arange(int((piece.duration_s + 1e-6) // span_s))
        for piece in pieces
    ]
    return np.concatenate([*onsets, np.zeros(0)])


def score_spans(
    probabilities: npt.NDArray[np.floating],
    window_centre_s: Numbers,
    *,
    onset_s: Numbers,
    span_s: float,
    neighbours: Sequence[Sequence[int]],
) -> SpanScores:
    """Score the spans of one recording.

    Parameters
    ----------
    probabilities : ndarray of shape (n_channels, n_windows, n_labels)
    window_centre_s : ndarray of shape (n_windows,)
        Middle of each window, ascending.
    onset_s : ndarray of shape (n_spans,)
        From `span_onsets`.
    span_s : float
    neighbours : sequence of sequence of int
        For each channel, the rows of its neighbours on the head; may be empty.

    Returns
    -------
    SpanScores

    Notes
    -----
    Doubt is the entropy of a yes-no variable, -p log2 p - (1-p) log2(1-p), at its highest over
    the labels. Dispute is the distance from the neighbours' mean, less the median of that
    distance over the recording: a blink is always larger at Fp1 than at F7, and that is no news.
    """
    doubt, dispute, doubted = _cells(probabilities, neighbours)
    n_spans = len(onset_s)
    scores = SpanScores(
        onset_s, np.zeros(n_spans), np.zeros(n_spans), np.zeros(n_spans, dtype=np.intp)
    )
    first = np.searchsorted(window_centre_s, onset_s, side="left")
    last = np.searchsorted(window_centre_s, onset_s + span_s, side="left")
    for span, (begin, end) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        if end > begin and doubt.size:
            inside = doubt[:, begin:end]
            scores.doubt[span] = _highest(inside)
            scores.dispute[span] = _highest(dispute[:, begin:end])
            scores.label[span] = doubted[:, begin:end].reshape(-1)[int(np.argmax(inside))]
    return scores


def _cells(
    probabilities: npt.NDArray[np.floating], neighbours: Sequence[Sequence[int]]
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32], npt.NDArray[np.int8]]:
    """Compute doubt, dispute and the doubted label of every channel-window, channel by channel."""
    shape = probabilities.shape[:2]
    doubt = np.zeros(shape, dtype=np.float32)
    dispute = np.zeros(shape, dtype=np.float32)
    doubted = np.zeros(shape, dtype=np.int8)
    if 0 in probabilities.shape:
        return doubt, dispute, doubted
    for row, others in enumerate(neighbours):
        own = np.nan_to_num(probabilities[row].astype(np.float32))
        bits = entropy_bits(own)
        doubted[row] = bits.argmax(axis=1)
        doubt[row] = bits.max(axis=1)
        if others:
            around = np.nan_to_num(probabilities[list(others)].astype(np.float32)).mean(axis=0)
            apart = np.abs(own - around)
            beyond = apart - np.median(apart, axis=0)
            dispute[row] = np.maximum(beyond.max(axis=1), 0.0)
    return doubt, dispute, doubted


def entropy_bits(probability: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """Compute the entropy of yes-no variables, bits: 1 at one half, 0 at certainty."""
    p = np.clip(probability, 1e-7, 1 - 1e-7)
    return np.asarray(-(p * np.log2(p) + (1 - p) * np.log2(1 - p)))


def _highest(cells: npt.NDArray[np.floating]) -> float:
    """Average the highest cells."""
    flat = cells.reshape(-1)
    keep = min(_CELLS, len(flat))
    return float(np.partition(flat, len(flat) - keep)[-keep:].mean())


def unlikeness(profiles: Numbers) -> Numbers:
    """Compute how far each recording lies from the middle of all.

    Parameters
    ----------
    profiles : ndarray of shape (n_recordings, n_quantities)
        What describes a recording, one row each.

    Returns
    -------
    ndarray of shape (n_recordings,)
        Largest distance from the median over the quantities, in robust standard deviations
        (1.4826 times the median absolute deviation; common practice). 0 for fewer than three.
    """
    if len(profiles) < 3:
        return np.zeros(len(profiles))
    apart = np.abs(profiles - np.median(profiles, axis=0))
    spread = 1.4826 * np.median(apart, axis=0)
    # A quantity that is the same in most recordings still needs a measure of what is far.
    spread = np.maximum(spread, 0.01)
    return np.asarray((apart / spread).max(axis=1))


def choose(
    scores: Sequence[SpanScores],
    unlike: Sequence[float],
    *,
    count: int,
    control_share: float,
    seed: int,
) -> list[Pick]:
    """Choose spans of all recordings.

    Parameters
    ----------
    scores : sequence of SpanScores
        One for each recording.
    unlike : sequence of float
        How unlike the rest each recording is.
    count : int
        How many to choose; fewer where there are not as many.
    control_share : float
        Which share of them is drawn at random, 0 to 1.
    seed : int
        The same seed chooses the same spans in the same order.

    Returns
    -------
    list of Pick
        In random order, so that nothing tells a reader which are the control.
    """
    rng = np.random.default_rng(seed)
    every = [
        (number, span) for number, own in enumerate(scores) for span in range(len(own.onset_s))
    ]
    count = min(count, len(every))
    drawn = rng.choice(len(every), size=round(control_share * count), replace=False)
    reasons = {every[int(index)]: CONTROL for index in drawn}
    cap = max(3, -(-2 * count // max(1, len(scores))))
    queues = {
        DOUBT: _by_doubt(scores),
        NEIGHBOURS: _by_score([own.dispute for own in scores]),
        UNLIKE: _by_score(
            [far + 0.01 * own.doubt for far, own in zip(unlike, scores, strict=True)]
        ),
    }
    for apart, most in ((1, cap), (1, count), (0, count)):
        _fill(reasons, queues, count=count, apart=apart, most=most)
    order = rng.permutation(len(reasons))
    listed = list(reasons.items())
    return [
        Pick(number, float(scores[number].onset_s[span]), reason)
        for (number, span), reason in (listed[int(index)] for index in order)
    ]


Place = tuple[int, int]
"""Recording and span."""


def _fill(
    reasons: dict[Place, str],
    queues: dict[str, list[Place]],
    *,
    count: int,
    apart: int,
    most: int,
) -> None:
    """Take from the queues in turn; no pick beside another, not too many of one recording."""
    taken: dict[int, int] = {}
    for (number, _), reason in reasons.items():
        taken[number] = taken.get(number, 0) + (reason != CONTROL)
    waiting = {reason: iter(queue) for reason, queue in queues.items()}
    while len(reasons) < count and waiting:
        for reason in list(waiting):
            place = _next_free(waiting[reason], reasons, taken, apart=apart, most=most)
            if place is None:
                del waiting[reason]
            elif len(reasons) < count:
                reasons[place] = reason
                taken[place[0]] = taken.get(place[0], 0) + 1


def _next_free(
    queue: Iterator[Place],
    reasons: dict[Place, str],
    taken: dict[int, int],
    *,
    apart: int,
    most: int,
) -> Place | None:
    """Find the first of a queue that may still be taken."""
    for number, span in queue:
        beside = any((number, span + step) in reasons for step in range(-apart, apart + 1))
        if not beside and taken.get(number, 0) < most:
            return number, span
    return None


def _by_score(scores: Sequence[Numbers]) -> list[Place]:
    """List the spans, highest score first."""
    places = [(number, span) for number, own in enumerate(scores) for span in range(len(own))]
    if not places:
        return []
    order = np.argsort(-np.concatenate(list(scores)), kind="stable")
    return [places[int(index)] for index in order]


def _by_doubt(scores: Sequence[SpanScores]) -> list[Place]:
    """List the spans, most doubted first, the labels taking turns so that none crowds out."""
    by_label: dict[int, list[Place]] = {}
    for number, span in _by_score([own.doubt for own in scores]):
        by_label.setdefault(int(scores[number].label[span]), []).append((number, span))
    queues = [by_label[label] for label in sorted(by_label)]
    longest = max((len(queue) for queue in queues), default=0)
    return [queue[turn] for turn in range(longest) for queue in queues if turn < len(queue)]
