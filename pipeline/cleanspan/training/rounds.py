"""The fits of one retraining: with everybody, and with groups of people left out in turn."""

import logging
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from cleanspan.config import SegmentRule
from cleanspan.training.dataset import Tables
from cleanspan.training.fitting import Recipe
from cleanspan.training.judging import Answer, Panels, answers, fold_of_people
from cleanspan.training.mixing import fit_panels
from cleanspan.training.truth import UNKNOWN

logger = logging.getLogger(__name__)

FEWEST_FOR_FOLDS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """What all fits of one retraining share.

    Attributes
    ----------
    rest : Tables or None
        Background.
    window_labels : sequence of str
    rules : mapping of str to SegmentRule
    base : Panels or None
        The model that votes beside what is fitted.
    recipe : Recipe
    lab_share : float
    """

    rest: Tables | None
    window_labels: Sequence[str]
    rules: Mapping[str, SegmentRule]
    base: Panels | None
    recipe: Recipe
    lab_share: float

    def panels(self, lab: Tables) -> Panels:
        """Fit to rows of the lab's."""
        return fit_panels(
            lab,
            self.rest,
            self.window_labels,
            self.rules,
            recipe=self.recipe,
            lab_share=self.lab_share,
            base=self.base,
        )


def left_out_answers(
    lab: Tables, fit: Fit, *, folds: int, but: Collection[str] = ()
) -> dict[str, Answer]:
    """Answer each person's rows by a model that did not learn from that person.

    Parameters
    ----------
    lab : Tables
    fit : Fit
    folds : int
        Groups of people left out in turn.
    but : collection of str
        People whom the model that votes has met: they stay without an answer.

    Returns
    -------
    dict of str to Answer
        By label; empty where there are too few people.
    """
    people = set(lab.windows.person.tolist()) | set(lab.events.person.tolist())
    if len(people) < FEWEST_FOR_FOLDS:
        return {}
    fold_of = fold_of_people(people, folds, seed=fit.recipe.seed)
    result: dict[str, Answer] = {}
    for fold in sorted(set(fold_of.values())):
        out = {person for person, dealt in fold_of.items() if dealt == fold}
        asked = sorted(out - set(but))
        if not asked:
            continue
        logger.info("judging: group %d of %d", fold + 1, max(fold_of.values()) + 1)
        panels = fit.panels(_of_people(lab, people - out))
        for label, answer in answers(panels, lab).items():
            table = lab.events if label in panels.events.labels else lab.windows
            here = np.isin(table.person, asked)
            if label not in result:
                nothing = np.full(len(table), np.nan, dtype=np.float32)
                result[label] = Answer(nothing, np.full(len(table), UNKNOWN, dtype=np.int8))
            result[label].probability[here] = answer.probability[here]
            result[label].marked[here] = answer.marked[here]
    return result


def _of_people(tables: Tables, people: set[str]) -> Tables:
    """Keep the rows of some people."""
    wanted = sorted(people)
    return Tables(
        tables.windows.rows(np.isin(tables.windows.person, wanted)),
        tables.events.rows(np.isin(tables.events.person, wanted)),
    )
