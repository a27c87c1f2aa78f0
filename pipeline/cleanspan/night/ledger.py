"""The ledger: which recordings came in, what was done with each, and how it went."""

import os
import socket
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from cleanspan import __version__
from cleanspan.export.cells import readable
from cleanspan.night import schema
from cleanspan.night.content import Stamp
from cleanspan.night.records import Found, Kind, State, Try, outcome_to_json
from cleanspan.screen import Outcome


def utc_now() -> str:
    """Write the time as ISO 8601 in UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds")


class Ledger:
    """The ledger, opened for writing by the one process that runs the night.

    Parameters
    ----------
    path : Path
        The SQLite file; made where there is none.
    wait_s : float
        How long to wait while another program holds it.
    """

    def __init__(self, path: Path, *, wait_s: float = 60.0) -> None:
        self.path = path
        self.connection = schema.connect(path, wait_s=wait_s)

    def close(self) -> None:
        """Close the file."""
        self.connection.close()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Change the ledger wholly or not at all, with errors that say what to do."""
        with schema.explained(self.path), schema.transaction(self.connection):
            yield self.connection

    def rows(self, query: str, values: tuple[object, ...] = ()) -> list[sqlite3.Row]:
        """Read."""
        with schema.explained(self.path):
            return self.connection.execute(query, values).fetchall()

    # Runs

    def begin_run(self, *, model: str, config: str) -> int:
        """Note that a run began; return its number."""
        with self.writing() as db:
            cursor = db.execute(
                "INSERT INTO runs (started_at, host, pid, version, model, config) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (utc_now(), socket.gethostname(), os.getpid(), __version__, model, config),
            )
            return int(cursor.lastrowid or 0)

    def end_run(self, run: int, *, status: int, counts: str) -> None:
        """Note how a run ended."""
        with self.writing() as db:
            db.execute(
                "UPDATE runs SET ended_at = ?, status = ?, counts = ? WHERE id = ?",
                (utc_now(), status, counts, run),
            )

    # Files and their content

    def known(self, found: Found) -> str | None:
        """Return the content of a file that has not changed since it was last read, else None."""
        rows = self.rows(
            "SELECT digest FROM files WHERE path = ? AND size = ? AND mtime_ns = ? "
            "AND inode = ? AND problem = ''",
            (found.key, found.stamp.size, found.stamp.mtime_ns, found.stamp.inode),
        )
        return rows[0]["digest"] if rows else None

    def last_look(self, found: Found) -> tuple[Stamp, float] | None:
        """Return how a file stood when an earlier run looked, and when that was."""
        rows = self.rows("SELECT * FROM files WHERE path = ?", (found.key,))
        if not rows:
            return None
        row = rows[0]
        return Stamp(row["size"], row["mtime_ns"], row["inode"]), row["looked_at"]

    def note_file(self, found: Found, *, now_s: float, problem: str = "") -> int:
        """Note a file whose content is not known (yet); return how often it had this problem."""
        with self.writing() as db:
            db.execute(
                "INSERT INTO files (path, size, mtime_ns, inode, looked_at, problem, tries) "
                "VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (path) DO UPDATE SET "
                "size = excluded.size, mtime_ns = excluded.mtime_ns, inode = excluded.inode, "
                "looked_at = excluded.looked_at, problem = excluded.problem, "
                "tries = CASE WHEN excluded.problem = '' THEN 0 ELSE tries + 1 END",
                (found.key, *_columns(found.stamp), now_s, problem, int(problem != "")),
            )
            row = db.execute("SELECT tries FROM files WHERE path = ?", (found.key,)).fetchone()
            return int(row["tries"])

    def note_content(self, found: Found, digest: str, *, name: str, now_s: float) -> None:
        """Note a file's content, and give content not met before the place of its results.

        A changed file keeps the place of its former content; the former results are moved aside
        when the new ones arrive. A file of a name that is taken gets a number.
        """
        with self.writing() as db:
            row = db.execute(
                "SELECT c.place FROM files f JOIN contents c USING (digest) WHERE path = ?",
                (found.key,),
            ).fetchone()
            place = row["place"] if row else self._free_place(name)
            db.execute(
                "INSERT INTO contents (digest, size, name, place, inbox, first_seen) "
                "VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (digest) DO NOTHING",
                (
                    digest,
                    found.stamp.size,
                    readable(found.path.name),
                    place,
                    str(found.inbox),
                    utc_now(),
                ),
            )
            db.execute(
                "INSERT INTO files (path, size, mtime_ns, inode, digest, looked_at) "
                "VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (path) DO UPDATE SET "
                "size = excluded.size, mtime_ns = excluded.mtime_ns, inode = excluded.inode, "
                "digest = excluded.digest, looked_at = excluded.looked_at, problem = '', "
                "tries = 0",
                (found.key, *_columns(found.stamp), digest, now_s),
            )

    def _free_place(self, name: str) -> str:
        """Find a folder name that no other recording's results have."""
        taken = {row["place"].lower() for row in self.rows("SELECT place FROM contents")}
        place, number = name, 1
        while place.lower() in taken:
            number += 1
            place = f"{name}-{number}"
        return place

    # Jobs

    def add_job(self, digest: str, *, model: str, config: str) -> None:
        """Plan the screening of a content under a model and a configuration, once."""
        with self.writing() as db:
            db.execute(
                "INSERT INTO jobs (digest, model, config, state, created_at) "
                "VALUES (?, ?, ?, 'waiting', ?) ON CONFLICT DO NOTHING",
                (digest, model, config, utc_now()),
            )

    def release(self) -> int:
        """Take every recording out of quarantine; return how many there were."""
        with self.writing() as db:
            return db.execute(
                "UPDATE jobs SET state = 'waiting', attempts = 0 WHERE state = 'quarantined'"
            ).rowcount

    def reopen(self, job: int) -> None:
        """Let a recording wait again whose results are gone."""
        with self.writing() as db:
            db.execute(
                "UPDATE jobs SET state = 'waiting', folder = NULL, outcome = NULL, attempts = 0, "
                "reason = '', run_id = NULL WHERE id = ?",
                (job,),
            )

    def begin_try(self, job: int, run: int) -> None:
        """Note that a recording is handed to a worker."""
        with self.writing() as db:
            db.execute("UPDATE jobs SET state = 'working', run_id = ? WHERE id = ?", (run, job))
            db.execute(
                "INSERT INTO attempts (job_id, run_id, started_at, kind) VALUES (?, ?, ?, ?)",
                (job, run, utc_now(), State.WORKING),
            )

    def end_try(self, ended: Try, *, limit: int) -> State:
        """Note a try that brought no result; return where the recording stands now."""
        with self.writing() as db:
            self._close_attempt(db, ended)
            row = db.execute("SELECT attempts FROM jobs WHERE id = ?", (ended.job,)).fetchone()
            attempts = row["attempts"] + int(ended.kind.counts)
            state = State.WAITING
            if ended.kind.counts:
                state = State.QUARANTINED if attempts >= limit else State.FAILED
            db.execute(
                "UPDATE jobs SET state = ?, attempts = ?, reason = ?, error = ?, ended_at = ? "
                "WHERE id = ?",
                (state, attempts, ended.kind, ended.error, utc_now(), ended.job),
            )
        return state

    def begin_placing(self, ended: Try, outcome: Outcome, *, staged: str, folder: str) -> None:
        """Note a result that is complete and about to get its place."""
        with self.writing() as db:
            self._close_attempt(db, ended)
            db.execute(
                "UPDATE jobs SET state = 'placing', staged = ?, folder = ?, outcome = ?, "
                "reason = ?, error = '' WHERE id = ?",
                (staged, folder, outcome_to_json(outcome), Kind.DONE, ended.job),
            )

    def finish_placing(
        self, job: int, *, aside: tuple[int, str] | None, electrodes: list[tuple[object, ...]]
    ) -> None:
        """Note that a result has its place, and where the former one went.

        Parameters
        ----------
        aside : (int, str) or None
            The former result's job and its folder now.
        electrodes : list of tuple
            channel, electrode, contact_loss_share, verdict, note.
        """
        with self.writing() as db:
            if aside is not None:
                db.execute("UPDATE jobs SET folder = ? WHERE id = ?", (aside[1], aside[0]))
            db.execute(
                "UPDATE jobs SET state = 'done', staged = NULL, ended_at = ? WHERE id = ?",
                (utc_now(), job),
            )
            db.execute("DELETE FROM electrodes WHERE job_id = ?", (job,))
            db.executemany(
                "INSERT OR REPLACE INTO electrodes "
                "(job_id, channel, electrode, contact_loss_share, verdict, note) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                [(job, *row) for row in electrodes],
            )

    def take_over(self, run: int) -> int:
        """Make a run the continuation of the runs before it that were cut off.

        Returns
        -------
        int
            The first run of the chain; the run itself where the one before came to its end.
        """
        with self.writing() as db:
            row = db.execute(
                "SELECT coalesce(max(id), 0) + 1 AS first FROM runs "
                "WHERE ended_at IS NOT NULL AND id < ?",
                (run,),
            ).fetchone()
            db.execute("UPDATE jobs SET run_id = ? WHERE run_id >= ?", (run, row["first"]))
            return int(row["first"])

    def failures_since(self, job: int, first_run: int) -> list[Kind]:
        """List how tries at a recording failed from a run on, oldest first."""
        rows = self.rows(
            "SELECT kind FROM attempts WHERE job_id = ? AND run_id >= ? ORDER BY id",
            (job, first_run),
        )
        kinds = [Kind(row["kind"]) for row in rows if row["kind"] != State.WORKING]
        return [kind for kind in kinds if kind.counts]

    def interrupt_working(self) -> int:
        """Put back what a killed run was working on; that does not count as a failed try."""
        with self.writing() as db:
            db.execute(
                "UPDATE attempts SET kind = ? WHERE kind = ?", (Kind.INTERRUPTED, State.WORKING)
            )
            return db.execute(
                "UPDATE jobs SET state = 'waiting', interruptions = interruptions + 1, "
                "reason = ? WHERE state = 'working'",
                (Kind.INTERRUPTED,),
            ).rowcount

    @staticmethod
    def _close_attempt(db: sqlite3.Connection, ended: Try) -> None:
        """Complete the attempt that `begin_try` opened."""
        db.execute(
            "UPDATE attempts SET kind = ?, seconds = ?, detail = ?, peak_mb = ?, host = ? "
            "WHERE job_id = ? AND kind = ?",
            (
                ended.kind,
                round(ended.seconds, 2),
                ended.detail,
                round(ended.peak_mb, 1),
                ended.host,
                ended.job,
                State.WORKING,
            ),
        )


def _columns(stamp: Stamp) -> tuple[int, int, int]:
    """Give a stamp as column values."""
    return stamp.size, stamp.mtime_ns, stamp.inode
