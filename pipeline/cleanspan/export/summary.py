"""``OUT/summary.csv``: one row a recording."""

import csv
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from cleanspan.atomic import replacing_file
from cleanspan.export.cells import column_name, plain_cell

if TYPE_CHECKING:
    from cleanspan.screen import Outcome

SEPARATOR = ";"


def write_summary(outcomes: "Sequence[Outcome]", path: Path) -> Path:
    """Write one row a recording.

    Parameters
    ----------
    outcomes : sequence of Outcome
        In the order of the rows. Each label that any of them has becomes a column.
    path : Path

    Raises
    ------
    OutputError
        If it cannot be written; no partial file is left.
    """
    labels = list(dict.fromkeys(label for outcome in outcomes for label in outcome.shares))
    header = [
        *("recording", "status", "duration_s", "channels", "clean_share", "usable_s"),
        "meets_plan",
        *(f"{column_name(label)}_share" for label in labels),
        *("mend", "folder", "model", "config", "warnings", "error"),
    ]
    with replacing_file(path) as beside, beside.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(_row(outcome, labels) for outcome in outcomes)
    return path


def _row(outcome: "Outcome", labels: Sequence[str]) -> list[str]:
    """Give one outcome's cells; an unknown number is an empty cell."""
    return [
        plain_cell(outcome.recording),
        outcome.status,
        _number(outcome.duration_s, 3),
        str(outcome.channels),
        _number(outcome.clean_share, 4),
        _number(outcome.usable_s, 3),
        _meets(outcome),
        *(_number(outcome.shares.get(label, math.nan), 4) for label in labels),
        plain_cell(SEPARATOR.join(outcome.mend)),
        plain_cell("" if outcome.folder is None else outcome.folder.name),
        plain_cell(outcome.model),
        outcome.config,
        plain_cell("; ".join(outcome.warnings)),
        plain_cell(outcome.error),
    ]


def _meets(outcome: "Outcome") -> str:
    """Say whether the recording meets the plan; empty where it was not screened."""
    if outcome.status != "done":
        return ""
    return "no" if outcome.shortfalls else "yes"


def _number(value: float, decimals: int) -> str:
    """Write a number with a dot and no more decimals than it needs."""
    if not math.isfinite(value):
        return ""
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
