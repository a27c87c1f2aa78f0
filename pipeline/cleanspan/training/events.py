"""Events: marks of one label taken together over channels and readers, and their matching."""

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from cleanspan.config import LabelRules
from cleanspan.training.hand_labels import LOOKED_AT, HandLabel, electrode_key, share_channels
from cleanspan.training.scores import EventCounts
from cleanspan.training.truth import Agreement, confusable, speaks_about
from cleanspan.training.wording import OTHER, UNSURE
from cleanspan.types import ALL_CHANNELS, BLINK

SpanArray = npt.NDArray[np.float64]
Span = tuple[float, float]
"""Onset and end, in seconds."""

MIDPOINT_TOLERANCE_S = 0.3
"""A blink and its mark are one when their midpoints lie this close (blinks last 0.1-0.4 s)."""

ONSET_TOLERANCE_S = 0.15
"""Onsets this close count as equal: half a blink."""

FRONT_TO_BACK = (
    ("FP1", "FPZ", "FP2"),
    ("AF7", "AF3", "AFZ", "AF4", "AF8"),
    ("F7", "F5", "F3", "F1", "FZ", "F2", "F4", "F6", "F8"),
)
"""Where blinks are judged: the first row that has a channel."""


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """Events of one label in one recording.

    Attributes
    ----------
    spans_s : ndarray of shape (n_events, 2)
        Onset and end, ascending by midpoint.
    doubtful_s : ndarray of shape (n_doubts, 2)
        Spans in which nothing is scored: unsure, confusable, or marked by too few readers.
    reviewed_s : ndarray of shape (n_reviewed, 2) or None
        Where somebody looked; None for marks of a machine, which looks everywhere.
    """

    spans_s: SpanArray
    doubtful_s: SpanArray
    reviewed_s: SpanArray | None = None

    @property
    def read(self) -> bool:
        """Whether it is known of some span that somebody looked there."""
        return self.reviewed_s is None or len(self.reviewed_s) > 0


def judged_channels(label: str, electrodes: Sequence[str]) -> list[str]:
    """Choose the channels where a label's events are judged: frontal ones for blinks."""
    if label != BLINK:
        return list(electrodes)
    for row in FRONT_TO_BACK:
        present = [name for name in electrodes if electrode_key(name) in row]
        if present:
            return present
    return list(electrodes)


def spans_array(pairs: Iterable[tuple[float, float]]) -> SpanArray:
    """Make an array of spans, ascending by midpoint."""
    array = np.array(list(pairs), dtype=float).reshape(-1, 2)
    return array[np.argsort(array.sum(axis=1), kind="stable")]


def united(spans_s: SpanArray, *, join_s: float = 0.0) -> SpanArray:
    """Unite spans that touch or lie within join_s of each other."""
    result: list[list[float]] = []
    for onset_s, end_s in sorted(map(tuple, spans_s.tolist())):
        if result and onset_s <= result[-1][1] + join_s:
            result[-1][1] = max(result[-1][1], end_s)
        else:
            result.append([onset_s, end_s])
    return spans_array((a, b) for a, b in result)


def clustered(
    spans: Iterable[tuple[float, float, str]], *, tolerance_s: float = MIDPOINT_TOLERANCE_S
) -> list[tuple[float, float, set[str]]]:
    """Take spans of several sources (channels, readers) together as events.

    A span joins the open event whose mean midpoint lies within the tolerance, unless its source
    has a span there already.

    Returns
    -------
    list of (onset_s, end_s, sources)
        Medians of the members' onsets and ends.
    """
    open_events: list[list[tuple[float, float, str]]] = []
    for span in sorted(spans, key=lambda s: s[0] + s[1]):
        for members in reversed(open_events[-4:]):
            middle = float(np.mean([(a + b) / 2 for a, b, _ in members]))
            taken = {source for _, _, source in members}
            if abs((span[0] + span[1]) / 2 - middle) <= tolerance_s and span[2] not in taken:
                members.append(span)
                break
        else:
            open_events.append([span])
    return [
        (
            float(np.median([m[0] for m in event])),
            float(np.median([m[1] for m in event])),
            {m[2] for m in event},
        )
        for event in open_events
    ]


def reader_events(
    labels: Sequence[HandLabel],
    electrodes: Sequence[str],
    label: str,
    *,
    rules: LabelRules | None = None,
    agreement: Agreement,
) -> Events:
    """Take the readers' marks of one recording together as events.

    Parameters
    ----------
    labels : sequence of HandLabel
        The marks of one recording.
    electrodes : sequence of str
        The recording's screened channels.
    label : str
    rules : LabelRules, optional
    agreement : Agreement
        An event that fewer readers marked is doubtful: neither true nor false. As on cells,
        a reader who did not look there has no say.
    """
    rules = rules or LabelRules()
    keys = {electrode_key(name) for name in judged_channels(label, electrodes)}
    here = [row for row in labels if _on(row, keys)]
    reviewed = _reviewed(here, label, rules)
    marks = [row for row in here if row.label == label]
    doubts = [
        row
        for row in here
        if row.label in (UNSURE, OTHER) and label in confusable(row, label, rules)
    ]
    voices = [*reviewed, *doubts, *marks]
    agreed, alone = (
        _agreed_blinks(marks, voices, agreement)
        if label == BLINK
        else _agreed_spans(marks, voices, agreement, rules=rules)
    )
    return Events(
        spans_array(agreed),
        spans_array([*((row.onset_s, row.end_s) for row in doubts), *alone]),
        united(spans_array((row.onset_s, row.end_s) for row in reviewed)),
    )


def _on(row: HandLabel, keys: set[str]) -> bool:
    """Whether a mark touches the judged channels."""
    if ALL_CHANNELS in row.channels:
        return True
    return not keys.isdisjoint(map(electrode_key, row.channels))


def _reviewed(labels: Sequence[HandLabel], label: str, rules: LabelRules) -> list[HandLabel]:
    """List the rows that say where somebody looked for a label."""
    rows = []
    for row in labels:
        if row.label in LOOKED_AT:
            used = {other.label for other in labels if other.reader == row.reader}
            if speaks_about(row, label, used, rules):
                rows.append(row)
    return rows


def _once_a_reader(marks: Sequence[HandLabel]) -> list[tuple[float, float, str]]:
    """Unite one reader's overlapping rows (channels marked one by one)."""
    result = []
    for reader in sorted({row.reader for row in marks}):
        own = spans_array((row.onset_s, row.end_s) for row in marks if row.reader == reader)
        result += [(float(a), float(b), reader) for a, b in united(own, join_s=-1e-6)]
    return result


def _agreed_blinks(
    marks: Sequence[HandLabel], voices: Sequence[HandLabel], agreement: Agreement
) -> tuple[list[Span], list[Span]]:
    """Take marks together as blinks: those that enough readers marked, and the others."""
    agreed: list[Span] = []
    alone: list[Span] = []
    for onset_s, end_s, readers in clustered(_once_a_reader(marks)):
        middle_s = (onset_s + end_s) / 2
        heard = {row.reader for row in voices if row.onset_s <= middle_s <= row.end_s} | readers
        enough = len(readers) >= min(agreement.readers, len(heard))
        (agreed if enough else alone).append((onset_s, end_s))
    return agreed, alone


def _agreed_spans(
    marks: Sequence[HandLabel],
    voices: Sequence[HandLabel],
    agreement: Agreement,
    *,
    rules: LabelRules,
) -> tuple[list[Span], list[Span]]:
    """Find the spans that enough of the readers who looked there marked, and the others."""
    edges = sorted({time_s for row in voices for time_s in (row.onset_s, row.end_s)})
    pieces: dict[bool, list[Span]] = {True: [], False: []}
    for onset_s, end_s in itertools.pairwise(edges):
        votes = [row for row in marks if row.onset_s <= onset_s and end_s <= row.end_s]
        if votes:
            channels = [name for row in votes for name in _meant(row, rules)]
            readers = {row.reader for row in votes}
            heard = readers.union(
                row.reader
                for row in voices
                if row.onset_s <= onset_s
                and end_s <= row.end_s
                and share_channels(_meant(row, rules), channels)
            )
            enough = len(readers) >= min(agreement.readers, len(heard))
            pieces[enough].append((onset_s, end_s))
    agreed, alone = (united(spans_array(pieces[enough])) for enough in (True, False))
    return [(float(a), float(b)) for a, b in agreed], [(float(a), float(b)) for a, b in alone]


def _meant(row: HandLabel, rules: LabelRules) -> tuple[str, ...]:
    """Name the channels that a row speaks of."""
    return rules.all_channels or row.channels if ALL_CHANNELS in row.channels else row.channels


def mark_events(spans: Iterable[tuple[float, float, str]], label: str) -> Events:
    """Take a machine's segments (onset_s, end_s, channel) on judged channels as events."""
    rows = list(spans)
    if label == BLINK:
        found = spans_array((a, b) for a, b, _ in clustered(rows))
    else:
        found = united(spans_array((a, b) for a, b, _ in rows))
    return Events(found, spans_array([]))


def compare_events(marks: Events, truth: Events, *, one_to_one: bool) -> EventCounts:
    """Count events found and marks that are right.

    One-to-one matching goes by midpoints (`MIDPOINT_TOLERANCE_S`); otherwise any overlap counts,
    and a mark in pieces is right in every piece. What lies in a doubtful span of the other
    side, or where nobody looked, is not counted unless it matches.
    """
    if one_to_one:
        pairs = matched(midpoints(marks.spans_s), midpoints(truth.spans_s), MIDPOINT_TOLERANCE_S)
        right = _flags(len(marks.spans_s), [i for i, _ in pairs])
        found = _flags(len(truth.spans_s), [j for _, j in pairs])
    else:
        right = touching(marks.spans_s, truth.spans_s)
        found = touching(truth.spans_s, marks.spans_s)
    counted = right | (
        _looked_at(marks.spans_s, truth) & ~touching(marks.spans_s, truth.doubtful_s)
    )
    wanted = found | (
        _looked_at(truth.spans_s, marks) & ~touching(truth.spans_s, marks.doubtful_s)
    )
    return EventCounts(int(wanted.sum()), int(found.sum()), int(counted.sum()), int(right.sum()))


def onset_distances_s(marks: Events, truth: Events) -> SpanArray:
    """Measure mark's onset minus event's onset for each matched pair, in seconds."""
    pairs = matched(midpoints(marks.spans_s), midpoints(truth.spans_s), MIDPOINT_TOLERANCE_S)
    return np.array([marks.spans_s[i, 0] - truth.spans_s[j, 0] for i, j in pairs])


def midpoints(spans_s: SpanArray) -> SpanArray:
    """Average onset and end."""
    middle: SpanArray = spans_s.mean(axis=1)
    return middle


def matched(
    first_s: npt.NDArray[np.floating[Any]],
    second_s: npt.NDArray[np.floating[Any]],
    tolerance_s: float,
) -> list[tuple[int, int]]:
    """Pair ascending times one to one within a tolerance, as many pairs as possible.

    On a line, pairing the earliest that fit leaves the most for the rest.
    """
    pairs, i, j = [], 0, 0
    while i < len(first_s) and j < len(second_s):
        if abs(first_s[i] - second_s[j]) <= tolerance_s + 1e-9:
            pairs.append((i, j))
            i, j = i + 1, j + 1
        elif first_s[i] < second_s[j]:
            i += 1
        else:
            j += 1
    return pairs


def touching(spans_s: SpanArray, others_s: SpanArray) -> npt.NDArray[np.bool_]:
    """Say of each span whether it overlaps one of the others."""
    whole = united(others_s)
    if not len(whole):
        return np.zeros(len(spans_s), dtype=bool)
    following = np.searchsorted(whole[:, 0], spans_s[:, 1], side="right") - 1
    ends = whole[np.maximum(following, 0), 1]
    hit: npt.NDArray[np.bool_] = (following >= 0) & (ends >= spans_s[:, 0])
    return hit


def _looked_at(spans_s: SpanArray, by: Events) -> npt.NDArray[np.bool_]:
    """Say of each span whether the other side looked there (its midpoint counts)."""
    if by.reviewed_s is None:
        return np.ones(len(spans_s), dtype=bool)
    middle = np.repeat(midpoints(spans_s)[:, None], 2, axis=1)
    return touching(middle, by.reviewed_s)


def _flags(size: int, indices: Sequence[int]) -> npt.NDArray[np.bool_]:
    """Make a boolean array with some places set."""
    flags = np.zeros(size, dtype=bool)
    flags[list(indices)] = True
    return flags
