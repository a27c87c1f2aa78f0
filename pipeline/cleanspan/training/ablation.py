"""First study: which features carry which label.

For each label, networks are fitted without one family of features at a time, and with one family
alone, and judged on people left out.
"""

import logging
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from cleanspan.features.registry import (
    CONTEXT,
    EVENT_NAMES,
    SNAPS,
    SPATIAL,
    SPECTRAL,
    STATISTICAL,
    WHOLE_HEAD,
    WINDOW_NAMES,
)
from cleanspan.labelling.network import Head, Scaling
from cleanspan.training.dataset import Table, joined, of_people
from cleanspan.training.fitting import Sample, fit_head, scaling_of
from cleanspan.training.judging import fold_of_people
from cleanspan.training.recipe import READ_WEIGHT, RULES
from cleanspan.training.scores import Counts, count_cells
from cleanspan.training.trials import (
    LEADS,
    SEED,
    STUDY_RECIPE,
    VIEWS,
    Material,
    judged_faults,
)
from cleanspan.types import BLINK, CONTACT_LOSS, LINE_NOISE, MUSCLE

log = logging.getLogger(__name__)

FOLDS = 3
SEEDS = (0, 1, 2)
"""Fits of the whole set that differ by their seed only: what smaller differences mean nothing."""
WINDOW_LABELS = (MUSCLE, CONTACT_LOSS, LINE_NOISE)
ALL = "all features"


def _ending(ending: str) -> tuple[str, ...]:
    return tuple(feature.name for feature in CONTEXT if feature.name.endswith(ending))


WINDOW_FAMILIES: Mapping[str, tuple[str, ...]] = {
    "spectral": (*(feature.name for feature in SPECTRAL), "mains", "mains_rms"),
    "statistical": tuple(feature.name for feature in STATISTICAL),
    "spatial": tuple(feature.name for feature in SPATIAL),
    "whole head": tuple(feature.name for feature in WHOLE_HEAD),
    "snaps": tuple(feature.name for feature in SNAPS),
    "above the channel's middle": _ending("_above"),
    "the channel's middle": _ending("_middle"),
    "surrounding seconds": (*_ending("_around"), *_ending("_before"), *_ending("_near")),
}
"""Every window feature is in one family."""

EVENT_FAMILIES: Mapping[str, tuple[str, ...]] = {
    "shape": (
        *("lead_height", "lead_height_above", "lead_width", "lead_rise", "lead_fall"),
        *("after_swing", "before_swing", "stays_up", "shape_match"),
    ),
    "topography": (
        *("lead_balance", "lead_alike", "frontal_share", "central_share", "posterior_share"),
        *("lateral_turn", "own_height", "own_share", "own_alike", "own_height_above"),
        *("own_frontness", "is_lead"),
    ),
    "surroundings": ("busy", "alpha_share", "crowd"),
}
"""Every event feature is in one family."""


@dataclass(frozen=True, slots=True)
class Variant:
    """A set of features to fit with.

    Attributes
    ----------
    name : str
    features : tuple of str
        Empty for all.
    seed : int
    """

    name: str
    features: tuple[str, ...] = ()
    seed: int = 0


def variants(
    families: Mapping[str, Sequence[str]], names: Sequence[str], seeds: Sequence[int] = SEEDS
) -> Iterator[Variant]:
    """List all features by several seeds, then each family left out, then each alone."""
    yield from (Variant(ALL, seed=seed) for seed in seeds)
    for family, own in families.items():
        yield Variant(f"without {family}", tuple(name for name in names if name not in own))
    for family, own in families.items():
        yield Variant(f"{family} alone", tuple(own))


@dataclass(frozen=True, slots=True, eq=False)
class _Split:
    """Rows of one kind to learn from, and rows of people left out to judge by."""

    samples: Sequence[Sample]
    scaling: Scaling
    judged: Table

    def counts(self, label: str, variant: Variant) -> Counts:
        """Fit one variant and count its answers."""
        view = replace(VIEWS[label][0], features=variant.features)
        recipe = replace(
            STUDY_RECIPE, views={label: (view,)}, seed=STUDY_RECIPE.seed + 100 * variant.seed
        )
        head = fit_head(self.samples, label, self.scaling, recipe=recipe)
        return _counts(head, self.scaling, self.judged, label)


def _counts(head: Head | None, scaling: Scaling, judged: Table, label: str) -> Counts:
    """Count rows marked at the probability where a segment begins."""
    if head is None:
        return Counts()
    marked = head.probability(scaling.apply(judged.features)) >= RULES[label].begin_at
    return count_cells(marked.astype(np.int8), judged.truth[label])


def ablate(
    material: Material, *, folds: int = FOLDS, seeds: Sequence[int] = SEEDS
) -> dict[str, dict[str, list[float]]]:
    """Fit and judge every variant for every label.

    Parameters
    ----------
    material : Material
    folds : int
        Groups of people left out in turn.
    seeds : sequence of int
        For the fits with all features.

    Returns
    -------
    dict of str to dict of str to list of float
        Label → variant → F1 over all people left out, once for each seed.
    """
    group_of = fold_of_people(material.people, folds, seed=SEED)
    found: dict[tuple[str, Variant], Counts] = {}
    for fold in range(folds):
        left_out = [person for person, group in group_of.items() if group == fold]
        windows, events = splits(material, left_out)
        for split, labels, families, names in (
            (windows, WINDOW_LABELS, WINDOW_FAMILIES, WINDOW_NAMES),
            (events, (BLINK,), EVENT_FAMILIES, EVENT_NAMES),
        ):
            for label in labels:
                for variant in variants(families, names, seeds):
                    place = label, variant
                    found[place] = found.get(place, Counts()) + split.counts(label, variant)
        log.info("ablation: group %d of %d", fold + 1, folds)
    result: dict[str, dict[str, list[float]]] = {}
    for (label, variant), counts in found.items():
        result.setdefault(label, {}).setdefault(variant.name, []).append(counts.f1)
    return result


def splits(material: Material, left_out: Sequence[str]) -> tuple[_Split, _Split]:
    """Divide windows and events into rows to learn from and rows of people left out."""
    others = [person for person in material.people if person not in left_out]
    read, injected = of_people(material.read, others), of_people(material.injected, others)
    read_out = of_people(material.read, left_out)
    injected_out = judged_faults(material, left_out)
    windows = [
        Sample(material.simulated.windows),
        Sample(read.windows, READ_WEIGHT),
        Sample(injected.windows),
    ]
    events = [Sample(material.simulated.events), Sample(read.events, READ_WEIGHT)]
    at_leads = read_out.events.rows(np.isin(read_out.events.channel, LEADS))
    return (
        _Split(
            windows,
            scaling_of(windows, seed=STUDY_RECIPE.seed),
            joined([read_out.windows, injected_out.windows]),
        ),
        _Split(events, scaling_of(events, seed=STUDY_RECIPE.seed), at_leads),
    )
