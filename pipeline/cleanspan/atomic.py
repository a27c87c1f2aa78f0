"""Results appear whole or not at all: written beside their place, then renamed."""

import ctypes
import errno
import fcntl
import functools
import os
import secrets
import shutil
from collections.abc import Callable, Collection, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from pathlib import Path

from cleanspan.errors import OutputError

UNFINISHED = ".unfinished-"
"""Prefix of files and folders still being written; safe to delete when no run is active."""

_EXCHANGE = 2
_HERE = -100
"""RENAME_EXCHANGE and AT_FDCWD of Linux's renameat2(2)."""
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def output_error(path: Path, error: OSError) -> OutputError:
    """Say in one line why something could not be written."""
    if error.errno in _NO_ROOM:
        return OutputError(
            f"{path}: the disk must have room for the results, got: {error.strerror}; "
            "free some space and run again (nothing half-written was left)"
        )
    if isinstance(error, FileExistsError | NotADirectoryError):
        place = path.parent if isinstance(error, NotADirectoryError) else path
        return OutputError(
            f"{place}: the output must be a folder, got a file of that name; choose another folder"
        )
    return OutputError(
        f"{path}: the output must be writable, got: {error.strerror or error}; "
        "choose another folder or mend the permissions"
    )


def scratch_error(path: Path, error: OSError) -> OutputError:
    """Say in one line why the scratch folder, which nobody named, could not be used."""
    if error.errno in _NO_ROOM:
        return OutputError(
            f"{path}: the disk must have room for temporary files, got: {error.strerror}; free "
            "some space, or set TMPDIR to a folder on a larger disk, and run again"
        )
    return OutputError(
        f"{path}: the temporary folder must be writable, got: {error.strerror or error}; set "
        "TMPDIR to one that is"
    )


@contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Let no other process that asks the same be in a folder while the block runs.

    For tables that are read, added to and replaced: of two that do so at once, one would lose its
    rows. The folder itself is locked, so no file is left; where it cannot be (some network file
    systems), the block runs all the same.
    """
    descriptor = -1
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
        fcntl.flock(descriptor, fcntl.LOCK_EX)
    try:
        yield
    finally:
        if descriptor >= 0:
            os.close(descriptor)


@contextmanager
def replacing_file(path: Path) -> Iterator[Path]:
    """Give a path beside `path` to write to; rename it over `path` when the block succeeds.

    The path given ends as `path` does. A symbolic link stays a link: what it points to is
    replaced.

    Raises
    ------
    OutputError
        If it cannot be written; no partial file is left.
    """
    place = Path(os.path.realpath(path))
    # The end of a long name is kept (writers go by the suffix); a name has 255 bytes at most.
    beside = place.with_name(f"{UNFINISHED}{_token()}-{place.name[-50:]}")
    try:
        yield beside
        _flush_to_disk(beside)
        os.replace(beside, place)  # noqa: PTH105 - says what it does
        _flush_to_disk(place.parent)
    except OSError as error:
        raise output_error(path, error) from error
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)


@contextmanager
def replacing_folder(
    folder: Path, *, room: Callable[[Path], AbstractContextManager[Path]] | None = None
) -> Iterator[Path]:
    """Give a folder beside `folder` to fill; swap it in when the block succeeds.

    Old and new folder change names in one step where the system can (Linux), so that a run killed
    at any moment leaves the old or the new result under `folder`, never a mixture and never
    nothing. Elsewhere the old folder is moved aside first: a kill between the two renames leaves
    it under a name that begins with `UNFINISHED` and ends in ``-old``.

    Parameters
    ----------
    folder : Path
    room : callable, optional
        Given the complete new folder, holds and gives the place to put it: `folder` itself or one
        beside it.

    Raises
    ------
    OutputError
        If it cannot be written; no partial folder is left.
    """
    place = Path(os.path.realpath(folder))
    token = _token()
    beside = place.with_name(f"{UNFINISHED}{token}-new")
    aside = place.with_name(f"{UNFINISHED}{token}-old")
    try:
        if place.exists() and not place.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
        beside.mkdir(parents=True)
        yield beside
        for item in beside.rglob("*"):
            _flush_to_disk(item)
        _flush_to_disk(beside)
        with nullcontext(place) if room is None else room(beside) as chosen:
            place = Path(os.path.realpath(chosen))
            _put_in_place(beside, place, aside)
        _flush_to_disk(place.parent)
    except OSError as error:
        raise output_error(folder, error) from error
    finally:
        if aside.exists() and not place.exists():
            os.replace(aside, place)  # noqa: PTH105
        shutil.rmtree(beside, ignore_errors=True)
        shutil.rmtree(aside, ignore_errors=True)


def _put_in_place(beside: Path, place: Path, aside: Path) -> None:
    """Give the new folder its name; the old one ends up as `beside` or `aside`."""
    if not place.exists():
        os.replace(beside, place)  # noqa: PTH105
        return
    try:
        _exchange(beside, place)
    except OSError as error:
        if error.errno not in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
            raise
        os.replace(place, aside)  # noqa: PTH105
        os.replace(beside, place)  # noqa: PTH105


@functools.cache
def _renameat2() -> Callable[..., int] | None:
    """Find the C library's function; None where there is none."""
    try:
        function = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError, TypeError):
        return None
    function.argtypes = (ctypes.c_int, ctypes.c_char_p) * 2 + (ctypes.c_uint,)
    function.restype = ctypes.c_int
    renameat2: Callable[..., int] = function
    return renameat2


def _exchange(one: Path, other: Path) -> None:
    """Let two existing paths change names in one step.

    Raises
    ------
    OSError
        ENOSYS, EINVAL or ENOTSUP where the system or the file system cannot.
    """
    renameat2 = _renameat2()
    if renameat2 is None:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    if renameat2(_HERE, os.fsencode(one), _HERE, os.fsencode(other), _EXCHANGE):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def _flush_to_disk(path: Path) -> None:
    """Make sure a file's bytes, or a folder's names, are on the disk before more depends on them.

    Raises
    ------
    OSError
        If a file's bytes could not be written (a full disk may say so only here).
    """
    if path.is_symlink():
        return
    if path.is_dir():
        # Some file systems cannot flush a folder; its files are what counts.
        with suppress(OSError):
            _fsync(path)
    elif path.is_file():
        _fsync(path)


def _fsync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _token() -> str:
    """Name the process that writes, and tell its writings apart."""
    return f"{os.getpid()}.{secrets.token_hex(4)}"


def remove_left_by_dead(folder: Path, *, but: Collection[Path]) -> None:
    """Delete new folders that processes of this machine left half filled when they were killed.

    Parameters
    ----------
    folder : Path
        Where results go.
    but : collection of Path
        What stood there before: not ours to delete.
    """
    for path in folder.glob(f"{UNFINISHED}*-new"):
        pid = path.name.removeprefix(UNFINISHED).split(".")[0]
        if path not in but and pid.isdigit() and not is_alive(int(pid)):
            shutil.rmtree(path, ignore_errors=True)


def is_alive(pid: int) -> bool:
    """Whether a process of this machine has this number."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
