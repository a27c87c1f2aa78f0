"""Old and new model on the same people, each judged by fits that had not seen them.

The figures are of channel-windows (for blinks: of candidate events on each channel), at the
probability where a segment begins. They compare models; how good the finished marks are is for
`cleanspan evaluate` to say.
"""

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from cleanspan.config import SegmentRule
from cleanspan.features.registry import EVENT_NAMES, WINDOW_NAMES
from cleanspan.labelling.model import Model
from cleanspan.labelling.network import Panel, columns_of
from cleanspan.training.bootstrap import Difference, compare_f1
from cleanspan.training.dataset import Table, Tables
from cleanspan.training.fitting import person_folds
from cleanspan.training.scores import Calibration, Counts, calibration, count_cells

FloatArray = npt.NDArray[np.float32]
PersonCounts = dict[str, dict[str, Counts]]
"""Person → label → counts."""

NAMES = {"windows": WINDOW_NAMES, "events": EVENT_NAMES}


@dataclass(frozen=True, slots=True, eq=False)
class Panels:
    """The two panels of a model that need not be saved yet."""

    windows: Panel
    events: Panel
    rules: Mapping[str, SegmentRule] = field(default_factory=dict)

    @classmethod
    def of(cls, model: Model) -> "Panels":
        """Take a loaded model's panels."""
        return cls(model.windows, model.events, model.rules)

    def begin_at(self, label: str) -> float:
        """Give the probability at which a segment of a label begins."""
        return self.rules.get(label, SegmentRule()).begin_at


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """What a model said of rows whose truth is known.

    Attributes
    ----------
    probability : ndarray of shape (n_rows,), NaN where it was not asked
    marked : ndarray of shape (n_rows,), int8
        1 marked, 0 not, -1 not asked.
    """

    probability: FloatArray
    marked: npt.NDArray[np.int8]


def answers(panels: Panels, tables: Tables) -> dict[str, Answer]:
    """Ask a model about every row, label by label."""
    result = {}
    for kind, panel, table in (
        ("windows", panels.windows, tables.windows),
        ("events", panels.events, tables.events),
    ):
        columns = columns_of(NAMES[kind], panel.features)
        probability = panel.probabilities(table.features[:, columns])
        for place, label in enumerate(panel.labels):
            p = probability[:, place]
            result[label] = Answer(p, (p >= panels.begin_at(label)).astype(np.int8))
    return result


def table_of(tables: Tables, label: str) -> Table:
    """Choose the table that knows a label."""
    return tables.events if label in tables.events.truth else tables.windows


def fold_of_people(people: Collection[str], folds: int, *, seed: int) -> dict[str, int]:
    """Deal people into groups that are left out in turn."""
    names = np.array(sorted(people))
    dealt = person_folds(names, max(1, min(folds, len(names))), seed=seed)
    return dict(zip(names.tolist(), dealt.tolist(), strict=True))


def counts_of(
    given: Mapping[str, Answer], tables: Tables, people: Collection[str]
) -> PersonCounts:
    """Count right and wrong rows of each person, label by label."""
    result: PersonCounts = {person: {} for person in sorted(people)}
    for label, answer in given.items():
        table = table_of(tables, label)
        if label not in table.truth:
            continue
        for person in result:
            rows = table.person == person
            result[person][label] = count_cells(answer.marked[rows], table.truth[label][rows])
    return result


def differences(new: PersonCounts, old: PersonCounts, *, seed: int) -> dict[str, Difference]:
    """Compare two models label by label over the people that both have figures of.

    A label that the old model lacks has no old figure.
    """
    people = sorted(set(new) & set(old))
    labels = dict.fromkeys(label for person in people for label in new[person])
    result = {}
    for label in labels:
        ours = [new[person].get(label, Counts()) for person in people]
        if any(label in old[person] for person in people):
            theirs = [old[person].get(label, Counts()) for person in people]
            result[label] = compare_f1(ours, theirs, seed=seed)
        else:
            nan = float("nan")
            alone = compare_f1(ours, ours, seed=seed)
            result[label] = Difference(alone.new_f1, nan, nan, nan, alone.people)
    return result


def calibrations(new: Mapping[str, Answer], tables: Tables) -> dict[str, Calibration]:
    """Check the new model's probabilities on people left out."""
    result = {}
    for label, answer in new.items():
        table = table_of(tables, label)
        if label in table.truth:
            result[label] = calibration(answer.probability, table.truth[label])
    return result


def person_code(person: str) -> str:
    """Write a person as a code: manifests must not hold names."""
    return hashlib.sha256(f"cleanspan person {person}".encode()).hexdigest()[:16]


def seen_people(model: Model, lessons: Sequence[tuple[str, str]]) -> set[str]:
    """Find the people that a model learned from.

    Parameters
    ----------
    model : Model
    lessons : sequence of (person, content hash)
    """
    training = model.manifest.get("training", {})
    codes = set(training.get("people_sha256", ()))
    contents = {*training.get("recordings_sha256", ()), *training.get("cleaned_sha256", ())}
    return {
        person
        for person, content in lessons
        if person_code(person) in codes or content in contents
    }
