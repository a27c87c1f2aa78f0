"""How well marks agree with hand labels, per label, recording and person."""

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt

from cleanspan.config import LabelRules
from cleanspan.errors import UsageError
from cleanspan.training.events import (
    ONSET_TOLERANCE_S,
    Events,
    compare_events,
    judged_channels,
    mark_events,
    onset_distances_s,
    reader_events,
)
from cleanspan.training.hand_labels import HandLabel, electrode_key
from cleanspan.training.scores import Counts, EventCounts, FloatArray, count_cells
from cleanspan.training.truth import (
    NEGATIVE,
    TWO,
    Agreement,
    CellGrid,
    TruthArray,
    cell_truth,
    least_overlap_s,
)
from cleanspan.types import BLINK, CLEAN

if TYPE_CHECKING:
    import pandas as pd

CELL_S = 1.0


class Judge(Protocol):
    """Whoever says where labels are: a machine's segments, or readers."""

    def cells(self, label: str, onsets_s: FloatArray, cell_s: float) -> TruthArray:
        """Say of each channel cell: 1 there, 0 not there, below 0 unknown."""

    def events(self, label: str) -> Events:
        """Take the label's marks together as events."""


@dataclass(frozen=True, slots=True, eq=False)
class SegmentMarks:
    """A machine's marks.

    Attributes
    ----------
    segments : pandas.DataFrame
        With the columns channel, label, onset_s, duration_s.
    electrodes : sequence of str
        The channels compared; segments on others are ignored.
    """

    segments: "pd.DataFrame"
    electrodes: Sequence[str]

    def cells(self, label: str, onsets_s: FloatArray, cell_s: float) -> TruthArray:
        """Mark the cells that hold at least 0.1 s of a segment, or half of a shorter one."""
        keys = [electrode_key(name) for name in self.electrodes]
        rows = {key: row for row, key in enumerate(keys)}
        grid = CellGrid(keys, np.asarray(onsets_s, dtype=float), cell_s)
        marked = np.zeros(grid.shape, dtype=np.int8)
        for onset_s, end_s, channel in self._spans(label):
            row = rows.get(electrode_key(channel))
            if row is not None:
                span = HandLabel("", label, onset_s, end_s - onset_s, (channel,), "")
                marked[row, grid.holding(span, least_overlap_s(span.duration_s, cell_s))] = 1
        return marked

    def events(self, label: str) -> Events:
        """Take segments on the judged channels together."""
        judged = {electrode_key(name) for name in judged_channels(label, self.electrodes)}
        spans = ((a, b, c) for a, b, c in self._spans(label) if electrode_key(c) in judged)
        return mark_events(spans, label)

    def _spans(self, label: str) -> Iterable[tuple[float, float, str]]:
        """List a label's segments as onset, end, channel."""
        own = self.segments[self.segments["label"] == label]
        onset_s = own["onset_s"].to_numpy(dtype=float)
        end_s = onset_s + own["duration_s"].to_numpy(dtype=float)
        return zip(onset_s.tolist(), end_s.tolist(), own["channel"].astype(str), strict=True)


@dataclass(frozen=True, slots=True, eq=False)
class ReaderMarks:
    """Readers' marks of one recording; several readers count as `agreement` says."""

    labels: Sequence[HandLabel]
    electrodes: Sequence[str]
    rules: LabelRules = field(default_factory=LabelRules)
    agreement: Agreement = TWO

    def cells(self, label: str, onsets_s: FloatArray, cell_s: float) -> TruthArray:
        """Lay the marks on cells; see `cell_truth`."""
        return cell_truth(
            self.labels,
            self.electrodes,
            label,
            onsets_s=onsets_s,
            cell_s=cell_s,
            rules=self.rules,
            agreement=self.agreement,
        )

    def events(self, label: str) -> Events:
        """Take the marks together; see `reader_events`."""
        return reader_events(
            self.labels, self.electrodes, label, rules=self.rules, agreement=self.agreement
        )


@dataclass(frozen=True, slots=True, eq=False)
class Score:
    """Agreement over one recording, or over several pooled.

    Attributes
    ----------
    name, person : str
        The recording and whose it is; empty where pooled.
    cells : mapping of str to Counts
        One-second channel cells by label.
    events : mapping of str to EventCounts
        Blinks one to one by midpoints at the frontmost channels; others by overlap.
    onsets : mapping of str to EventCounts
        Blinks whose onsets also lie within 0.15 s.
    clean_cells, false_cells : int
        Cells known to be free of every read label, and those of them that carry a mark.
    classes : tuple of str
        ``clean`` and the labels: the order of `confusion`.
    confusion : ndarray of shape (n_classes, n_classes)
        Rows the truth, columns the marks; cells with several marks count in equal parts.
    """

    name: str
    person: str
    cells: dict[str, Counts]
    events: dict[str, EventCounts]
    onsets: dict[str, EventCounts]
    clean_cells: int
    false_cells: int
    classes: tuple[str, ...]
    confusion: npt.NDArray[np.float64]

    @property
    def labels(self) -> tuple[str, ...]:
        """The labels compared."""
        return self.classes[1:]

    @property
    def false_share(self) -> float:
        """Share of the clean cells that carry a mark."""
        return self.false_cells / self.clean_cells if self.clean_cells else float("nan")


def evaluate_segments(
    segments: "pd.DataFrame",
    labels: Sequence[HandLabel],
    *,
    channels: Sequence[str],
    duration_s: float,
    names: Sequence[str],
    rules: LabelRules | None = None,
    agreement: Agreement = TWO,
    recording: str = "",
    person: str = "",
) -> Score:
    """Compare the segments of one recording with its hand labels.

    Parameters
    ----------
    segments : pandas.DataFrame
        Columns channel, label, onset_s, duration_s (others are ignored).
    labels : sequence of HandLabel
        The marks of this recording alone (`truth.labels_of`).
    channels : sequence of str
        The screened channels that the readers saw.
    duration_s : float
        Length of the recording.
    names : sequence of str
        The labels to compare.
    rules, agreement
        How the readers' marks are understood.
    recording, person : str
        For the tables.
    """
    truth = ReaderMarks(labels, channels, rules or LabelRules(), agreement)
    marks = SegmentMarks(segments, channels)
    return compare(
        marks, truth, names=names, duration_s=duration_s, recording=recording, person=person
    )


def compare(
    marks: Judge,
    truth: Judge,
    *,
    names: Sequence[str],
    duration_s: float,
    recording: str = "",
    person: str = "",
) -> Score:
    """Compare two judges over one recording; both must speak of the same channels."""
    onsets_s = np.arange(0, int(duration_s / CELL_S + 1e-6)) * CELL_S
    marked = {name: marks.cells(name, onsets_s, CELL_S) for name in names}
    true = {name: truth.cells(name, onsets_s, CELL_S) for name in names}
    marked_events = {name: marks.events(name) for name in names}
    true_events = {name: truth.events(name) for name in names}
    events = {
        name: compare_events(marked_events[name], true_events[name], one_to_one=name == BLINK)
        for name in names
    }
    cells = {name: count_cells(marked[name], true[name]) for name in names}
    for name in names:
        if not true_events[name].read:
            events[name] = replace(events[name], unread=events[name].right)
    unread = {name for name in names if _cells_unread(true[name], true_events[name])}
    cells |= {name: replace(cells[name], unread=cells[name].hit) for name in unread}
    stack = _stack(marked, true, unread)
    clean, false = _false_on_clean(stack)
    return Score(
        name=recording,
        person=person,
        cells=cells,
        events=events,
        onsets={
            name: _close_onsets(events[name], marked_events[name], true_events[name])
            for name in names
            if name == BLINK
        },
        clean_cells=clean,
        false_cells=false,
        classes=(CLEAN, *names),
        confusion=_confusion(stack, names),
    )


def _cells_unread(true: TruthArray, events: Events) -> bool:
    """Whether nobody said to have looked for a label: where it is not marked, nothing is known."""
    return not events.read and not (true == NEGATIVE).any()


def _close_onsets(counts: EventCounts, marks: Events, truth: Events) -> EventCounts:
    """Count matched events whose onsets lie close, too."""
    close = int((np.abs(onset_distances_s(marks, truth)) <= ONSET_TOLERANCE_S).sum())
    if truth.read:
        return EventCounts(counts.true, close, counts.marks, close)
    # Nobody looked for them, so no mark is false: those counted are the ones that are right.
    return EventCounts(counts.true, close, close, close, unread=close)


@dataclass(frozen=True, slots=True, eq=False)
class _Stack:
    """The labels that somebody read, one upon the other.

    Attributes
    ----------
    marked, true : ndarray of shape (n_labels, n_channels, n_cells)
    known : ndarray of shape (n_channels, n_cells)
        Cells of which both sides know every label.
    places : list of int
        Where the labels stand among those asked for.
    """

    marked: npt.NDArray[np.bool_]
    true: npt.NDArray[np.bool_]
    known: npt.NDArray[np.bool_]
    places: list[int]


def _stack(
    marked: dict[str, TruthArray], true: dict[str, TruthArray], unread: Collection[str]
) -> _Stack:
    """Stack the labels of which something is known.

    Of a label that nobody said to have looked for, what was marked by hand is known and the rest
    says nothing: it hides no other label, and no mark of it counts there.
    """
    places = [i for i, name in enumerate(true) if (true[name] >= 0).any()]
    names = [list(true)[i] for i in places]
    if not names:
        nothing = np.zeros((0, 0, 0), dtype=bool)
        return _Stack(nothing, nothing, np.zeros((0, 0), dtype=bool), [])
    marks = np.stack([marked[name] for name in names])
    truth = np.stack([true[name] for name in names])
    silent = np.isin(names, list(unread))[:, None, None] & (truth < 0)
    known = np.all(((truth >= 0) | silent) & (marks >= 0), axis=0)
    return _Stack((marks == 1) & ~silent, truth == 1, np.asarray(known), places)


def _false_on_clean(stack: _Stack) -> tuple[int, int]:
    """Count the cells free of every label, and those of them with a mark."""
    clean = stack.known & ~stack.true.any(axis=0)
    return int(clean.sum()), int((clean & stack.marked.any(axis=0)).sum())


def _confusion(stack: _Stack, names: Sequence[str]) -> npt.NDArray[np.float64]:
    """Count cells of exactly one true class by the classes marked there."""
    result = np.zeros((len(names) + 1, len(names) + 1))
    n_true, n_marked = stack.true.sum(axis=0), stack.marked.sum(axis=0)
    share = np.where(n_marked > 0, 1 / np.maximum(n_marked, 1), 0.0)
    rows = [(0, stack.known & (n_true == 0))]
    for truth, place in zip(stack.true, stack.places, strict=True):
        rows.append((place + 1, stack.known & (n_true == 1) & truth))
    for row, cells in rows:
        result[row, 0] = (cells & (n_marked == 0)).sum()
        for marks, place in zip(stack.marked, stack.places, strict=True):
            result[row, place + 1] = share[cells & marks].sum()
    return result


def pooled(scores: Sequence[Score], *, name: str = "", person: str = "") -> Score:
    """Add up scores over the same labels.

    Raises
    ------
    ValueError
        If the scores' labels differ or there are none.
    """
    if len({score.classes for score in scores}) != 1:
        raise ValueError("scores must be of the same labels to be pooled")
    labels = scores[0].labels
    return Score(
        name=name,
        person=person,
        cells={k: sum((s.cells[k] for s in scores), Counts()) for k in labels},
        events={k: sum((s.events[k] for s in scores), EventCounts()) for k in labels},
        onsets={k: sum((s.onsets[k] for s in scores), EventCounts()) for k in scores[0].onsets},
        clean_cells=sum(s.clean_cells for s in scores),
        false_cells=sum(s.false_cells for s in scores),
        classes=scores[0].classes,
        confusion=np.sum([s.confusion for s in scores], axis=0),
    )


def by_person(scores: Sequence[Score]) -> list[Score]:
    """Pool the recordings of each person."""
    people = sorted({score.person for score in scores})
    return [
        pooled([s for s in scores if s.person == person], name=person, person=person)
        for person in people
    ]


def person_of(recording: str, pattern: str = "") -> str:
    """Tell whose recording it is from its name.

    Parameters
    ----------
    recording : str
        File name.
    pattern : str
        Regular expression; its first group (or the whole match) is the person. Empty: the text
        before the first ``_`` (the whole name where there is none), or ``S`` and three digits of
        names such as ``S001R02``, with a run of two digits.

    Raises
    ------
    UsageError
        If the pattern is not found: counted as somebody else, a person could be learned from
        and judged.
    """
    stem = re.sub(r"\.[A-Za-z]{2,4}$", "", recording.replace("\\", "/").rsplit("/", 1)[-1])
    if pattern:
        match = re.search(pattern, stem)
        if match is None:
            raise UsageError(
                f"--person-pattern must be found in every recording's name, got {pattern!r}, "
                f"which is not in {stem!r}; mend the pattern or leave that recording out"
            )
        return match.group(1) if match.groups() else match.group(0)
    run = re.fullmatch(r"(S\d{3})R\d{2}", stem)
    return run.group(1) if run else stem.split("_")[0]
