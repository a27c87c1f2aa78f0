"""Making the ledger anew out of the results, which carry what it needs to know."""

import contextlib
import csv
import json
import logging
import os
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cleanspan.errors import damage
from cleanspan.night.config import NightConfig
from cleanspan.night.electrodes import electrodes
from cleanspan.night.ledger import Ledger
from cleanspan.night.placing import ORIGIN, ORIGIN_FORMAT
from cleanspan.night.records import outcome_from_json
from cleanspan.night.schema import DamagedLedgerError
from cleanspan.types import EARLIER

_log = logging.getLogger(__name__)


def open_or_rebuild(config: NightConfig) -> tuple[Ledger, list[str]]:
    """Open the ledger; where it is damaged or missing, make it anew out of the results.

    Nobody watches at night, so the run mends what it can and says so.

    Returns
    -------
    Ledger
    list of str
        Remarks for the page.

    Raises
    ------
    LedgerError
        If it is locked or unusable.
    """
    path = config.ledger_path
    if not path.exists() and next(_origins(config.output_folder), None) is not None:
        count = rebuild(config)
        remark = (
            f"There was no ledger; a new one was made from {count} result(s). Failed tries "
            "before this night are forgotten."
        )
        return Ledger(path, wait_s=config.ledger_wait_s), [remark]
    try:
        return Ledger(path, wait_s=config.ledger_wait_s), []
    except DamagedLedgerError as error:
        _log.error("the ledger is damaged", extra={"error": str(error)})
        kept = set_aside(path, why="damaged")
        count = rebuild(config)
        remark = (
            f"The ledger was damaged and has been made anew from {count} result(s): no result "
            f"is lost, failed tries before this night are forgotten. The damaged file is kept "
            f"as {kept.name}."
        )
        return Ledger(path, wait_s=config.ledger_wait_s), [remark]


def set_aside(path: Path, *, why: str) -> Path:
    """Rename the ledger's files; return the new name of the first."""
    kept = path.with_name(f"{path.name}.{why}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    for ending in ("", "-wal", "-shm"):
        with contextlib.suppress(FileNotFoundError):
            os.replace(f"{path}{ending}", f"{kept}{ending}")  # noqa: PTH105
    return kept


def rebuild(config: NightConfig) -> int:
    """Write a new ledger from the results below the output folder; the lock must be held.

    Returns
    -------
    int
        How many results it knows.
    """
    path = config.ledger_path
    unfinished = path.with_name(f"{path.name}.unfinished")
    for ending in ("", "-wal", "-shm"):
        Path(f"{unfinished}{ending}").unlink(missing_ok=True)
    ledger = Ledger(unfinished)
    try:
        with ledger.writing() as db:
            count = sum(_enter(db, config, file) for file in _origins(config.output_folder))
    finally:
        ledger.close()
    for ending in ("-wal", "-shm"):
        Path(f"{path}{ending}").unlink(missing_ok=True)
    os.replace(unfinished, path)  # noqa: PTH105
    return count


def _origins(output: Path) -> Iterator[Path]:
    """Find the files that say what a result was made from."""
    yield from sorted(output.glob(f"*/*{ORIGIN}"))
    yield from sorted(output.glob(f"{EARLIER}/*/*{ORIGIN}"))


def _enter(db: sqlite3.Connection, config: NightConfig, file: Path) -> int:
    """Enter one result; return 0 where the file cannot be used."""
    try:
        facts: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
        if facts["format"] != ORIGIN_FORMAT:
            raise ValueError(f"format must be {ORIGIN_FORMAT}, got {facts['format']}")
        name = facts["outcome"]["recording"]
        content = (
            facts["content"],
            facts["size"],
            name,
            facts["place"],
            facts["inbox"],
            facts["first_seen"],
        )
        job = (
            facts["content"],
            facts["model"],
            facts["config"],
            str(file.parent.relative_to(config.output_folder)),
            json.dumps(facts["outcome"]),
            facts["first_seen"],
            facts["screened_at"],
        )
        outcome_from_json(job[4])  # what cannot be read now could not be listed later
        channels = electrodes(file.parent)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, csv.Error) as error:
        _log.warning(
            "%s: a result must be whole to be entered, got %s; the next night that finds "
            "its recording screens it again",
            file.parent.name,
            damage(error),
        )
        return 0
    db.execute(
        "INSERT INTO contents (digest, size, name, place, inbox, first_seen) "
        "VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
        content,
    )
    cursor = db.execute(
        "INSERT INTO jobs (digest, model, config, folder, outcome, created_at, ended_at, state, "
        "reason) VALUES (?, ?, ?, ?, ?, ?, ?, 'done', 'done') ON CONFLICT DO NOTHING",
        job,
    )
    if cursor.rowcount:
        rows = [(cursor.lastrowid, *row) for row in channels]
        db.executemany(
            "INSERT INTO electrodes (job_id, channel, electrode, contact_loss_share, verdict, "
            "note) VALUES (?, ?, ?, ?, ?, ?)",
            rows,
        )
    return cursor.rowcount
