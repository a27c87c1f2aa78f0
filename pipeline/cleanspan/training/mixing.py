"""The lab's rows and the background, mixed by stated weights; beside them what a model knew."""

from collections.abc import Mapping, Sequence

import numpy as np

from cleanspan.config import SegmentRule
from cleanspan.labelling.network import Head, Panel, Scaling
from cleanspan.training.dataset import Table, Tables
from cleanspan.training.fitting import Recipe, Sample, fit_head, scaling_of
from cleanspan.training.judging import NAMES, Panels
from cleanspan.training.truth import POSITIVE, UNKNOWN
from cleanspan.training.voting import former_head, kept_scaling, together
from cleanspan.types import BLINK

ENOUGH_EXAMPLES, LEAST_SHARE = 500, 0.1
"""Rows with a label from which on the lab's share is full (500 windows are about four minutes of
one channel), and the part of it that clean rows alone are worth. From judgement, not
from a source."""
HALF_PEOPLE = 3
"""How many people must show a label before what they teach has half of the say that it can get.
Chosen by retraining on one to three people (`cleanspan guide evidence`)."""


def fit_panels(
    lab: Tables,
    rest: Tables | None,
    window_labels: Sequence[str],
    rules: Mapping[str, SegmentRule],
    *,
    recipe: Recipe,
    lab_share: float,
    base: Panels | None = None,
) -> Panels:
    """Fit both panels on the lab's rows and the background, weighted label by label.

    Parameters
    ----------
    lab, rest : Tables
        The lab's own, and the background where there is one.
    window_labels : sequence of str
    rules : mapping of str to SegmentRule
    recipe : Recipe
    lab_share : float
        See `weighted` and `lab_say`.
    base : Panels, optional
        A model that has seen more than the background shows: it votes beside what is fitted here,
        and has its say alone about labels of which the lab's rows know nothing.
    """
    panels = {}
    for kind, wanted in (("windows", window_labels), ("events", [BLINK])):
        parts = [getattr(part, kind) for part in (lab, rest) if part is not None]
        filled = [Sample(table) for table in parts if len(table)] or [Sample(parts[0])]
        scaling = scaling_of(filled, seed=recipe.seed)
        former: Panel | None = None if base is None else getattr(base, kind)
        if former is not None:
            scaling = kept_scaling(former, NAMES[kind], scaling)
        heads = [
            _fit_label(
                parts,
                label,
                scaling,
                recipe=recipe,
                lab_share=lab_share,
                old=None if former is None else former_head(former, label, NAMES[kind]),
            )
            for label in wanted
        ]
        kept = tuple(head for head in heads if head is not None)
        panels[kind] = Panel(NAMES[kind], scaling, kept)
    return Panels(panels["windows"], panels["events"], rules)


def _fit_label(
    parts: Sequence[Table],
    label: str,
    scaling: Scaling,
    *,
    recipe: Recipe,
    lab_share: float,
    old: Head | None,
) -> Head | None:
    """Fit a label's head on the lab's table and the background's, and join the old one.

    None where no row knows the label.
    """
    if old is not None and not _known_rows(parts[0], label):
        return old
    tables = [table for table in parts if len(table)]
    if not any(_known_rows(table, label) for table in tables):
        return old
    new = fit_head(weighted(tables, label, lab_share=lab_share), label, scaling, recipe=recipe)
    if old is None or new is None:
        return new or old
    return together(old, new, say=lab_say(parts[0], label, lab_share=lab_share))


def lab_say(lab: Table, label: str, *, lab_share: float) -> float:
    """Give the weight of what is fitted here against the model that votes beside it.

    It grows with the examples of a label and with the people who show it: half of `lab_share`
    with `HALF_PEOPLE` of them.

    Parameters
    ----------
    lab : Table
    label : str
    lab_share : float
        The weight where there are many people.
    """
    people = np.unique(lab.person[lab.truth[label] == POSITIVE]).size
    most = people / (people + HALF_PEOPLE) if people else LEAST_SHARE
    return _share(lab, label, lab_share=lab_share) * most


def _share(lab: Table, label: str, *, lab_share: float) -> float:
    """Give the share of the weight that rows of the lab's get: by the examples among them.

    A label of which the lab has shown few examples leans on the rest in proportion: many clean
    rows must not teach it away.
    """
    examples = int((lab.truth[label] == POSITIVE).sum())
    return lab_share * min(max(examples / ENOUGH_EXAMPLES, LEAST_SHARE), 1.0)


def weighted(tables: Sequence[Table], label: str, *, lab_share: float) -> list[Sample]:
    """Weigh the lab's rows and the background for one label.

    Only rows that know the label count. A label of which the lab has shown few examples leans
    on the background in proportion.

    Parameters
    ----------
    tables : sequence of Table
        The lab's, then the background where there is one.
    label : str
    lab_share : float
        Share of the weight that the lab's rows get where examples are enough.
    """
    lab_rows = _known_rows(tables[0], label)
    if len(tables) == 1 or not lab_rows:
        return [Sample(table) for table in tables]
    share = _share(tables[0], label, lab_share=lab_share)
    weight = (1 - share) / share * lab_rows / max(_known_rows(tables[1], label), 1)
    return [Sample(tables[0]), Sample(tables[1], weight)]


def _known_rows(table: Table, label: str) -> int:
    """Count the rows that know a label."""
    truth = table.truth.get(label)
    return 0 if truth is None else int((truth != UNKNOWN).sum())
