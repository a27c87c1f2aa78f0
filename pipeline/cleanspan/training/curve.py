"""Second study: what hand labels of other people add to a model that knows simulation only."""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from cleanspan.training.dataset import of_people
from cleanspan.training.judging import fold_of_people
from cleanspan.training.trials import (
    SEED,
    Material,
    Tally,
    tallies,
    trial_panels,
    with_faults,
)

log = logging.getLogger(__name__)

LEVELS = (2, 5, 10)
FOLDS = 4
"""Groups of people left out in turn, for levels that leave enough others to draw from."""
DRAWS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A number of labelled people and what models reached that learned from so many.

    Attributes
    ----------
    people : int
        How many others were added to simulation.
    faults : bool
        Whether contact faults were injected into their minutes as well.
    draws : tuple of mapping of str to Tally
        For each draw of people, each person left out.
    """

    people: int
    faults: bool
    draws: tuple[Mapping[str, Tally], ...]


def learning_curve(
    material: Material,
    *,
    levels: Sequence[int] = LEVELS,
    draws: int = DRAWS,
    folds: int = FOLDS,
) -> list[Step]:
    """Fit and judge at every level.

    Parameters
    ----------
    material : Material
    levels : sequence of int
        Numbers of labelled people between none and all others.
    draws : int
        Random draws of people at each level; a larger level holds the smaller ones.
    folds : int

    Returns
    -------
    list of Step
        Simulation only, the levels, everybody else, everybody else with faults injected.
    """
    people = material.people
    found: dict[int, list[dict[str, Tally]]] = {level: [] for level in (0, *levels)}
    for draw in range(draws):
        alone = trial_panels(None, material.simulated, seed=draw)
        found[0].append(tallies(alone, material, people))
        for level, given in _drawn(material, levels, draw=draw, folds=folds).items():
            found[level].append(given)
        log.info("learning curve: draw %d of %d", draw + 1, draws)
    most = len(people) - 1
    return [
        *(Step(level, faults=False, draws=tuple(given)) for level, given in found.items()),
        Step(most, faults=False, draws=(_everybody_else(material, faults=False),)),
        Step(most, faults=True, draws=(_everybody_else(material, faults=True),)),
    ]


def _drawn(
    material: Material, levels: Sequence[int], *, draw: int, folds: int
) -> dict[int, dict[str, Tally]]:
    """Judge everybody once a level, by models that learned from people drawn among the others."""
    group_of = fold_of_people(material.people, folds, seed=SEED)
    rng = np.random.default_rng((SEED, draw))
    found: dict[int, dict[str, Tally]] = {level: {} for level in levels}
    for fold in range(folds):
        left_out = [person for person, group in group_of.items() if group == fold]
        others = rng.permutation([who for who in material.people if who not in left_out])
        for level in levels:
            lab = of_people(material.read, others[:level].tolist())
            panels = trial_panels(lab, material.simulated, seed=draw)
            found[level] |= tallies(panels, material, left_out)
    return found


def _everybody_else(material: Material, *, faults: bool) -> dict[str, Tally]:
    """Judge each person by a model that learned from everybody else."""
    found: dict[str, Tally] = {}
    for person in material.people:
        others = [who for who in material.people if who != person]
        rest = with_faults(material, others) if faults else material.simulated
        panels = trial_panels(of_people(material.read, others), rest, seed=0)
        found |= tallies(panels, material, [person])
    log.info("learning curve: everybody else%s", ", with faults" if faults else "")
    return found
