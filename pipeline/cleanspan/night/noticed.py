"""What a look at inboxes and results shows beside the work; one sentence each for the page."""

import sqlite3
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path

from cleanspan.export.cells import readable
from cleanspan.night.ledger import Ledger
from cleanspan.night.names import Names
from cleanspan.recording.odd import listed

_AT_MOST = 5
"""Recordings named in a sentence; the others are counted."""


def gone_results(ledger: Ledger, output: Path, present: Collection[str]) -> list[sqlite3.Row]:
    """List results that somebody took out of their place while their recordings stayed.

    Results of recordings that have left the inboxes too may have been archived with them.

    Parameters
    ----------
    ledger : Ledger
    output : Path
        The results' folder.
    present : collection of str
        Contents that the inboxes hold.

    Returns
    -------
    list of sqlite3.Row
        id, digest, name, model, config and first_seen of each.
    """
    rows = ledger.rows(
        "SELECT id, digest, name, place, model, config, first_seen FROM jobs "
        "JOIN contents USING (digest) WHERE state = 'done' AND folder = place ORDER BY first_seen"
    )
    return [row for row in rows if row["digest"] in present and _is_gone(output / row["place"])]


def _is_gone(folder: Path) -> bool:
    """Whether there is no such folder, or nothing in it."""
    return not folder.is_dir() or next(folder.iterdir(), None) is None


def of_gone(results: Sequence[sqlite3.Row], names: Names) -> str:
    """Say that results are gone, and what can be done."""
    told = listed([names.of_content(row["digest"], row["name"]) for row in results], _AT_MOST)
    return (
        f"Gone from the output folder are the results of {len(results)} recording(s) of the "
        f"inbox: {told}. Put the folders back, or take the recordings out of the inbox too, or "
        "have them screened again: cleanspan night --again (--since and --until choose the days)."
    )


def of_strange(entries: Iterable[Path], names: Names) -> str:
    """Say that something has a recording's name and is no file."""
    found = [readable(path) for path in entries]
    told = "" if names.hidden else f": {listed(found, _AT_MOST)}"
    return (
        f"Passed over in the inbox: {len(found)} pipe(s), device(s) or folder(s) with a "
        f"recording's name, for a recording must be a file{told}."
    )
