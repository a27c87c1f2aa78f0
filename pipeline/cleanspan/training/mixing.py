"""The lab's rows and the background, mixed by stated weights and fitted together."""

from collections.abc import Mapping, Sequence

from cleanspan.config import SegmentRule
from cleanspan.labelling.network import Panel
from cleanspan.training.dataset import Table, Tables
from cleanspan.training.fitting import Recipe, Sample, fit_head, scaling_of
from cleanspan.training.judging import NAMES, Panels
from cleanspan.training.truth import POSITIVE, UNKNOWN
from cleanspan.types import BLINK

ENOUGH_EXAMPLES, LEAST_SHARE = 500, 0.1
"""Rows with a label from which on the lab's share is full (500 windows are about four minutes of
one channel), and the part of it that clean rows alone are worth. From judgement, not
from a source."""


def fit_panels(
    lab: Tables,
    rest: Tables | None,
    window_labels: Sequence[str],
    rules: Mapping[str, SegmentRule],
    *,
    recipe: Recipe,
    lab_share: float,
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
        See `weighted`.
    """
    panels = {}
    for kind, wanted in (("windows", window_labels), ("events", [BLINK])):
        tables = [getattr(part, kind) for part in (lab, rest) if part is not None]
        tables = [table for table in tables if len(table)]
        scaling = scaling_of([Sample(table) for table in tables], seed=recipe.seed)
        heads = [
            fit_head(weighted(tables, label, lab_share=lab_share), label, scaling, recipe=recipe)
            for label in wanted
            if any(_known_rows(table, label) for table in tables)
        ]
        kept = tuple(head for head in heads if head is not None)
        panels[kind] = Panel(NAMES[kind], scaling, kept)
    return Panels(panels["windows"], panels["events"], rules)


def weighted(tables: Sequence[Table], label: str, *, lab_share: float) -> list[Sample]:
    """Weigh the lab's rows and the background for one label.

    Only rows that know the label count. A label of which the lab has shown few examples leans
    on the background in proportion: many clean rows must not teach it away.

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
    examples = int((tables[0].truth[label] == POSITIVE).sum())
    share = lab_share * min(max(examples / ENOUGH_EXAMPLES, LEAST_SHARE), 1.0)
    weight = (1 - share) / share * lab_rows / max(_known_rows(tables[1], label), 1)
    return [Sample(tables[0]), Sample(tables[1], weight)]


def _known_rows(table: Table, label: str) -> int:
    """Count the rows that know a label."""
    truth = table.truth.get(label)
    return 0 if truth is None else int((truth != UNKNOWN).sum())
