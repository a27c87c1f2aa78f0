"""Scratch folders: gone when the work is done, and swept up when a run was killed."""

import fcntl
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from cleanspan.atomic import is_alive, scratch_error

PREFIX = "cleanspan-"
LOCK = "in-use"
"""File that a scratch folder's owner holds a lock on; the owner's death releases it."""
STALE_S = 86_400.0
"""A scratch folder whose owner cannot be asked (no lock file, or a file system without locks) is
left over when nobody wrote to it for a day and its process is gone."""


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """Give a folder for scratch files; it is deleted at the end of the block.

    Its place is the system's temporary folder (the variable TMPDIR chooses another): a recording
    of 24 h with 19 channels needs about 1 GB there.

    Raises
    ------
    OutputError
        If there is no room for it.
    """
    sweep()
    try:
        folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-"))
    except OSError as error:
        raise scratch_error(Path(tempfile.gettempdir()), error) from error
    try:
        with _held(folder / LOCK):
            yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _held(lock: Path) -> Iterator[None]:
    """Hold a lock while the block runs; where it cannot be had, `STALE_S` decides later."""
    descriptor = -1
    with suppress(OSError):
        descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    try:
        yield
    finally:
        if descriptor >= 0:
            os.close(descriptor)


def sweep(place: Path | None = None) -> None:
    """Delete scratch folders that killed runs left behind: they hold features of people's EEG.

    Parameters
    ----------
    place : Path, optional
        The system's temporary folder by default.
    """
    for folder in (place or Path(tempfile.gettempdir())).glob(f"{PREFIX}*-*"):
        pid = folder.name.removeprefix(PREFIX).split("-")[0]
        if pid.isdigit() and not is_alive(int(pid)) and (_let_go(folder) or _is_stale(folder)):
            shutil.rmtree(folder, ignore_errors=True)


def _let_go(folder: Path) -> bool:
    """Whether the lock is free. A process's number alone says nothing of another container."""
    try:
        with (folder / LOCK).open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _is_stale(folder: Path) -> bool:
    """Whether nobody wrote to a folder for long."""
    try:
        return time.time() - folder.stat().st_mtime > STALE_S
    except OSError:
        return False
