"""The ledger's tables, and how an older ledger is brought up to date."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from cleanspan.errors import CleanspanError

MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE runs (
        id INTEGER PRIMARY KEY,
        started_at TEXT NOT NULL,
        ended_at TEXT,
        host TEXT NOT NULL,
        pid INTEGER NOT NULL,
        version TEXT NOT NULL,
        model TEXT NOT NULL,
        config TEXT NOT NULL,
        counts TEXT NOT NULL DEFAULT '{}',
        status INTEGER
    );
    CREATE TABLE contents (
        digest TEXT PRIMARY KEY,
        size INTEGER NOT NULL,
        name TEXT NOT NULL,
        place TEXT NOT NULL,
        inbox TEXT NOT NULL,
        first_seen TEXT NOT NULL
    );
    CREATE INDEX contents_place ON contents (place);
    CREATE TABLE files (
        path TEXT PRIMARY KEY,
        size INTEGER NOT NULL,
        mtime_ns INTEGER NOT NULL,
        inode INTEGER NOT NULL,
        digest TEXT REFERENCES contents (digest),
        looked_at REAL NOT NULL,
        problem TEXT NOT NULL DEFAULT '',
        tries INTEGER NOT NULL DEFAULT 0
    );
    CREATE INDEX files_digest ON files (digest);
    CREATE TABLE jobs (
        id INTEGER PRIMARY KEY,
        digest TEXT NOT NULL REFERENCES contents (digest),
        model TEXT NOT NULL,
        config TEXT NOT NULL,
        state TEXT NOT NULL CHECK (
            state IN ('waiting', 'working', 'placing', 'done', 'failed', 'quarantined')),
        attempts INTEGER NOT NULL DEFAULT 0,
        interruptions INTEGER NOT NULL DEFAULT 0,
        folder TEXT,
        staged TEXT,
        outcome TEXT,
        reason TEXT NOT NULL DEFAULT '',
        error TEXT NOT NULL DEFAULT '',
        run_id INTEGER REFERENCES runs (id),
        created_at TEXT NOT NULL,
        ended_at TEXT,
        UNIQUE (digest, model, config)
    );
    CREATE INDEX jobs_state ON jobs (state);
    CREATE TABLE attempts (
        id INTEGER PRIMARY KEY,
        job_id INTEGER NOT NULL REFERENCES jobs (id) ON DELETE CASCADE,
        run_id INTEGER NOT NULL REFERENCES runs (id),
        started_at TEXT NOT NULL,
        seconds REAL,
        kind TEXT NOT NULL,
        detail TEXT NOT NULL DEFAULT '',
        peak_mb REAL,
        host TEXT NOT NULL DEFAULT ''
    );
    CREATE INDEX attempts_job ON attempts (job_id);
    CREATE TABLE electrodes (
        job_id INTEGER NOT NULL REFERENCES jobs (id) ON DELETE CASCADE,
        channel TEXT NOT NULL,
        electrode TEXT NOT NULL,
        contact_loss_share REAL NOT NULL,
        verdict TEXT NOT NULL,
        note TEXT NOT NULL,
        PRIMARY KEY (job_id, channel)
    ) WITHOUT ROWID;
    """,
)
"""One script a schema version; a script that has been released is never edited."""


class LedgerError(CleanspanError):
    """The ledger cannot be used; the message says what to do."""


class DamagedLedgerError(LedgerError):
    """The ledger's file is not a sound database."""


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into one line that says what to do.

    Raises
    ------
    LedgerError
        If it is locked, on a full disk or cannot be opened.
    DamagedLedgerError
        If the file is damaged.
    """
    try:
        yield
    except sqlite3.OperationalError as error:
        text = str(error)
        if "locked" in text or "busy" in text:
            advice = "close the program that holds it and run again"
        elif "full" in text:
            advice = "free some disk space and run again"
        elif "no such table" in text:
            advice = (
                "it is empty, as a night on a full disk leaves it: the next night fills it, or "
                "`cleanspan ledger --rebuild` makes it anew from the results"
            )
        elif "malformed" in text:
            raise _damaged(path, text) from error
        else:
            advice = (
                "check that its folder exists on this machine's disk, has room and is writable"
            )
        raise LedgerError(f"{path}: the ledger must be usable, got: {text}; {advice}") from error
    except sqlite3.DatabaseError as error:
        raise _damaged(path, str(error)) from error


def _damaged(path: Path, text: str) -> DamagedLedgerError:
    """Say that the results are safe and how to get the ledger back."""
    return DamagedLedgerError(
        f"{path}: the ledger must be a sound SQLite database, got: {text}; the results are "
        "not affected: `cleanspan ledger --rebuild` makes a new ledger from them and keeps "
        "the damaged file"
    )


def connect(
    path: Path, *, wait_s: float = 60.0, migrations: Sequence[str] = MIGRATIONS
) -> sqlite3.Connection:
    """Open the ledger for writing, create or update its tables, and check its soundness.

    Raises
    ------
    LedgerError
        If it is locked for longer than wait_s, unusable, or made by a newer version.
    DamagedLedgerError
        If the file is damaged.
    """
    with explained(path):
        connection = sqlite3.connect(path, timeout=wait_s, isolation_level=None)
        try:
            connection.row_factory = sqlite3.Row
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
            verdict = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            if verdict != "ok":
                raise _damaged(path, verdict)
            _migrate(connection, path, migrations)
        except BaseException:
            connection.close()
            raise
    return connection


def connect_to_read(path: Path, *, wait_s: float = 10.0) -> sqlite3.Connection:
    """Open the ledger for reading only; a night may be writing at the same time.

    Raises
    ------
    LedgerError
        If there is none, or it is unusable.
    """
    if not path.is_file():
        raise LedgerError(
            f"{path}: there must be a ledger to read, got: nothing there; "
            "the first `cleanspan night` makes one"
        )
    with explained(path):
        uri = f"{path.absolute().as_uri()}?mode=ro"
        connection = sqlite3.connect(uri, uri=True, timeout=wait_s, isolation_level=None)
        connection.row_factory = sqlite3.Row
        try:
            _refuse_newer(connection, path, MIGRATIONS)
            connection.execute("SELECT count(*) FROM runs").fetchone()
        except BaseException:
            connection.close()
            raise
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Carry out the block wholly or not at all."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if connection.in_transaction:  # a full disk has already rolled it back
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def _version(connection: sqlite3.Connection) -> int:
    """Read the schema version."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _refuse_newer(connection: sqlite3.Connection, path: Path, migrations: Sequence[str]) -> None:
    """Stop before an older program writes into a newer ledger."""
    version = _version(connection)
    if version > len(migrations):
        raise LedgerError(
            f"{path}: the ledger's format must be {len(migrations)} or older, got {version}; "
            "it was made by a newer cleanspan: update this one"
        )


def _migrate(connection: sqlite3.Connection, path: Path, migrations: Sequence[str]) -> None:
    """Apply the scripts that this ledger has not seen, each wholly or not at all."""
    _refuse_newer(connection, path, migrations)
    for number in range(_version(connection) + 1, len(migrations) + 1):
        with transaction(connection):
            if _version(connection) >= number:
                continue
            for statement in migrations[number - 1].split(";"):
                if statement.strip():
                    connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {number}")
