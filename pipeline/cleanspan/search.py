"""Which recordings files and folders name, and what in a folder is none."""

import logging
from collections.abc import Iterator, Sequence
from pathlib import Path

from cleanspan.errors import UsageError
from cleanspan.export.facts import is_facts

log = logging.getLogger(__name__)


def find_recordings(paths: Sequence[Path], out: Path) -> list[Path]:
    """List the recordings that files and folders name, each once, in order.

    Folders are searched at every depth. Results of earlier runs, hidden files and folders (names
    that begin with a dot) and linked folders are passed over; what has a recording's name but is
    no file is told.

    Parameters
    ----------
    paths : sequence of Path
    out : Path
        The output folder; nothing in it is a recording to screen.

    Raises
    ------
    UsageError
        If a path does not exist, or none holds a recording.
    """
    missing = [path for path in paths if not path.exists()]
    if missing:
        raise UsageError(
            "every path must exist, got: "
            + ", ".join(str(path) for path in missing)
            + "; check the spelling"
        )
    odd = [path for path in paths if not (path.is_file() or path.is_dir())]
    if odd:
        raise UsageError(
            f"{odd[0]}: a recording must be a file or a folder, got neither (a pipe or a device); "
            "copy it into a file first"
        )
    found: dict[Path, Path] = {}
    for path in paths:
        for candidate in [path] if _is_recording_folder(path) else _inside(path, out.resolve()):
            found.setdefault(candidate.resolve(), candidate)
    if not found:
        from cleanspan.recording.opening import RECORDING_SUFFIXES

        raise UsageError(
            f"a folder must hold a file ending in one of {' '.join(RECORDING_SUFFIXES)}, got none "
            f"in: {', '.join(str(path) for path in paths)}"
        )
    return list(found.values())


def _is_recording_folder(path: Path) -> bool:
    """Whether a path is itself the recording: a file, or a format that is a folder."""
    return path.is_file() or path.suffix.lower() == ".mff"


def _inside(folder: Path, out: Path) -> Iterator[Path]:
    """List the recordings in a folder, at every depth, results left aside."""
    from cleanspan.recording.opening import RECORDING_SUFFIXES

    try:
        entries = sorted(folder.iterdir())
    except OSError as error:
        raise UsageError(
            f"{folder}: a folder must be readable to be searched, got: {error.strerror}; "
            "mend its permissions or name the recordings"
        ) from error
    if holds_results(entries):
        return
    for entry in entries:
        # Hidden ones are a program's own: .git, .venv, the ._x.edf that macOS leaves beside x.edf.
        if entry.name.startswith(".") or _followed(entry) in (None, out):
            continue
        named = entry.suffix.lower() in RECORDING_SUFFIXES
        if entry.is_file() or (entry.suffix.lower() == ".mff" and entry.is_dir()):
            yield from [entry] if named else ()
        elif entry.is_dir():
            yield from _below(entry, out, named=named)
        elif named:
            _pass_over(entry, "a pipe, a socket or a device; copy it into a file")


def _below(folder: Path, out: Path, *, named: bool) -> Iterator[Path]:
    """List the recordings in a folder that was found; `named` where it has a recording's name."""
    if folder.is_symlink():
        if named:
            _pass_over(folder, "a link to a folder; name that folder")
        return
    empty = True
    for found in _inside(folder, out):
        empty = False
        yield found
    if named and empty and not holds_results(list(folder.iterdir())):
        _pass_over(folder, "a folder without any in it")


def _pass_over(entry: Path, got: str) -> None:
    """Say that something has a recording's name and is none."""
    log.warning("%s: passed over, for a recording must be a file, got %s", entry, got)


def _followed(entry: Path) -> Path | None:
    """Follow an entry's links; None where they lead in a circle, or where we may not look."""
    try:
        return entry.resolve(strict=True)
    except FileNotFoundError:
        return None
    except (OSError, RuntimeError) as error:
        # Python 3.11 and 3.12 call a circle a RuntimeError.
        why = getattr(error, "strerror", None) or "a link in a circle"
        log.warning("%s: passed over, for it leads nowhere: %s", entry, why)
        return None


def holds_results(entries: Sequence[Path]) -> bool:
    """Whether the entries of a folder are one recording's results."""
    return any(is_facts(entry) for entry in entries)
