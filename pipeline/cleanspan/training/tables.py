"""Scores as tables and as a picture."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from cleanspan.training.evaluation import Score, by_person, pooled
from cleanspan.training.results import Evaluation

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def score_table(scores: Sequence[Score]) -> "pd.DataFrame":
    """Write scores as one long table: all together, each person, each recording.

    Returns
    -------
    pandas.DataFrame
        One row for each scope (``all``, ``person``, ``recording``), name and label. Cells are
        one second of one channel. NaN where there was nothing to count.
    """
    import pandas as pd

    scopes = [("all", pooled(scores, name="all"))]
    scopes += [("person", score) for score in by_person(scores)]
    scopes += [("recording", score) for score in scores]
    return pd.DataFrame(
        [_row(scope, score, label) for scope, score in scopes for label in score.labels]
    )


def _row(scope: str, score: Score, label: str) -> dict[str, object]:
    """Write one label's numbers."""
    cells, events = score.cells[label], score.events[label]
    onsets = score.onsets.get(label)
    return {
        "scope": scope,
        "name": score.name,
        "label": label,
        "cells_known": cells.known,
        "cells_true": cells.hit + cells.missed,
        "cells_marked": cells.hit + cells.false,
        "cells_precision": cells.precision,
        "cells_recall": cells.recall,
        "cells_f1": cells.f1,
        "cells_kappa": cells.kappa,
        "events_true": events.true,
        "events_marked": events.marks,
        "events_precision": events.precision,
        "events_recall": events.recall,
        "events_f1": events.f1,
        "onsets_f1": onsets.f1 if onsets else float("nan"),
        "clean_cells": score.clean_cells,
        "clean_cells_marked_share": score.false_share,
    }


def spread_table(scores: Sequence[Score]) -> "pd.DataFrame":
    """Show how much the cells' F1 and the events' F1 differ between people.

    Returns
    -------
    pandas.DataFrame
        One row a label: people (with anything to find or a mark), mean, sd, lowest, highest.
    """
    import pandas as pd

    people = by_person(scores)
    rows = []
    for label in scores[0].labels:
        for level in ("cells", "events"):
            values = np.array([getattr(p, level)[label].f1 for p in people], dtype=float)
            values = values[np.isfinite(values)]
            if len(values):
                sd = float(values.std(ddof=1)) if len(values) > 1 else float("nan")
                rows.append(
                    {
                        "label": label,
                        "level": level,
                        "people": len(values),
                        "mean_f1": float(values.mean()),
                        "sd_f1": sd,
                        "lowest_f1": float(values.min()),
                        "highest_f1": float(values.max()),
                    }
                )
    columns = ["label", "level", "people", "mean_f1", "sd_f1", "lowest_f1", "highest_f1"]
    return pd.DataFrame(rows, columns=columns)


def confusion_table(scores: Sequence[Score]) -> "pd.DataFrame":
    """Count cells by their true class (rows) and the marked class (columns)."""
    import pandas as pd

    whole = pooled(scores)
    names = [f"marked {name}" for name in whole.classes]
    return pd.DataFrame(whole.confusion, index=list(whole.classes), columns=names).round(1)


def calibration_table(evaluation: Evaluation) -> "pd.DataFrame":
    """Write every label's reliability bins under each other."""
    import pandas as pd

    tables = [
        c.table.assign(label=label, expected_error=c.expected_error, brier=c.brier)
        for label, c in evaluation.calibrations.items()
    ]
    if not tables:
        return pd.DataFrame(columns=["label", "low", "high", "count"])
    return pd.concat(tables, ignore_index=True)


def text_table(table: "pd.DataFrame") -> list[str]:
    """Lay a small table out for a terminal: numbers to the right, two or three decimals."""
    columns = [[name.replace("_", " "), *map(_cell, table[name])] for name in table.columns]
    widths = [max(map(len, column)) for column in columns]
    lines = []
    for cells in zip(*columns, strict=True):
        first = cells[0].ljust(widths[0])
        rest = (cell.rjust(width) for cell, width in zip(cells[1:], widths[1:], strict=True))
        lines.append("  ".join((first, *rest)).rstrip())
    return lines


def _cell(value: object) -> str:
    """Write one value; nothing to count is a dash."""
    if isinstance(value, float | np.floating):
        return "-" if np.isnan(value) else f"{value:.3f}"
    return str(value)


def draw(evaluation: Evaluation, path: Path) -> None:
    """Draw F1 of every person, label by label, and the reliability of the probabilities.

    Parameters
    ----------
    evaluation : Evaluation
    path : Path
        Where the picture goes (format by its suffix).
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    panels = 2 if evaluation.calibrations else 1
    figure = Figure(figsize=(5.5 * panels, 4.2), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(1, panels, squeeze=False)[0]
    _draw_people(axes[0], evaluation.scores)
    if panels > 1:
        _draw_reliability(axes[1], evaluation)
    figure.savefig(path, dpi=150)


def _draw_people(axes: "Axes", scores: Sequence[Score]) -> None:
    """Draw one dot a person and one bar for all together."""
    labels, people, whole = scores[0].labels, by_person(scores), pooled(scores)
    for place, label in enumerate(labels):
        values = [person.cells[label].f1 for person in people]
        shift = np.linspace(-0.15, 0.15, len(values)) if len(values) > 1 else [0.0]
        axes.plot(place + np.asarray(shift), values, "o", color="0.45", markersize=4)
        axes.hlines(whole.cells[label].f1, place - 0.3, place + 0.3, color="black")
    axes.set_xticks(range(len(labels)), labels)
    axes.set(ylim=(0, 1.02), ylabel="F1 on channel seconds", title="dots: people, bar: all")


def _draw_reliability(axes: "Axes", evaluation: Evaluation) -> None:
    """Draw what happened against what the probabilities said."""
    axes.plot([0, 1], [0, 1], color="0.7", linewidth=1)
    for marker, (label, result) in zip(
        "os^Dv*XP" * 4, evaluation.calibrations.items(), strict=False
    ):
        table = result.table[result.table["count"] > 0]
        axes.plot(table["mean_probability"], table["observed_share"], marker + "-", label=label)
    axes.legend()
    axes.set(xlabel="probability", ylabel="share of windows with it", title="reliability")
