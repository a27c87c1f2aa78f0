"""Fit a model to the lab's hand labels, judge it on people left out, and store it."""

import functools
import logging
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from cleanspan import __version__
from cleanspan.config import SegmentRule, no_problem, outside
from cleanspan.errors import LabelsError
from cleanspan.features.registry import WINDOW_NAMES
from cleanspan.labelling.drift import FEWEST_RECORDINGS, learn_reference
from cleanspan.labelling.model import CARD, Model, load_model, save_model
from cleanspan.training.background import background
from cleanspan.training.bootstrap import FEWEST_PEOPLE
from cleanspan.training.card import model_card
from cleanspan.training.dataset import Tables
from cleanspan.training.finding import find_recordings
from cleanspan.training.fitting import Recipe
from cleanspan.training.gate import Judgement, write_judgement
from cleanspan.training.hand_labels import HandLabel
from cleanspan.training.judging import (
    Panels,
    PersonCounts,
    answers,
    calibrations,
    counts_of,
    differences,
    person_code,
    seen_people,
)
from cleanspan.training.left_out import lessons_codes, read_left_out, write_left_out
from cleanspan.training.lessons import Lesson, doubtful_all, gather_lessons, labels_hash
from cleanspan.training.mixing import fit_panels
from cleanspan.training.results import Comparison
from cleanspan.training.rounds import left_out_answers
from cleanspan.training.sample import SAMPLE, save_tables
from cleanspan.training.scores import Calibration
from cleanspan.training.sources import all_joined
from cleanspan.training.store import ModelStore
from cleanspan.training.truth import POSITIVE, UNKNOWN
from cleanspan.training.voting import base_of, keep_base
from cleanspan.types import BLINK, LABELS, LINE_NOISE

logger = logging.getLogger(__name__)

NOTHING_TO_LEARN = (
    "hand labels must say something about windows, got none: mark artefacts, and the spans that "
    "were looked at as 'reviewed'"
)
FOLDS = 5
RECIPE = Recipe(most_rows=60_000)
"""As the shipped model's, on fewer rows: it is fitted once for each group left out."""


@dataclass(frozen=True, slots=True)
class Plan:
    """How a model is retrained.

    Attributes
    ----------
    name : str
        The new model's name in the store.
    lab_share : float
        Share of the total weight that the lab's rows carry, 0.05 to 1; the rest is the
        background that the old model brings. Also the most that they count beside the old
        model's vote. 1 forgets both.
    folds : int
        Groups of people left out in turn to judge the model, 2 to 20.
    seed : int
        Same inputs and seed, same predictions.
    comparison : Comparison
        How hand labels are understood.
    recipe : Recipe
        How the networks are fitted.
    """

    name: str
    lab_share: float = 0.5
    folds: int = FOLDS
    seed: int = 20_260
    comparison: Comparison = field(default_factory=Comparison)
    recipe: Recipe = RECIPE

    def __post_init__(self) -> None:
        """Check the ranges."""
        no_problem(
            outside("lab_share", self.lab_share, 0.05, 1.0), outside("folds", self.folds, 2, 20)
        )

    @property
    def seeded_recipe(self) -> Recipe:
        """The recipe with the plan's seed."""
        return replace(self.recipe, seed=self.seed)


@dataclass(frozen=True, slots=True, eq=False)
class Retrained:
    """What retraining gave.

    Attributes
    ----------
    folder : Path
        The new model in the store.
    model : Model
    judgement : Judgement
    calibrations : mapping of str to Calibration
        On people left out.
    people, recordings : int
        Whom the new model learned from.
    warnings : tuple of str
    """

    folder: Path
    model: Model
    judgement: Judgement
    calibrations: Mapping[str, Calibration]
    people: int
    recordings: int
    warnings: tuple[str, ...]


def retrain(
    labels: Sequence[HandLabel],
    recordings: Sequence[Path],
    old_folder: Path,
    store: ModelStore,
    *,
    plan: Plan,
    cache: Path | None = None,
) -> Retrained:
    """Fit, judge and store a model; putting it into use is a separate step.

    Parameters
    ----------
    labels : sequence of HandLabel
        Read with `recordings` given, so that they fit.
    recordings : sequence of Path
        Recordings, or folders searched for them.
    old_folder : Path
        The model to start from and to judge against.
    store : ModelStore
    plan : Plan
    cache : Path, optional
        Folder for computed features.

    Raises
    ------
    LabelsError
        If the labels teach nothing.
    ModelError
        If the old model cannot be read or the name is taken.
    """
    from threadpoolctl import threadpool_limits

    old = load_model(old_folder)
    base = base_of(old) if plan.lab_share < 1 else None
    window_labels = _window_labels(old, plan)
    lessons = gather_lessons(
        labels,
        find_recordings(recordings),
        window_labels,
        comparison=plan.comparison,
        cache=cache,
    )
    lab = all_joined([lesson.tables for lesson in lessons]) if lessons else None
    if lab is None or not _teaches(lab, labels):
        raise LabelsError([NOTHING_TO_LEARN])
    known = _seen(lessons, old) - set(read_left_out(old.folder, lessons_codes(lessons)))
    _tell_known(known, lessons, old)
    rest = background(old_folder, seed=plan.seed) if plan.lab_share < 1 else None
    met = set() if base is None else _seen(lessons, base)
    rules = {label: old.rules.get(label, SegmentRule()) for label in (BLINK, *window_labels)}
    warnings = _warnings(lab, window_labels, old, rest, base)
    warnings += doubtful_all(lessons, labels, plan.comparison.rules)
    # One thread: sums come out the same on every machine, and matrices this small gain nothing.
    with threadpool_limits(limits=1):
        fit = functools.partial(
            fit_panels,
            rest=rest,
            window_labels=window_labels,
            rules=rules,
            recipe=plan.seeded_recipe,
            lab_share=plan.lab_share,
            base=None if base is None else Panels.of(base),
        )
        left_out = left_out_answers(lab, fit, folds=plan.folds, seed=plan.seed, but=met)
        panels = fit(lab)
    judged = {lesson.person for lesson in lessons} - met
    ours = counts_of(left_out, lab, judged) if left_out else {}
    judgement = _judgement(ours, lessons, lab, old, known=known, plan=plan)
    checked = calibrations(left_out, lab)
    facts = _facts(lessons, labels, judgement, checked, old, base, plan)
    with store.adding(plan.name) as folder:
        _write_model(folder, panels, lab, rest, facts=facts, name=plan.name)
        if base is not None:
            keep_base(base, folder)
        (folder / CARD).write_text(
            model_card(plan.name, facts, judgement, warnings), encoding="utf-8"
        )
        write_left_out(folder, ours, lessons_codes(lessons))
        judgement = replace(judgement, model=load_model(folder).fingerprint)
        write_judgement(judgement, folder)
    return Retrained(
        store.path(plan.name),
        load_model(store.path(plan.name)),
        judgement,
        checked,
        len({lesson.person for lesson in lessons}),
        len(lessons),
        tuple(warnings),
    )


def _seen(lessons: Sequence[Lesson], model: Model) -> set[str]:
    """Find the people whom a model has learned from."""
    return seen_people(model, [(lesson.person, lesson.content) for lesson in lessons])


def _teaches(lab: Tables, labels: Sequence[HandLabel]) -> bool:
    """Whether the hand labels tell anything; where line noise is, is measured in any case."""
    if any(row.label == LINE_NOISE for row in labels):
        return True
    truths = {**lab.windows.truth, **lab.events.truth}
    return any((truth != UNKNOWN).any() for name, truth in truths.items() if name != LINE_NOISE)


def _tell_known(known: set[str], lessons: Sequence[Lesson], old: Model) -> None:
    """Say before the work if too few people will be left to judge on."""
    left = len({lesson.person for lesson in lessons}) - len(known)
    if known and left < FEWEST_PEOPLE:
        logger.warning(
            "%s learned from %d of these people, so nothing can be judged on them; the %d "
            "others are too few (at least %d)", old.full_name, len(known), left, FEWEST_PEOPLE,
        )  # fmt: skip


def _write_model(
    folder: Path,
    panels: Panels,
    lab: Tables,
    rest: Tables | None,
    *,
    facts: Mapping[str, Any],
    name: str,
) -> None:
    """Write the model, what its training data looked like, and the background it brings."""
    # What is usual is what this lab records; few recordings cannot tell, the background helps.
    enough = len(np.unique(lab.windows.recording)) >= FEWEST_RECORDINGS
    parts = [lab] if rest is None or enough else [lab, rest]
    drift = learn_reference(
        np.concatenate([tables.windows.features for tables in parts]),
        np.concatenate([tables.windows.recording for tables in parts]),
        WINDOW_NAMES,
    )
    save_model(
        folder,
        name=name,
        windows=panels.windows,
        events=panels.events,
        rules=panels.rules,
        facts=facts,
        card="",
        extra_arrays=drift.arrays(),
    )
    if rest is not None:
        save_tables(folder / SAMPLE, rest)


def _window_labels(old: Model, plan: Plan) -> list[str]:
    """List the labels of windows: the shipped ones, the old model's, the lab's own."""
    names = [*(n for n in LABELS if n != BLINK), *old.windows.labels, *plan.comparison.rules.extra]
    return list(dict.fromkeys(names))


def _judgement(
    ours: PersonCounts,
    lessons: Sequence[Lesson],
    lab: Tables,
    old: Model,
    *,
    known: set[str],
    plan: Plan,
) -> Judgement:
    """Compare with the old model: asked about people new to it, else by its left-out figures."""
    unseen = {lesson.person for lesson in lessons} - _seen(lessons, old)
    theirs = read_left_out(old.folder, lessons_codes(lessons))
    theirs |= counts_of(answers(Panels.of(old), lab), lab, unseen)
    judged = set(ours) & set(theirs)
    return Judgement(
        "",
        old.fingerprint,
        len(judged),
        sum(lesson.person in judged for lesson in lessons),
        differences(ours, theirs, seed=plan.seed),
        len(known),
    )


def _warnings(
    lab: Tables,
    window_labels: Sequence[str],
    old: Model,
    rest: Tables | None,
    base: Model | None,
) -> list[str]:
    """Say which labels the hand labels cannot teach, and what the judgement cannot know."""
    models = [old] if base is None or base.fingerprint == old.fingerprint else [old, base]
    warnings = [
        f"{model.full_name} does not say which recordings it learned from: if these are among "
        "them, its figures flatter it"
        for model in models
        if "recordings_sha256" not in model.manifest.get("training", {})
    ]
    for label in (BLINK, *window_labels):
        if _shows(lab, label):
            continue
        known = "it is left out"
        if base is not None and label in base.labels:
            known = f"what {base.full_name} knew of it decides"
        elif rest is not None and _shows(rest, label):
            known = "only the background teaches it"
        warnings.append(f"{label}: the hand labels hold no example, so {known}")
    return warnings


def _shows(tables: Tables, label: str) -> bool:
    """Whether there is an example of a label."""
    table = tables.events if label == BLINK else tables.windows
    return bool((table.truth.get(label, np.zeros(0)) == POSITIVE).any())


def _facts(
    lessons: Sequence[Lesson],
    labels: Sequence[HandLabel],
    judgement: Judgement,
    checked: Mapping[str, Calibration],
    old: Model,
    base: Model | None,
    plan: Plan,
) -> dict[str, Any]:
    """Write down what the model is made of; persons and recordings as hashes only.

    Whom the model that votes in it has learned from, it has learned from, too.
    """
    import sklearn

    before = {} if base is None else base.manifest.get("training", {})
    recordings = {lesson.content for lesson in lessons}
    for kind in ("recordings_sha256", "cleaned_sha256"):
        recordings |= {*before.get(kind, ())}
    people = {person_code(lesson.person) for lesson in lessons}
    people |= {*before.get("people_sha256", ())}
    return {
        "training": {
            "started_from": old.full_name,
            "recordings": len(lessons),
            "people": len({lesson.person for lesson in lessons}),
            "windows": sum(lesson.read_windows for lesson in lessons),
            "label_rows": len(labels),
            "labels_sha256": labels_hash(labels),
            "recordings_sha256": sorted(recordings),
            "people_sha256": sorted(people),
            "base": "" if base is None else base.full_name,
            "lab_share": plan.lab_share,
            "folds": plan.folds,
            "seed": plan.seed,
            "recipe": asdict(plan.recipe),
        },
        "metrics": {
            label: {
                "f1": round(difference.new_f1, 4),
                "f1_before": round(difference.old_f1, 4),
                "people": difference.people,
                "expected_calibration_error": round(checked[label].expected_error, 4),
                "brier": round(checked[label].brier, 4),
            }
            for label, difference in judgement.labels.items()
        },
        "versions": {
            "cleanspan": __version__,
            "python": platform.python_version(),
            "numpy": np.__version__,
            "scikit-learn": sklearn.__version__,
        },
    }
