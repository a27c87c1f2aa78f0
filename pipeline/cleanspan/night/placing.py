"""Putting a finished result in its place, so that a kill at any moment loses nothing.

A worker fills a folder of its own below ``.unfinished-night-…``. The coordinator notes in the
ledger that the result is about to be placed, moves the former result aside, moves the new one in,
and notes that. Whether the staged folder still exists tells, after a kill, which moves are left.
"""

import json
import os
import re
import secrets
import shutil
import sqlite3
from pathlib import Path

from cleanspan.atomic import UNFINISHED, output_error
from cleanspan.night.electrodes import electrodes
from cleanspan.night.ledger import Ledger, utc_now
from cleanspan.night.records import Try, outcome_to_json
from cleanspan.screen import Outcome
from cleanspan.types import EARLIER, SUMMARY

STAGING = f"{UNFINISHED}night-"
NIGHTS = "nights"
ORIGIN = "_origin.json"
ORIGIN_FORMAT = 1
_RESERVED = {EARLIER, NIGHTS, "night.html", SUMMARY, "night.log", "ledger.sqlite"}


def place_name(name: str) -> str:
    """Keep the name of a result's folder from colliding with anything of ours."""
    taken = name.lower() in _RESERVED or name.startswith(UNFINISHED)
    return f"{name}-recording" if taken else name


def new_staging(output: Path) -> Path:
    """Make a folder for the results in the making of one run."""
    folder = output / f"{STAGING}{secrets.token_hex(4)}"
    try:
        folder.mkdir(parents=True)
    except OSError as error:
        raise output_error(folder, error) from error
    return folder


def seal(ledger: Ledger, ended: Try, outcome: Outcome) -> None:
    """Write into a finished result what it was made from.

    Raises
    ------
    OutputError
        If it cannot be written: the result stays where it is and is swept away in the end.
    """
    job = _job(ledger, ended.job)
    staged = Path(ended.staged)
    content = {
        "format": ORIGIN_FORMAT,
        "content": job["digest"],
        "size": job["size"],
        "first_seen": job["first_seen"],
        "inbox": job["inbox"],
        "screened_at": utc_now(),
        "model": job["model"],
        "config": job["config"],
        "place": job["place"],
        "outcome": json.loads(outcome_to_json(outcome)),
    }
    try:
        origin = staged / f"{staged.name}{ORIGIN}"
        origin.write_text(json.dumps(content, indent=1), encoding="utf-8")
        with origin.open("rb") as file:
            os.fsync(file.fileno())
    except OSError as error:
        raise output_error(staged, error) from error


def place(ledger: Ledger, output: Path, ended: Try, outcome: Outcome) -> None:
    """Give a sealed result its place and note it.

    Raises
    ------
    OutputError
        If it cannot be moved; the ledger knows, and the next run finishes the move.
    """
    relative = str(Path(ended.staged).relative_to(output))
    folder = str(_job(ledger, ended.job)["place"])
    ledger.begin_placing(ended, outcome, staged=relative, folder=folder)
    _move(ledger, output, ended.job)


def recover(ledger: Ledger, output: Path) -> tuple[int, int]:
    """Finish what a killed run left: results on their way, recordings at work, loose folders.

    Returns
    -------
    (int, int)
        Results placed, recordings put back to wait.
    """
    on_their_way = ledger.rows("SELECT id FROM jobs WHERE state = 'placing' ORDER BY id")
    for row in on_their_way:
        _move(ledger, output, row["id"])
    waiting = ledger.interrupt_working()
    sweep(output)
    return len(on_their_way), waiting


def sweep(output: Path) -> None:
    """Delete what runs that are gone left unfinished; the lock must be held."""
    for folder in output.glob(f"{STAGING}*"):
        shutil.rmtree(folder, ignore_errors=True)
    pages = [*output.glob(f"{UNFINISHED}*-night.html"), *output.glob(f"{NIGHTS}/*/{UNFINISHED}*")]
    for page in pages:
        page.unlink(missing_ok=True)


def _job(ledger: Ledger, job: int) -> sqlite3.Row:
    """Read a job with its content."""
    return ledger.rows("SELECT * FROM jobs JOIN contents USING (digest) WHERE id = ?", (job,))[0]


def _move(ledger: Ledger, output: Path, job: int) -> None:
    """Make the moves that are still to be made, then note the result as done."""
    row = _job(ledger, job)
    staged, final = output / row["staged"], output / row["folder"]
    former = ledger.rows(
        "SELECT * FROM jobs WHERE folder = ? AND state = 'done' AND id <> ?", (row["folder"], job)
    )
    aside = _aside(former[0], row["folder"]) if former else ""
    try:
        if staged.is_dir():
            if final.exists():
                target = aside if aside and not (output / aside).exists() else _unknown(final)
                (output / EARLIER).mkdir(exist_ok=True)
                os.replace(final, output / target)  # noqa: PTH105 - says what it does
            os.replace(staged, final)  # noqa: PTH105
            _flush_names(output)
    except OSError as error:
        raise output_error(final, error) from error
    moved = None
    if former:
        moved = (int(former[0]["id"]), aside if (output / aside).is_dir() else "")
    ledger.finish_placing(job, aside=moved, electrodes=electrodes(final))


def _aside(former: sqlite3.Row, folder: str) -> str:
    """Name the folder of a former result: same for every try at the same move."""
    day = (former["ended_at"] or former["created_at"])[:10]
    model = re.sub(r"[^A-Za-z0-9@._-]", "_", former["model"])
    made_by = f"model-{model}.config-{former['config']}"
    return f"{EARLIER}/{folder}.{day}.{made_by}.{former['digest'][:8]}"


def _unknown(final: Path) -> str:
    """Name a place for a folder that is in the way and not ours to delete."""
    return f"{EARLIER}/{final.name}.not-in-ledger.{secrets.token_hex(3)}"


def _flush_names(folder: Path) -> None:
    """Make the renames survive a power cut."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
