"""The small records that travel between the night's parts and processes."""

import dataclasses
import json
import math
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from cleanspan.config import Config
from cleanspan.export.cells import readable
from cleanspan.night.content import Stamp
from cleanspan.screen import Outcome


class Kind(StrEnum):
    """How a try at one recording ended."""

    DONE = "done"
    BAD = "bad recording"
    CRASHED = "crashed"
    HUNG = "too slow"
    MEMORY = "too much memory"
    NO_ROOM = "no disk space"
    SET_UP = "wrong set-up"
    VANISHED = "file vanished"
    CHANGED = "file changed"
    STOPPED = "run stopped"
    INTERRUPTED = "run killed"
    LOST = "worker lost"

    @property
    def counts(self) -> bool:
        """Whether the recording itself may be to blame, so that the try counts."""
        return self in (Kind.BAD, Kind.CRASHED, Kind.HUNG, Kind.MEMORY)

    @property
    def worth_repeating(self) -> bool:
        """Whether a second try in the same night can go better."""
        return self in (Kind.CRASHED, Kind.HUNG, Kind.MEMORY, Kind.LOST)


class State(StrEnum):
    """Where one recording's screening under one model and configuration stands."""

    WAITING = "waiting"
    WORKING = "working"
    PLACING = "placing"
    DONE = "done"
    FAILED = "failed"
    QUARANTINED = "quarantined"


@dataclass(frozen=True, slots=True)
class Found:
    """A file that an inbox holds."""

    path: Path
    inbox: Path
    stamp: Stamp

    @property
    def key(self) -> str:
        """The path as a text that SQLite stores, bytes that are not UTF-8 spelled out."""
        return readable(self.path)


@dataclass(frozen=True, slots=True)
class Task:
    """One recording to screen, as a worker gets it.

    Attributes
    ----------
    job : int
        The ledger's number.
    path : str
    stamp : Stamp
        The file as it was when its content was identified.
    alias : str
        Stem to give the results instead of the file's own; empty to keep that.
    staging : str
        Folder of the results-to-be; the worker makes its own folder in it.
    scratch : bool
        Whether passing files go below the staging folder too; else, on a cluster, to the
        temporary folder of the machine that screens.
    work : str
        ``module:function`` that screens; `cleanspan.screen.screen_recording` but for tests.
    """

    job: int
    path: str
    stamp: Stamp
    alias: str
    staging: str
    config: Config
    model: str
    scratch: bool
    memory_mb: int
    time_limit_s: float
    work: str


@dataclass(frozen=True, slots=True)
class Try:
    """How one try at one recording ended.

    Attributes
    ----------
    staged : str
        Folder of its results, where kind is `Kind.DONE`.
    detail : str
        For the person who looks into it: the end of the worker's error output.
    """

    job: int
    kind: Kind
    outcome: Outcome | None = None
    staged: str = ""
    error: str = ""
    detail: str = ""
    seconds: float = 0.0
    peak_mb: float = 0.0
    host: str = ""


def outcome_to_json(outcome: Outcome) -> str:
    """Write an outcome as strict JSON: unknown numbers become null."""
    values = dataclasses.asdict(outcome)
    values["folder"] = None if outcome.folder is None else readable(outcome.folder)
    values["shares"] = {key: _number(value) for key, value in outcome.shares.items()}
    values = {key: _number(value) for key, value in values.items()}
    return json.dumps(values, allow_nan=False)


def outcome_from_json(text: str) -> Outcome:
    """Read what `outcome_to_json` wrote; fields this version does not know are left out."""
    values: dict[str, Any] = json.loads(text)
    known = {item.name: item for item in dataclasses.fields(Outcome)}
    kept = {key: value for key, value in values.items() if key in known and value is not None}
    kept = {key: tuple(value) if isinstance(value, list) else value for key, value in kept.items()}
    if "folder" in kept:
        kept["folder"] = Path(kept["folder"])
    nan = float("nan")
    kept["shares"] = {
        key: nan if value is None else value for key, value in kept.get("shares", {}).items()
    }
    return Outcome(**kept)


def _number(value: object) -> object:
    """Replace a number that JSON does not know."""
    return None if isinstance(value, float) and not math.isfinite(value) else value
