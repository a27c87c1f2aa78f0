"""How a run went: what the page, the summary line and the command afterwards tell."""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from cleanspan.night.history import Line
from cleanspan.night.planning import Plan, Unread
from cleanspan.night.records import Kind, State

_NOT_THE_RECORDING = (Kind.NO_ROOM, Kind.SET_UP, Kind.VANISHED, Kind.LOST)
"""Reasons for which a recording waits although the night should have brought its result."""


@dataclass(slots=True)
class Account:
    """How a run went, filled while it goes.

    Attributes
    ----------
    remarks : list of str
        What else the reader should know, one sentence each.
    finished : bool
        Whether the run came to its end; a page without that is of a run that goes on or was
        killed.
    """

    run: int
    started_at: str
    model: str
    remarks: list[str] = field(default_factory=list)
    planned: int = 0
    held: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    problems: tuple[str, ...] = ()
    other: int = 0
    stopped: bool = False
    finished: bool = False
    seconds: float = 0.0
    status: int = 0
    counts: dict[str, int] = field(default_factory=dict)

    @property
    def started(self) -> datetime:
        """When the run began, in this machine's time."""
        return datetime.fromisoformat(self.started_at).astimezone()

    @property
    def folder(self) -> str:
        """Name of the run's folder below ``nights``."""
        return f"{self.started:%Y-%m-%d}-run{self.run}"

    def take(self, plan: Plan) -> None:
        """Take over what the look at the inboxes found."""
        self.planned = len(plan.tasks) + plan.settled
        self.held, self.gone, self.unread = plan.held, plan.gone, plan.unread
        self.problems, self.other = plan.problems, plan.other
        self.remarks += plan.remarks
        self.counts = {"found": plan.found, "new": self.planned}

    def count(self, tonight: Sequence[Line], *, attempts: int) -> None:
        """Count what became of the work and draw the exit status from it.

        Parameters
        ----------
        tonight : sequence of Line
            The recordings that this run worked on.
        attempts : int
            After this many nights an unreadable file is no news any more.
        """
        done = sum(line.state == State.DONE for line in tonight)
        failed = sum(wanting(line) for line in tonight)
        self.counts |= {
            "done": done,
            "failed": failed,
            "quarantined": sum(line.state == State.QUARANTINED for line in tonight),
            "left": max(0, self.planned - done - failed),
            "held": len(self.held),
            "unread": len(self.unread),
        }
        news = any(item.nights <= attempts for item in self.unread)
        wrong = failed or news or self.problems or self.stopped
        self.status = 1 if wrong else 0


def wanting(line: Line) -> bool:
    """Tell whether a recording should have a result after the night and has none."""
    if line.state in (State.FAILED, State.QUARANTINED):
        return True
    return line.state == State.WAITING and line.reason in _NOT_THE_RECORDING


def as_facts(account: Account) -> dict[str, object]:
    """Give the account as plain values, without the names of recordings."""
    return {
        "status": account.status,
        **account.counts,
        "stopped": account.stopped,
        "seconds": round(account.seconds),
        "model": account.model,
        "remarks": list(account.remarks),
        "problems": list(account.problems),
        "unread": [dataclasses.asdict(item) for item in account.unread],
    }
