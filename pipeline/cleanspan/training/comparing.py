"""Two stored models on the same labelled recordings, judged by their finished marks."""

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cleanspan.config import Windows
from cleanspan.errors import LabelsError
from cleanspan.features.extraction import FeatureStore
from cleanspan.labelling.model import Model
from cleanspan.labelling.prediction import Predictions
from cleanspan.labelling.segments import segment_table
from cleanspan.recording.opening import open_recording
from cleanspan.training.bootstrap import Difference, compare_f1
from cleanspan.training.evaluation import Score, by_person, evaluate_segments, person_of
from cleanspan.training.hand_labels import HandLabel, by_file
from cleanspan.training.judging import seen_people
from cleanspan.training.lessons import content_hash, screened
from cleanspan.training.results import Comparison
from cleanspan.training.scores import Counts, EventCounts
from cleanspan.types import BLINK

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class ModelComparison:
    """Two models' scores on the same recordings.

    Attributes
    ----------
    new, old : list of Score
        One a recording, in the same order.
    differences : mapping of str to Difference
        F1 by label with an interval over people: of blinks (events), else of channel seconds.
    known : set of str
        People that one of the models has learned from: they are left out of all figures.
    """

    new: list[Score]
    old: list[Score]
    differences: dict[str, Difference]
    known: set[str]


def compare_models(
    new: Model,
    old: Model,
    labels: Sequence[HandLabel],
    index: Mapping[str, list[Path]],
    *,
    comparison: Comparison,
    seed: int = 0,
) -> ModelComparison:
    """Mark every labelled recording by both models and compare with the hand labels.

    Raises
    ------
    LabelsError
        If no recording is of a person whom neither model learned from.
    UsageError
        If the pattern of persons is not in the name of a recording; before any work.
    """
    names = tuple(dict.fromkeys((*new.labels, *old.labels)))
    scores: list[tuple[Score, Score]] = []
    known: set[str] = set()
    files = by_file(labels, index)
    # All before the first is computed: a pattern that does not fit stops the work at once.
    people_of = {path: person_of(path.name, comparison.person_pattern) for path in files}
    for path, own in files.items():
        person = people_of[path]
        lesson = [(person, content_hash(path))]
        if seen_people(new, lesson) or seen_people(old, lesson):
            known.add(person)
            continue
        scores.append(
            _score(path, own, (new, old), names=names, comparison=comparison, person=person)
        )
    kept = [pair for pair in scores if pair[0].person not in known]
    if not kept:
        raise LabelsError(
            ["comparing needs people that neither model learned from, got none: label others"]
        )
    ours, theirs = [pair[0] for pair in kept], [pair[1] for pair in kept]
    people = by_person(ours), by_person(theirs)
    differences = {
        label: compare_f1(
            [_counts(score, label) for score in people[0]],
            [_counts(score, label) for score in people[1]],
            seed=seed,
        )
        for label in names
    }
    return ModelComparison(ours, theirs, differences, known)


def _score(
    path: Path,
    labels: Sequence[HandLabel],
    models: tuple[Model, Model],
    *,
    names: Sequence[str],
    comparison: Comparison,
    person: str,
) -> tuple[Score, Score]:
    """Score one recording's marks by both models."""
    recording = open_recording(path)
    try:
        channels = screened(recording)
        first, second = (
            evaluate_segments(
                segments,
                labels,
                channels=[channel.label for channel in channels],
                duration_s=recording.duration_s,
                names=names,
                rules=comparison.rules,
                agreement=comparison.agreement,
                recording=path.name,
                person=person,
            )
            for segments in marked_by(path, models)
        )
    finally:
        recording.close()
    return first, second


def marked_by(path: Path, models: Sequence[Model]) -> "Iterator[pd.DataFrame]":
    """Give the segments of each model; features are computed once."""
    recording = open_recording(path)
    try:
        with tempfile.TemporaryDirectory(prefix="cleanspan-") as scratch:
            folder = Path(scratch)
            channels = screened(recording)
            with FeatureStore(recording, channels, windows=Windows(), scratch=folder) as store:
                for model in models:
                    predictions = Predictions(store, model, folder)
                    try:
                        rules = {label: model.rule(label) for label in model.labels}
                        yield segment_table(store, predictions, rules)
                    finally:
                        predictions.close()
    finally:
        recording.close()


def _counts(score: Score, label: str) -> Counts:
    """Count a label's events where it has some one by one, else its channel seconds."""
    if label != BLINK:
        return score.cells[label]
    events: EventCounts = score.events[label]
    return Counts(events.right, events.marks - events.right, events.true - events.found, 0)
