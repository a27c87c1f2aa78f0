"""Rows that earlier calls wrote into a table over many recordings: kept when it is made anew."""

import csv
import logging
from collections.abc import Collection
from pathlib import Path

from cleanspan.export.cells import FOLDER, plain_cell
from cleanspan.export.facts import facts_below
from cleanspan.export.handwork import keep_file

log = logging.getLogger(__name__)


Rows = list[dict[str, str]]
"""Cells as they stand, by column."""


def earlier_rows(path: Path, *, but: Collection[str]) -> tuple[Rows, Rows]:
    """Read the rows of recordings whose results still lie beside a table.

    Parameters
    ----------
    path : Path
        The table; it need not exist.
    but : collection of str
        Names of the folders that get new rows.

    Returns
    -------
    kept, replaced : list of dict of str to str
        Rows that stay, and those that new ones take the place of, in their order. No rows where
        the table cannot be understood: it is put aside then, with a warning.
    """
    rows = read_rows(path) if path.exists() else []
    if rows is None:
        put_aside(path)
        return [], []
    new = {plain_cell(name) for name in but}
    there = {plain_cell(found.parent.name) for found in facts_below(path.parent)} - new
    return (
        [row for row in rows if row[FOLDER] in there],
        [row for row in rows if row[FOLDER] in new],
    )


def read_rows(path: Path) -> Rows | None:
    """Read all rows of a table; None where it is not one of ours.

    A pipe of its name is not: opening it would wait for ever.
    """
    if not path.is_file():
        return None
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file, strict=True)
            rows = list(reader)
            if FOLDER not in (reader.fieldnames or ()):
                return None
    except (OSError, ValueError, csv.Error):
        return None
    odd = any(None in row or None in row.values() for row in rows)
    return None if odd else rows


def put_aside(path: Path) -> None:
    """Keep a table that cannot be understood, and warn that the new one is without its rows."""
    kept = keep_file(path)
    log.warning(
        "%s: its earlier rows could not be read, so the new table is without them; the old one is "
        "kept as %s",
        path,
        kept,
    )
