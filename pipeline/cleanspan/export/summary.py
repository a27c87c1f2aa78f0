"""``OUT/summary.csv``: one row a recording."""

import csv
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from cleanspan.atomic import replacing_file
from cleanspan.export.cells import FOLDER, column_name, plain_cell

if TYPE_CHECKING:
    from cleanspan.screen import Outcome

SEPARATOR = ";"


_SHARE = "_share"
_CLEAN = "clean_share"


def write_summary(
    outcomes: "Sequence[Outcome]",
    path: Path,
    *,
    earlier: Sequence[Mapping[str, str]] = (),
    replaced: Sequence[Mapping[str, str]] = (),
) -> Path:
    """Write one row a recording.

    Parameters
    ----------
    outcomes : sequence of Outcome
        In the order of the rows. Each label that any of them has becomes a column.
    path : Path
    earlier : sequence of mapping of str to str
        Cells of an earlier summary's rows (`earlier.earlier_rows`), to stand above.
    replaced : sequence of mapping of str to str
        Its rows of recordings that are among the outcomes. Columns that people added stay, at the
        end, in all rows.

    Raises
    ------
    OutputError
        If it cannot be written; no partial file is left.
    """
    labels = list(dict.fromkeys(label for outcome in outcomes for label in outcome.shares))
    shares = [f"{column_name(label)}{_SHARE}" for label in labels]
    older = [name for row in earlier for name in row if name.endswith(_SHARE) and name != _CLEAN]
    header = [
        *("recording", "status", "duration_s", "channels", _CLEAN, "usable_s", "meets_plan"),
        *(columns := list(dict.fromkeys([*shares, *older]))),
        *("mend", "folder", "model", "config", "findings", "warnings", "error"),
    ]
    added = [
        name
        for name in dict.fromkeys(name for row in (*earlier, *replaced) for name in row)
        if name and name not in header
    ]
    notes = {row.get(FOLDER, ""): [row.get(name, "") for name in added] for row in replaced}
    with replacing_file(path) as beside, beside.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([*header, *added])
        writer.writerows([row.get(name, "") for name in (*header, *added)] for row in earlier)
        for outcome in outcomes:
            own = notes.get(_folder_cell(outcome), [""] * len(added))
            writer.writerow([*_row(outcome, columns), *own])
    return path


def _row(outcome: "Outcome", columns: Sequence[str]) -> list[str]:
    """Give one outcome's cells, those of shares in the order of their columns.

    An unknown number is an empty cell.
    """
    shares = {f"{column_name(label)}{_SHARE}": part for label, part in outcome.shares.items()}
    return [
        plain_cell(outcome.recording),
        outcome.status,
        _number(outcome.duration_s, 3),
        str(outcome.channels) if outcome.status == "done" else "",
        _number(outcome.clean_share, 4),
        _number(outcome.usable_s, 3),
        _meets(outcome),
        *(_number(shares.get(name, math.nan), 4) for name in columns),
        plain_cell(SEPARATOR.join(outcome.mend)),
        _folder_cell(outcome),
        plain_cell(outcome.model),
        outcome.config,
        plain_cell(" ".join(outcome.findings)),
        plain_cell("; ".join(outcome.warnings)),
        plain_cell(outcome.error),
    ]


def _folder_cell(outcome: "Outcome") -> str:
    """Name the folder of a recording's results; empty where there is none."""
    return plain_cell("" if outcome.folder is None else outcome.folder.name)


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
