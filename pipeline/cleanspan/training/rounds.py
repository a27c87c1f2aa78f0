"""Groups of people left out in turn: what fits say of whom they have not seen."""

import logging
from collections.abc import Callable, Collection

import numpy as np

from cleanspan.training.dataset import Tables, of_people
from cleanspan.training.judging import Answer, Panels, answers, fold_of_people
from cleanspan.training.truth import UNKNOWN

logger = logging.getLogger(__name__)

FEWEST_FOR_FOLDS = 2


def left_out_answers(
    lab: Tables,
    fit: Callable[[Tables], Panels],
    *,
    folds: int,
    seed: int,
    but: Collection[str] = (),
) -> dict[str, Answer]:
    """Answer each person's rows by a model that did not learn from that person.

    Parameters
    ----------
    lab : Tables
    fit : callable
        Fits a model to some of the lab's rows.
    folds : int
        Groups of people left out in turn.
    seed : int
        Decides who is in which group.
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
    fold_of = fold_of_people(people, folds, seed=seed)
    result: dict[str, Answer] = {}
    for fold in sorted(set(fold_of.values())):
        out = {person for person, dealt in fold_of.items() if dealt == fold}
        asked = sorted(out - set(but))
        if not asked:
            continue
        logger.info("judging: group %d of %d", fold + 1, max(fold_of.values()) + 1)
        panels = fit(of_people(lab, people - out))
        for label, answer in answers(panels, lab).items():
            table = lab.events if label in panels.events.labels else lab.windows
            here = np.isin(table.person, asked)
            if label not in result:
                nothing = np.full(len(table), np.nan, dtype=np.float32)
                result[label] = Answer(nothing, np.full(len(table), UNKNOWN, dtype=np.int8))
            result[label].probability[here] = answer.probability[here]
            result[label].marked[here] = answer.marked[here]
    return result
