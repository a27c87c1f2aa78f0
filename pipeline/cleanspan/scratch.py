"""Scratch folders: gone when the work is done, and swept up when a run was killed."""

import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from cleanspan.atomic import is_alive

PREFIX = "cleanspan-"
STALE_S = 86_400.0
"""A scratch folder that nobody wrote to for a day, and whose process is gone, is left over."""


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """Give a folder for scratch files; it is deleted at the end of the block.

    Its place is the system's temporary folder (the variable TMPDIR chooses another): a recording
    of 24 h with 19 channels needs about 1 GB there.
    """
    sweep(Path(tempfile.gettempdir()))
    folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def sweep(place: Path) -> None:
    """Delete scratch folders that killed runs left behind."""
    for folder in place.glob(f"{PREFIX}*-*"):
        pid = folder.name.removeprefix(PREFIX).split("-")[0]
        try:
            idle_s = time.time() - folder.stat().st_mtime
        except OSError:
            continue
        if pid.isdigit() and idle_s > STALE_S and not is_alive(int(pid)):
            shutil.rmtree(folder, ignore_errors=True)
