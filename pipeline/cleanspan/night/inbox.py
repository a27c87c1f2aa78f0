"""What the inboxes hold: recordings that are ready, and files that are still growing."""

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from cleanspan.atomic import UNFINISHED
from cleanspan.errors import ConfigError
from cleanspan.export.cells import readable
from cleanspan.night.config import CODE, NightConfig
from cleanspan.night.content import Stamp, stamp_of
from cleanspan.night.records import Found
from cleanspan.recording.opening import RECORDING_SUFFIXES

OWN_MARKS = ("*_marked.edf", "*_marked.bdf")
"""Copies with our marks, wherever somebody put them: never screened."""


@dataclass(frozen=True, slots=True)
class Look:
    """One look at all inboxes.

    Attributes
    ----------
    found : tuple of Found
        Recordings by name, in order of path.
    problems : tuple of str
        One line for each folder that could not be read.
    strange : tuple of Path
        What is named like a recording and is no file: pipes, devices, folders without a recording.
    """

    found: tuple[Found, ...]
    problems: tuple[str, ...]
    strange: tuple[Path, ...] = ()


def check_inboxes(config: NightConfig) -> None:
    """Refuse to begin where none of the inboxes is there; one of several is told, not refused.

    Raises
    ------
    ConfigError
        With a line for each.
    """
    if not any(inbox.is_dir() for inbox in config.inboxes):
        raise ConfigError([_missing(inbox) for inbox in config.inboxes])


def _missing(inbox: Path) -> str:
    got = "a file" if inbox.exists() else "nothing there"
    return f"{readable(inbox)}: an inbox must be a folder, got: {got}; is its disk mounted?"


def look(config: NightConfig) -> Look:
    """Search the inboxes; a folder that cannot be read becomes a problem, not an error."""
    found: dict[Path, Found] = {}
    problems: list[str] = []
    strange: list[Path] = []
    for inbox in config.inboxes:
        if not inbox.is_dir():
            problems.append(_missing(inbox))
            continue
        for item in _search(inbox, config, problems, strange):
            found.setdefault(item.path, item)
    holding = {folder for path in found for folder in path.parents}
    return Look(
        tuple(found[path] for path in sorted(found)),
        tuple(problems),
        tuple(path for path in dict.fromkeys(sorted(strange)) if path not in holding),
    )


def _search(
    inbox: Path, config: NightConfig, problems: list[str], strange: list[Path]
) -> Iterator[Found]:
    """Walk one inbox without following linked folders, without entering our own output."""
    output = config.output_folder.resolve()

    def remember(error: OSError) -> None:
        hidden = config.page.names == CODE or not error.filename
        place = readable(inbox if hidden else error.filename)
        problems.append(f"{place}: a folder of the inbox must be readable, got: {error.strerror}")

    for folder, below, names in os.walk(inbox, onerror=remember):
        here = Path(folder)
        below[:] = sorted(
            name
            for name in below
            if not name.startswith((".", UNFINISHED)) and (here / name).resolve() != output
        )
        strange += [here / name for name in below if _is_named(here / name, inbox, config)]
        for name in sorted(names):
            path = here / name
            if not wanted(path.relative_to(inbox), config.include, config.exclude):
                continue
            try:
                status = path.stat()
            except OSError as error:
                remember(error)
                continue
            if not stat.S_ISREG(status.st_mode):
                strange += [path] if _is_named(path, inbox, config) else []
            elif not path.resolve().is_relative_to(output):
                yield Found(path, inbox, stamp_of(path))


def _is_named(path: Path, inbox: Path, config: NightConfig) -> bool:
    """Whether something has a recording's name; fitting a pattern such as ``*`` is not enough."""
    below = path.relative_to(inbox)
    named = path.suffix.lower() in RECORDING_SUFFIXES
    return named and wanted(below, config.include, config.exclude)


def wanted(path: Path, include: tuple[str, ...], exclude: tuple[str, ...]) -> bool:
    """Tell by name whether a file below the inbox is a recording to screen.

    A pattern is compared with the name and with the path below the inbox, whatever the case.
    Hidden files are left out: copying programs use them while they copy.
    """
    texts = (path.name.lower(), path.as_posix().lower())

    def matches(patterns: tuple[str, ...]) -> bool:
        return any(fnmatchcase(text, item.lower()) for item in patterns for text in texts)

    if path.name.startswith(".") or matches(OWN_MARKS):
        return False
    return matches(include) and not matches(exclude)


def settled(
    stamp: Stamp, *, now_s: float, settle_s: float, before: tuple[Stamp, float] | None
) -> bool:
    """Tell whether a file has stopped growing.

    Parameters
    ----------
    stamp : Stamp
        The file now.
    now_s : float
        The clock, in seconds since 1970.
    before : (Stamp, float) or None
        The file and the clock when an earlier night looked.

    Notes
    -----
    Normally the time of the last change decides. A time in the future (a clock was set back, or
    the amplifier's clock is wrong) says nothing; then a file that is as an earlier night saw it,
    at least `settle_s` ago or "later than now", has settled.
    """
    changed_s = stamp.mtime_ns / 1e9
    if changed_s <= now_s:
        return now_s - changed_s >= settle_s
    if before is None or before[0] != stamp:
        return False
    return now_s - before[1] >= settle_s or before[1] > now_s
