"""The shipped recipe judged on people left out, group by group."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from cleanspan.config import SegmentRule
from cleanspan.labelling.network import Panel
from cleanspan.training.crosscheck import (
    MainsCheck,
    as_model,
    check_mains,
    judge_injected,
    judge_read,
    judge_simulated,
    judge_small,
)
from cleanspan.training.dataset import Table
from cleanspan.training.evaluation import Score, person_of, pooled
from cleanspan.training.fitting import person_folds
from cleanspan.training.ingredients import Ingredients
from cleanspan.training.open_recordings import CLEANED_S, READ_S
from cleanspan.training.scores import Calibration, calibration

TEST_SEEDS = range(5000, 5040)
INJECTION_SEED = 77
FOLD_SEED = 1


@dataclass(frozen=True, slots=True)
class Verdicts:
    """Figures on people left out.

    Attributes
    ----------
    groups : int
        How many groups of people were left out in turn.
    read : list of Score
        One a recording that people read.
    injected, elsewhere : mapping of str to Score
        By kind of contact loss, into read recordings and into another laboratory's.
    small : mapping of str to Score
        The read recordings cut down to a few electrodes, by these.
    simulated : Score
    mains : MainsCheck
        Added up over the recordings.
    calibrations : mapping of str to Calibration
        On the readers' marks.
    """

    groups: int
    read: list[Score]
    injected: Mapping[str, Score]
    elsewhere: Mapping[str, Score]
    small: Mapping[str, Score]
    simulated: Score
    mains: MainsCheck
    calibrations: Mapping[str, Calibration]


@dataclass(frozen=True, slots=True)
class _Judged:
    """What one fit said of the people it had not seen."""

    read: list[Score]
    injected: Mapping[str, Score]
    elsewhere: Mapping[str, Score]
    small: Mapping[str, Score]
    mains: list[MainsCheck]
    answers: Mapping[str, tuple[np.ndarray, np.ndarray]]
    simulated: Score | None


def cross_judge(
    ingredients: Ingredients,
    fit: Callable[[Ingredients], tuple[Panel, Panel]],
    rules: Mapping[str, SegmentRule],
    *,
    folds: int,
    jobs: int = 1,
) -> Verdicts:
    """Leave groups of people out in turn, fit on the rest, judge the marks on those left out.

    Parameters
    ----------
    ingredients : Ingredients
        With read recordings.
    fit : callable
        Makes the panels.
    rules : mapping of str to SegmentRule
    folds, jobs : int
        Groups of people, and how many of them are judged side by side.
    """
    from joblib import Parallel, delayed

    everybody = (*ingredients.recordings, *ingredients.cleaned)
    people = np.unique([person_of(path.name) for path in everybody])
    group_of = person_folds(people, folds, seed=FOLD_SEED)
    judged: list[_Judged] = Parallel(n_jobs=jobs)(
        # The last group's fit is the one that is asked about simulated recordings too.
        delayed(_judge_group)(
            ingredients, people[group_of == fold], fit, rules, simulated=fold == folds - 1
        )
        for fold in range(folds)
    )
    (simulated,) = (part.simulated for part in judged if part.simulated is not None)
    checks = [check for part in judged for check in part.mains]
    read = [score for part in judged for score in part.read]
    answers: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {}
    for part in judged:
        for label, pair in part.answers.items():
            answers.setdefault(label, []).append(pair)
    return Verdicts(
        groups=folds,
        read=sorted(read, key=lambda score: score.name),
        injected=_pooled_kinds([part.injected for part in judged]),
        elsewhere=_pooled_kinds([part.elsewhere for part in judged]),
        small=_pooled_kinds([part.small for part in judged]),
        simulated=simulated,
        mains=MainsCheck(
            *(sum(getattr(check, name) for check in checks) for name in MainsCheck.__slots__)
        ),
        calibrations={
            label: calibration(*(np.concatenate(part) for part in zip(*pairs, strict=True)))
            for label, pairs in answers.items()
        },
    )


def _judge_group(
    ingredients: Ingredients,
    left_out: Sequence[str],
    fit: Callable[[Ingredients], tuple[Panel, Panel]],
    rules: Mapping[str, SegmentRule],
    *,
    simulated: bool,
) -> _Judged:
    """Fit without some people and judge the marks in their recordings."""
    from threadpoolctl import threadpool_limits

    # One thread here too: sums come out the same however many processes there are.
    with threadpool_limits(limits=1):
        model = as_model(*fit(ingredients.without(left_out)), rules)
        paths = [path for path in ingredients.recordings if person_of(path.name) in left_out]
        others = [path for path in ingredients.cleaned if person_of(path.name) in left_out]
        injected, elsewhere = (
            judge_injected(
                some,
                ingredients.hand_labels,
                model,
                seed=INJECTION_SEED,
                longest_s=longest_s,
            )
            for some, longest_s in ((paths, READ_S), (others, CLEANED_S))
        )
        return _Judged(
            read=judge_read(paths, ingredients.hand_labels, model),
            injected=injected,
            elsewhere=elsewhere,
            small=judge_small(paths, ingredients.hand_labels, model),
            mains=[check_mains(path, model) for path in paths],
            answers=_answers(ingredients, left_out, (model.windows, model.events)),
            simulated=judge_simulated(TEST_SEEDS, model) if simulated else None,
        )


def _pooled_kinds(parts: Sequence[Mapping[str, Score]]) -> dict[str, Score]:
    """Pool each kind of fault, or cap, over the groups."""
    kinds = dict.fromkeys(kind for part in parts for kind in part)
    return {
        kind: pooled([part[kind] for part in parts if kind in part], name=kind) for kind in kinds
    }


def _answers(
    ingredients: Ingredients, left_out: Sequence[str], panels: tuple[Panel, Panel]
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Collect probabilities and truth of people left out, label by label."""
    answers: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    if ingredients.read is None:
        return answers
    tables: tuple[Table, Table] = (ingredients.read.windows, ingredients.read.events)
    for panel, table in zip(panels, tables, strict=True):
        rows = table.rows(np.isin(table.person, left_out))
        probability = panel.probabilities(rows.features)
        for column, label in enumerate(panel.labels):
            answers[label] = probability[:, column], rows.truth[label]
    return answers
