"""What the ledger tells: lists of recordings, tries, runs, and the electrodes' trend."""

import sqlite3
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from fnmatch import fnmatchcase
from pathlib import Path

from cleanspan.errors import damage
from cleanspan.features.registry import FEWEST_COMPARED
from cleanspan.night.names import Names, code
from cleanspan.night.records import outcome_from_json
from cleanspan.screen import Outcome


@dataclass(frozen=True, slots=True)
class Line:
    """One recording under one model and configuration.

    Attributes
    ----------
    folder : str
        Its results below the output folder; empty where there are none (any more).
    current : bool
        Whether these are the results at the recording's own place, not earlier ones.
    came_in : date
        The local date when its content was first seen.
    """

    job: int
    digest: str
    name: str
    place: str
    inbox: str
    size: int
    came_in: date
    model: str
    config: str
    state: str
    attempts: int
    interruptions: int
    reason: str
    error: str
    run: int | None
    ended_at: str
    folder: str
    outcome: Outcome | None

    @property
    def current(self) -> bool:
        """Whether the results stand at the recording's own place."""
        return self.state == "done" and self.folder == self.place

    @property
    def code(self) -> str:
        """The name that does not give the file's name away."""
        return code(self.digest)


@dataclass(frozen=True, slots=True)
class Selection:
    """Which lines to list; empty fields select everything.

    Attributes
    ----------
    name : str
        Pattern for the file's name, its place or its code.
    since, until : date or None
        When it came in, both days included.
    """

    state: str = ""
    name: str = ""
    model: str = ""
    since: date | None = None
    until: date | None = None
    run: int | None = None

    def takes(self, line: Line) -> bool:
        """Tell whether a line is selected."""
        texts = [text.lower() for text in (line.name, line.place, line.code)]
        pattern = self.name.lower()
        named = not pattern or any(
            fnmatchcase(text, pattern) or text.startswith(pattern) for text in texts
        )
        return (
            named
            and self.state in ("", line.state)
            and line.model.startswith(self.model)
            and (self.since is None or line.came_in >= self.since)
            and (self.until is None or line.came_in <= self.until)
            and self.run in (None, line.run)
        )


def lines(db: sqlite3.Connection, selection: Selection = Selection()) -> list[Line]:
    """List recordings in the order in which they came in."""
    rows = db.execute("SELECT * FROM jobs JOIN contents USING (digest) ORDER BY first_seen, id")
    return [line for line in map(_line, rows) if selection.takes(line)]


def _line(row: sqlite3.Row) -> Line:
    """Build a line out of a row."""
    return Line(
        job=row["id"],
        digest=row["digest"],
        name=row["name"],
        place=row["place"],
        inbox=row["inbox"],
        size=row["size"],
        came_in=local_date(row["first_seen"]),
        model=row["model"],
        config=row["config"],
        state=row["state"],
        attempts=row["attempts"],
        interruptions=row["interruptions"],
        reason=row["reason"],
        error=row["error"],
        run=row["run_id"],
        ended_at=row["ended_at"] or "",
        folder=row["folder"] or "",
        outcome=_outcome(row["outcome"]),
    )


def _outcome(text: str | None) -> Outcome | None:
    """Read what became of a recording.

    Raises
    ------
    sqlite3.DatabaseError
        If it cannot be read: the ledger is damaged then, although SQLite does not see it.
    """
    try:
        return outcome_from_json(text) if text else None
    except (ValueError, TypeError, AttributeError) as error:
        raise sqlite3.DatabaseError(f"an outcome with {damage(error)}") from error


def local_date(utc: str) -> date:
    """Give this machine's date of a time in the ledger."""
    return datetime.fromisoformat(utc).astimezone().date()


def summary(found: Sequence[Line], names: Names) -> list[Outcome]:
    """Turn lines into rows of ``summary.csv``, one a place: its result, or why there is none."""
    rows: dict[str, Outcome] = {}
    for line in found:
        if line.current and line.outcome is not None:
            # The result was made elsewhere and then put into its place: that is the folder told.
            rows[line.place] = replace(line.outcome, folder=Path(line.folder))
    for line in found:
        if line.state in ("failed", "quarantined") and line.place not in rows:
            shown = names.of_content(line.digest, line.name)
            rows[line.place] = Outcome(
                shown, "failed", model=line.model, config=line.config, error=line.error
            )
    return [rows[place] for place in sorted(rows)]


@dataclass(frozen=True, slots=True)
class Attempt:
    """One try at one recording."""

    run: int
    started_at: str
    kind: str
    seconds: float | None
    peak_mb: float | None
    host: str
    detail: str


def attempts(db: sqlite3.Connection, job: int) -> list[Attempt]:
    """List the tries at one recording, oldest first."""
    rows = db.execute("SELECT * FROM attempts WHERE job_id = ? ORDER BY id", (job,))
    return [
        Attempt(
            row["run_id"],
            row["started_at"],
            row["kind"],
            row["seconds"],
            row["peak_mb"],
            row["host"],
            row["detail"],
        )
        for row in rows
    ]


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the night."""

    run: int
    started_at: str
    ended_at: str
    host: str
    version: str
    model: str
    config: str
    status: int | None
    counts: str


def runs(db: sqlite3.Connection) -> list[Run]:
    """List the runs, newest first."""
    return [
        Run(
            row["id"],
            row["started_at"],
            row["ended_at"] or "",
            row["host"],
            row["version"],
            row["model"],
            row["config"],
            row["status"],
            row["counts"],
        )
        for row in db.execute("SELECT * FROM runs ORDER BY id DESC")
    ]


@dataclass(frozen=True, slots=True)
class Trend:
    """One electrode over the last nights.

    Attributes
    ----------
    shares : tuple of float
        Share of recorded time without contact, one a night, oldest first; NaN where the night
        had no recording with this electrode.
    mend : tuple of bool
        Whether any recording of that night called for mending it.
    recordings, to_mend : int
        The last night's recordings with this electrode, and those that call for mending it.
    called : tuple of str
        That night's channel labels that spell the electrode another way (T4 for T8).
    notes : tuple of (str, int)
        What else that night's recordings say about it, and how many of them.
    few : int
        Those of the recordings to mend it in that have too few channels to compare.
    """

    inbox: str
    electrode: str
    shares: tuple[float, ...]
    mend: tuple[bool, ...]
    notes: tuple[tuple[str, int], ...] = ()
    recordings: int = 0
    to_mend: int = 0
    called: tuple[str, ...] = ()
    few: int = 0

    @property
    def nights_in_a_row(self) -> int:
        """How many nights up to the last it has been in need of mending without a break."""
        count = 0
        for needed, share in zip(reversed(self.mend), reversed(self.shares), strict=True):
            if share == share:  # a night without this electrode breaks nothing
                if not needed:
                    break
                count += 1
        return count


def trends(db: sqlite3.Connection, *, nights: int) -> tuple[list[date], list[Trend]]:
    """Follow the electrodes of each inbox over the nights in which recordings came in.

    A recording belongs to the night it came in, whenever it was screened (again), and counts by
    its length; of several results its current one counts.

    Returns
    -------
    list of date
        The last nights with results, oldest first.
    list of Trend
        Electrodes to mend first on top: those that call for mending in the last night, by the
        time lost.
    """
    query = (
        "SELECT c.first_seen, c.inbox, j.outcome, e.electrode, e.contact_loss_share, e.verdict, "
        "e.note, e.channel FROM electrodes e JOIN jobs j ON j.id = e.job_id "
        "JOIN contents c USING (digest) "
        "WHERE j.state = 'done' AND j.folder = c.place AND c.first_seen >= ?"
    )
    first = _first_day(db, nights)
    rows = [(local_date(row["first_seen"]), row) for row in db.execute(query, (first,))]
    dates = sorted({day for day, _ in rows})[-nights:]
    found: dict[tuple[str, str], list[tuple[date, sqlite3.Row]]] = {}
    for day, row in rows:
        if day in dates:
            found.setdefault((row["inbox"], row["electrode"]), []).append((day, row))
    made = [_trend(*key, dates, seen) for key, seen in found.items()]
    return dates, sorted(made, key=_urgency)


def _first_day(db: sqlite3.Connection, nights: int) -> str:
    """Find from which UTC day on recordings matter; a day early, for local dates may differ."""
    days = db.execute(
        "SELECT DISTINCT substr(first_seen, 1, 10) AS day FROM contents JOIN jobs USING (digest) "
        "WHERE state = 'done' AND folder = place ORDER BY day DESC LIMIT ?",
        (nights + 1,),
    ).fetchall()
    return str(days[-1]["day"]) if days else ""


def _trend(
    inbox: str, electrode: str, dates: list[date], seen: list[tuple[date, sqlite3.Row]]
) -> Trend:
    """Gather one electrode's nights."""
    shares, mend = [], []
    for day in dates:
        tonight = [row for when, row in seen if when == day]
        weights = [_duration(row["outcome"]) for row in tonight]
        lost = sum(
            row["contact_loss_share"] * weight
            for row, weight in zip(tonight, weights, strict=True)
        )
        shares.append(lost / sum(weights) if tonight else float("nan"))
        mend.append(any(row["verdict"] == "mend" for row in tonight))
    last = [row for when, row in seen if when == dates[-1]]
    to_mend = [row for row in last if row["verdict"] == "mend"]
    notes = Counter(note for row in last for note in set(row["note"].split("; ")) if note)
    return Trend(
        inbox,
        electrode,
        tuple(shares),
        tuple(mend),
        tuple(notes.most_common()),
        len(last),
        len(to_mend),
        tuple(sorted({row["channel"] for row in last if not _spells(row["channel"], electrode)})),
        sum(_has_few_channels(row["outcome"]) for row in to_mend),
    )


def _spells(channel: str, electrode: str) -> bool:
    """Tell whether a channel's label shows the electrode's name as we write it."""
    return electrode.lower() in channel.lower()


def _has_few_channels(outcome: str | None) -> bool:
    """Tell whether a recording's channels are too few for comparing them."""
    known = _outcome(outcome)
    return known is not None and 0 < known.channels < FEWEST_COMPARED


def _duration(outcome: str | None) -> float:
    """Read a recording's length; an unknown one counts like a second."""
    known = _outcome(outcome)
    duration_s = known.duration_s if known else float("nan")
    return duration_s if duration_s > 0 else 1.0


def _urgency(trend: Trend) -> tuple[bool, float, str, str]:
    """Sort by need of mending, then by time lost."""
    last = trend.shares[-1]
    return (not trend.mend[-1], -last if last == last else 1.0, trend.inbox, trend.electrode)
