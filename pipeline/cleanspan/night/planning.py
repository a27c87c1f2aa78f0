"""From a look at the inboxes to the list of recordings to screen."""

import logging
import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import joblib

from cleanspan.export.cells import safe_stem
from cleanspan.night.config import NightConfig
from cleanspan.night.content import stamp_of
from cleanspan.night.history import local_date
from cleanspan.night.inbox import look, settled
from cleanspan.night.ledger import Ledger
from cleanspan.night.names import Names, code
from cleanspan.night.noticed import gone_results, of_gone, of_strange
from cleanspan.night.placing import place_name
from cleanspan.night.records import Found, State, Task
from cleanspan.recording.content import digest_of

_log = logging.getLogger(__name__)
_READERS = 2
"""Files read at once to identify their content; more would only make the disk seek."""


@dataclass(frozen=True, slots=True)
class Request:
    """What this run is asked to do beyond the new recordings.

    Attributes
    ----------
    again : bool
        Also screen recordings whose results come from another model or configuration, or are
        gone from their place ...
    since, until : date or None
        ... if they came in on these days, both included.
    release : bool
        Also try again what is in quarantine.
    cluster : str
        A Dask scheduler's address; empty for this machine.
    """

    again: bool = False
    since: date | None = None
    until: date | None = None
    release: bool = False
    cluster: str = ""

    def covers(self, came_in: date) -> bool:
        """Tell whether a recording that came in that day is to be screened again."""
        return (
            self.again
            and (self.since is None or came_in >= self.since)
            and (self.until is None or came_in <= self.until)
        )


@dataclass(frozen=True, slots=True)
class Model:
    """The model of this run, chosen at its start.

    Attributes
    ----------
    folder : str
    fingerprint : str
    """

    folder: str
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Unread:
    """A file that could not be read to identify it."""

    name: str
    error: str
    nights: int


@dataclass(slots=True)
class Plan:
    """What a look at the inboxes led to.

    Attributes
    ----------
    tasks : list of Task
    last_try : set of int
        Jobs among them that failed in a run that was cut off and this one continues: one more
        try is all that they would have had there.
    settled : int
        Recordings that such a run brought to their end.
    held : list of str
        Names of files that may still be growing.
    gone : list of str
        Names of recordings that wait to be screened but are in no inbox any more.
    remarks : list of str
        What else was noticed, one sentence each.
    other : int
        Recordings here whose results come from another model or configuration.
    """

    found: int = 0
    tasks: list[Task] = field(default_factory=list)
    last_try: set[int] = field(default_factory=set)
    settled: int = 0
    held: list[str] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    problems: tuple[str, ...] = ()
    remarks: list[str] = field(default_factory=list)
    other: int = 0


@dataclass(frozen=True, slots=True)
class Planner:
    """Decides what to screen.

    Attributes
    ----------
    settings : str
        Fingerprint of the screening configuration.
    work : str
        What the workers call.
    cluster : bool
        Whether they run on other machines.
    """

    ledger: Ledger
    config: NightConfig
    names: Names
    model: Model
    settings: str
    work: str
    cluster: bool

    def plan(self, request: Request, staging: Path, *, first_run: int) -> Plan:
        """Look at the inboxes, identify what is new, and list the work.

        Parameters
        ----------
        first_run : int
            The first of the cut-off runs that this one continues, else this run.
        """
        seen = look(self.config)
        plan = Plan(found=len(seen.found), problems=seen.problems)
        if seen.strange:
            plan.remarks.append(of_strange(seen.strange, self.names))
            _log.warning("passed over, no file", extra={"entries": len(seen.strange)})
        present = self._identified(seen.found, plan)
        self._reopen_gone(present, request, plan)
        if request.release:
            self.ledger.release()
        wanted: list[tuple[int, str, Found]] = []
        for digest, found in present.items():
            interruptions = self._wanted(digest, request, plan, first_run)
            if interruptions is not None:
                wanted.append((interruptions, digest, found))
        # What was at work when a run was killed may have been the reason: it comes last.
        wanted.sort(key=lambda item: item[0])
        plan.tasks += [self._task(digest, found, staging) for _, digest, found in wanted]
        plan.gone += self._gone(present)
        plan.settled = self._settled({task.job for task in plan.tasks})
        return plan

    def _reopen_gone(self, present: Mapping[str, Found], request: Request, plan: Plan) -> None:
        """Take up again what has lost its results where that is asked for; else say so."""
        gone = gone_results(self.ledger, self.config.output_folder, present)
        left = [row for row in gone if not request.covers(local_date(row["first_seen"]))]
        for row in gone:
            if row not in left and (row["model"], row["config"]) == self._key():
                self.ledger.reopen(row["id"])
        if left:
            plan.remarks.append(of_gone(left, self.names))
            _log.warning("results are gone", extra={"recordings": len(left)})

    def _identified(self, files: Sequence[Found], plan: Plan) -> dict[str, Found]:
        """Find out the content of every settled file, reading only those that are not known."""
        now_s = time.time()
        present: dict[str, Found] = {}
        unknown: list[Found] = []
        for found in files:
            digest = self.ledger.known(found)
            if digest:
                present.setdefault(digest, found)
                continue
            before = self.ledger.last_look(found)
            if settled(found.stamp, now_s=now_s, settle_s=self.config.settle_s, before=before):
                unknown.append(found)
            else:
                self._hold(
                    found, plan, now_s=None if before and before[0] == found.stamp else now_s
                )
        for found, read in _digests(unknown):
            if isinstance(read, OSError):
                self._unread(found, read, plan, now_s)
            elif _moved_on(found):
                self._hold(found, plan, now_s=now_s)
            else:
                name = code(read) if self.names.hidden else safe_stem(found.path.name)
                self.ledger.note_content(found, read, name=place_name(name), now_s=now_s)
                present.setdefault(read, found)
        return present

    def _hold(self, found: Found, plan: Plan, *, now_s: float | None) -> None:
        """Leave a file for a later run; note how it stands unless that is noted already."""
        name = self.names.of_file(found.path, found.stamp)
        plan.held.append(name)
        if now_s is not None:
            self.ledger.note_file(found, now_s=now_s)
        _log.info("left for next time, may still be growing", extra={"recording": name})

    def _unread(self, found: Found, error: OSError, plan: Plan, now_s: float) -> None:
        """Note a file that could not be read."""
        text = f"the file must be readable, got: {error.strerror or error}"
        nights = self.ledger.note_file(found, now_s=now_s, problem=text)
        name = self.names.of_file(found.path, found.stamp)
        plan.unread.append(Unread(name, text, nights))
        _log.error("cannot be read", extra={"recording": name, "error": text})

    def _wanted(self, digest: str, request: Request, plan: Plan, first_run: int) -> int | None:
        """Tell whether a content is to be screened now; how often that was interrupted, if so."""
        rows = self.ledger.rows(
            "SELECT j.*, first_seen FROM contents c LEFT JOIN jobs j USING (digest) "
            "WHERE digest = ?",
            (digest,),
        )
        own = [r for r in rows if (r["model"], r["config"]) == self._key()]
        if own:
            return self._own_wanted(own[0], plan, first_run)
        if any(row["state"] == State.DONE for row in rows):
            plan.other += 1
            if not request.covers(local_date(rows[0]["first_seen"])):
                return None
            plan.other -= 1
        self.ledger.add_job(digest, model=self.model.fingerprint, config=self.settings)
        return 0

    def _own_wanted(self, job: sqlite3.Row, plan: Plan, first_run: int) -> int | None:
        """Tell the same of a content that this model and configuration have met before."""
        if job["state"] not in (State.WAITING, State.FAILED):
            return None
        failures = self.ledger.failures_since(job["id"], first_run)
        if failures and (len(failures) > 1 or not failures[-1].worth_repeating):
            return None
        if failures:
            plan.last_try.add(job["id"])
        return int(job["interruptions"])

    def _key(self) -> tuple[str, str]:
        """Model and configuration of this run."""
        return self.model.fingerprint, self.settings

    def _task(self, digest: str, found: Found, staging: Path) -> Task:
        """Write down one recording's work."""
        job = self.ledger.rows(
            "SELECT id FROM jobs WHERE digest = ? AND model = ? AND config = ?",
            (digest, *self._key()),
        )[0]["id"]
        return Task(
            job=job,
            path=str(found.path),
            stamp=found.stamp,
            alias=code(digest) if self.names.hidden else "",
            staging=str(staging),
            config=self.config.screen,
            model=self.model.folder,
            scratch=not self.cluster,
            memory_mb=self.config.limits.memory_mb,
            time_limit_s=self.config.limits.time_limit_s,
            work=self.work,
        )

    def _settled(self, tasks: set[int]) -> int:
        """Count what the runs before, which this one continues, brought to an end."""
        query = "SELECT id FROM jobs WHERE run_id = (SELECT max(id) FROM runs)"
        return sum(row["id"] not in tasks for row in self.ledger.rows(query))

    def _gone(self, present: dict[str, Found]) -> list[str]:
        """Name the recordings that still wait but are in no inbox any more."""
        rows = self.ledger.rows(
            "SELECT digest, name FROM jobs JOIN contents USING (digest) "
            "WHERE model = ? AND config = ? AND state IN ('waiting', 'failed')",
            self._key(),
        )
        return [
            self.names.of_content(row["digest"], row["name"])
            for row in rows
            if row["digest"] not in present
        ]


def _digests(files: Sequence[Found]) -> Iterator[tuple[Found, str | OSError]]:
    """Identify contents, some at a time."""
    results = joblib.Parallel(n_jobs=_READERS, backend="threading", return_as="generator")(
        joblib.delayed(_digest)(found.path) for found in files
    )
    yield from zip(files, results, strict=True)


def _digest(path: Path) -> str | OSError:
    """Identify one content, or say why not."""
    try:
        return digest_of(path)
    except OSError as error:
        return error


def _moved_on(found: Found) -> bool:
    """Tell whether a file changed while it was read."""
    try:
        return stamp_of(found.path) != found.stamp
    except OSError:
        return True
