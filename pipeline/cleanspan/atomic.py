"""Results appear whole or not at all: written beside their place, then renamed."""

import errno
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from cleanspan.errors import OutputError

UNFINISHED = ".unfinished-"
"""Prefix of files and folders still being written; safe to delete when no run is active."""


def output_error(path: Path, error: OSError) -> OutputError:
    """Say in one line why something could not be written."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return OutputError(
            f"{path}: the disk must have room for the results, got: {error.strerror}; "
            "free some space and run again (nothing half-written was left)"
        )
    return OutputError(
        f"{path}: the output must be writable, got: {error.strerror or error}; "
        "choose another --out or mend the permissions"
    )


@contextmanager
def replacing_file(path: Path) -> Iterator[Path]:
    """Give a path beside `path` to write to; rename it over `path` when the block succeeds.

    Raises
    ------
    OutputError
        If it cannot be written; no partial file is left.
    """
    beside = path.with_name(f"{UNFINISHED}{secrets.token_hex(4)}-{path.name}"[-200:])
    try:
        yield beside
        _flush_to_disk(beside)
        os.replace(beside, path)  # noqa: PTH105 - says what it does
    except OSError as error:
        raise output_error(path, error) from error
    finally:
        beside.unlink(missing_ok=True)


@contextmanager
def replacing_folder(folder: Path) -> Iterator[Path]:
    """Give a folder beside `folder` to fill; swap it in when the block succeeds.

    The old folder is moved aside before the new one takes its name, and deleted after, so a
    killed run leaves the old or the new result, never a mixture.

    Raises
    ------
    OutputError
        If it cannot be written; no partial folder is left.
    """
    token = secrets.token_hex(4)
    beside = folder.with_name(f"{UNFINISHED}{token}-new")
    aside = folder.with_name(f"{UNFINISHED}{token}-old")
    try:
        beside.mkdir(parents=True)
        yield beside
        for item in beside.iterdir():
            _flush_to_disk(item)
        if folder.exists():
            os.replace(folder, aside)  # noqa: PTH105
        os.replace(beside, folder)  # noqa: PTH105
    except OSError as error:
        raise output_error(folder, error) from error
    finally:
        if aside.exists() and not folder.exists():
            os.replace(aside, folder)  # noqa: PTH105
        shutil.rmtree(beside, ignore_errors=True)
        shutil.rmtree(aside, ignore_errors=True)


def _flush_to_disk(path: Path) -> None:
    """Make sure a file's bytes are on the disk before its name says it is done."""
    if path.is_file():
        with path.open("rb") as file:
            os.fsync(file.fileno())
