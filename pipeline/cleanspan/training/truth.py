"""From hand labels to what is known about each channel and each second."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from cleanspan.config import LabelRules
from cleanspan.training.hand_labels import LOOKED_AT, HandLabel, electrode_key
from cleanspan.training.wording import OTHER, STATEMENTS, UNSURE
from cleanspan.types import ALL_CHANNELS, BLINK, CONTACT_LOSS, LABELS

TruthArray = npt.NDArray[np.int8]

POSITIVE, NEGATIVE, UNKNOWN, DOUBTED = 1, 0, -1, -2

LEAST_OVERLAP_S = 0.1
"""A cell is positive where it holds this much of a mark (or half of a shorter mark)."""

LASTING_S = 10.0
"""An `other` mark from this length on describes the background, not an event."""

BLINK_REGION = frozenset(
    {"FP1", "FPZ", "FP2", "AF7", "AF3", "AFZ", "AF4", "AF8"}
    | {"F7", "F5", "F3", "F1", "FZ", "F2", "F4", "F6", "F8"}
)
"""Where a blink marked on ``all`` is taken at its word: further back it may or may not show
(about 9 % of the eye channel's amplitude at Cz)."""

HARMLESS_WORDS = {"ecg": (), "ekg": (), "heart": (), "pulse": ()}
"""Words in the note of an `other` mark that rule out a confusion with any label."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """How several readers become one truth.

    Attributes
    ----------
    readers : int
        How many readers must have marked a cell for it to be positive (all, where fewer read
        the recording). Negative is a cell that none of them marked or doubted; the rest is
        unknown.
    """

    readers: int = 2


ANY, TWO, EVERY = Agreement(1), Agreement(2), Agreement(10_000)


def cell_truth(
    labels: Sequence[HandLabel],
    electrodes: Sequence[str],
    label: str,
    *,
    onsets_s: npt.NDArray[np.floating[Any]],
    cell_s: float = 1.0,
    rules: LabelRules | None = None,
    agreement: Agreement = TWO,
) -> TruthArray:
    """Say of each channel cell whether the label is there, is not there, or is not known.

    Parameters
    ----------
    labels : sequence of HandLabel
        The marks of one recording, of one reader or several.
    electrodes : sequence of str
        Channel or electrode names, in any spelling.
    label : str
        The label asked about.
    onsets_s : ndarray of shape (n_cells,)
        Where the cells begin, ascending; they may overlap (windows) or not (seconds).
    cell_s : float
        Length of a cell.
    rules : LabelRules, optional
        Which labels were not read for, and what `other` may be confused with.
    agreement : Agreement
        How readers are combined.

    Returns
    -------
    ndarray of shape (n_channels, n_cells), int8
        1 there, 0 not there, -1 unknown.
    """
    rules = rules or LabelRules()
    onsets = np.asarray(onsets_s, dtype=float)
    everywhere = frozenset(electrode_key(name) for name in rules.all_channels)
    grid = CellGrid([electrode_key(name) for name in electrodes], onsets, cell_s, everywhere)
    readers = sorted({row.reader for row in labels})
    truths = [
        _reader_truth([row for row in labels if row.reader == reader], grid, label, rules)
        for reader in readers
    ]
    return combine(truths, agreement, shape=grid.shape)


def channels_seen(
    labels: Sequence[HandLabel], electrodes: Sequence[str], rules: LabelRules | None = None
) -> npt.NDArray[np.bool_]:
    """Say which channels some reader looked at or marked; ndarray of shape (n_channels,)."""
    everywhere = frozenset(electrode_key(name) for name in (rules or LabelRules()).all_channels)
    grid = CellGrid([electrode_key(name) for name in electrodes], np.zeros(0), 1.0, everywhere)
    seen = np.zeros(len(electrodes), dtype=bool)
    for row in labels:
        seen[grid.channels(row.channels)] = True
    return seen


def combine(
    truths: Sequence[TruthArray], agreement: Agreement, *, shape: tuple[int, int]
) -> TruthArray:
    """Combine readers' truths; see `Agreement`. A reader who did not look has no say."""
    result = np.full(shape, UNKNOWN, dtype=np.int8)
    if not truths:
        return result
    stack = np.stack(truths)
    looked = (stack != UNKNOWN).sum(axis=0)
    marked = (stack == POSITIVE).sum(axis=0)
    result[(looked > 0) & (stack != POSITIVE).all(axis=0) & (stack != DOUBTED).all(axis=0)] = (
        NEGATIVE
    )
    result[(marked > 0) & (marked >= np.minimum(looked, agreement.readers))] = POSITIVE
    return result


@dataclass(frozen=True, slots=True, eq=False)
class CellGrid:
    """The channels and cells that marks are laid on.

    Attributes
    ----------
    keys : list of str
        `electrode_key` of each channel.
    onsets_s : ndarray of shape (n_cells,)
        Where the cells begin, ascending.
    cell_s : float
        Length of a cell.
    everywhere : frozenset of str
        Keys that ``all`` stands for; empty for every channel.
    """

    keys: list[str]
    onsets_s: npt.NDArray[np.float64]
    cell_s: float
    everywhere: frozenset[str] = frozenset()

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of cells."""
        return len(self.keys), len(self.onsets_s)

    def channels(self, names: Sequence[str], *, only: frozenset[str] | None = None) -> list[int]:
        """List the indices of the channels that a mark names; `only` narrows ``all``."""
        if ALL_CHANNELS not in names:
            wanted = {electrode_key(name) for name in names}
            return [i for i, key in enumerate(self.keys) if key in wanted]
        return [
            i
            for i, key in enumerate(self.keys)
            if (only is None or key in only) and (not self.everywhere or key in self.everywhere)
        ]

    def inside(self, row: HandLabel) -> slice:
        """Cells that lie wholly inside a mark."""
        first = np.searchsorted(self.onsets_s, row.onset_s - 1e-6, side="left")
        last = np.searchsorted(self.onsets_s, row.end_s - self.cell_s + 1e-6, side="right")
        return slice(int(first), int(max(first, last)))

    def holding(self, row: HandLabel, least_s: float) -> slice:
        """Cells that hold at least this much of a mark; 0 asks for any touch."""
        tiny = 1e-9
        if least_s > 0:
            low, high = row.onset_s + least_s - self.cell_s - tiny, row.end_s - least_s + tiny
        else:
            low, high = row.onset_s - self.cell_s + tiny, max(row.end_s - tiny, row.onset_s + tiny)
        first = int(np.searchsorted(self.onsets_s, low, side="left"))
        last = int(np.searchsorted(self.onsets_s, high, side="right"))
        return slice(first, max(first, last))


def _reader_truth(
    labels: Sequence[HandLabel], grid: CellGrid, label: str, rules: LabelRules
) -> TruthArray:
    """Lay one reader's marks on the cells: looked at, then doubts, then marks."""
    truth = np.full(grid.shape, UNKNOWN, dtype=np.int8)
    used = {row.label for row in labels}
    for row in labels:
        if row.label in LOOKED_AT and speaks_about(row, label, used, rules):
            truth[grid.channels(row.channels), grid.inside(row)] = NEGATIVE
    for row in labels:
        if row.label in (UNSURE, OTHER) and label in confusable(row, label, rules):
            truth[grid.channels(row.channels), grid.holding(row, 0.0)] = DOUBTED
    marks = [row for row in labels if row.label == label]
    for row in marks:
        truth[grid.channels(row.channels), grid.holding(row, 0.0)] = DOUBTED
    for row in marks:
        least_s = least_overlap_s(row.duration_s, grid.cell_s)
        region = BLINK_REGION if label == BLINK else None
        truth[grid.channels(row.channels, only=region), grid.holding(row, least_s)] = POSITIVE
    return truth


def least_overlap_s(duration_s: float, cell_s: float) -> float:
    """Say how much of a mark a cell must hold to count as marked."""
    return min(LEAST_OVERLAP_S, duration_s / 2, cell_s / 2)


def speaks_about(row: HandLabel, label: str, used: Iterable[str], rules: LabelRules) -> bool:
    """Whether a reviewed span says that the label, where unmarked in it, is absent.

    Labels named in the row's note narrow it to these. Otherwise it covers the shipped labels
    but those in ``not_read``, and of the lab's own labels those that the reader used: a reader
    who never heard of a label did not look for it.
    """
    named = named_labels(row.note, rules)
    if named:
        return label in named
    if label in rules.not_read:
        return False
    return label in LABELS or label in used


def confusable(row: HandLabel, label: str, rules: LabelRules) -> set[str]:
    """Name the labels that an `unsure` or `other` mark may be confused with.

    Labels named in its note decide (``blink? slow hump``). Otherwise `unsure` may be any label;
    `other` follows the words of its note (``[labels.confused]``), else a brief one may be a
    blink, contact loss or a lab's own label, and a lasting one contact loss.
    """
    named = named_labels(row.note, rules)
    if named:
        return named
    if row.label == UNSURE:
        return {label}
    words = {**HARMLESS_WORDS, **{word.casefold(): to for word, to in rules.confused.items()}}
    hits = [to for word, to in words.items() if word in row.note.casefold()]
    if hits:
        return {name for to in hits for name in to}
    brief = row.duration_s < LASTING_S
    return {CONTACT_LOSS, BLINK, *rules.extra} if brief else {CONTACT_LOSS, *rules.extra}


def named_labels(note: str, rules: LabelRules) -> set[str]:
    """Find the labels that a note names as whole words."""
    text = note.casefold()
    return {
        name
        for name in (*LABELS, *rules.extra)
        if re.search(rf"\b{re.escape(name.casefold())}\b", text)
    }


def label_names(labels: Iterable[HandLabel]) -> tuple[str, ...]:
    """Name the artefact labels that occur, the shipped ones first and in their order."""
    found = {row.label for row in labels if row.label not in STATEMENTS}
    return tuple(name for name in LABELS if name in found) + tuple(
        sorted(found.difference(LABELS))
    )


def labels_of(labels: Iterable[HandLabel], recording: str) -> list[HandLabel]:
    """Pick the marks of one recording; the name's suffix and case do not matter."""
    wanted = stem(recording)
    return [row for row in labels if stem(row.recording) == wanted]


def stem(name: str) -> str:
    """Reduce a recording's name to what its namesakes share."""
    plain = name.replace("\\", "/").rsplit("/", 1)[-1].lower()
    return re.sub(r"\.(edf|bdf|vhdr|set|fif|gdf|cnt)$", "", plain)
