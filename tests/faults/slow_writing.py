"""The command line, held up while it writes: ``slow…`` for long, ``full…`` meets a full disk.

Started by the tests of faults, which import it in a process of its own.
"""

import errno
import os
import signal
import tempfile
import time
from pathlib import Path

import cleanspan.export.tables
import cleanspan.screen
from cleanspan.cli import main as given_main

# As in a terminal, also where the tests run in the background and Ctrl-C is ignored.
signal.signal(signal.SIGINT, signal.default_int_handler)

_write_tables = cleanspan.export.tables.write_tables
_screen_recording = cleanspan.screen.screen_recording


def write_tables(screened, folder, **options):
    """Write, then say so and wait; or wait until another says so and find the disk full."""
    name = screened.recording.path.name
    said = Path(tempfile.gettempdir())
    if name.startswith("full"):
        while not list(said.glob("writing-*")):
            time.sleep(0.02)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    written = _write_tables(screened, folder, **options)
    if name.startswith("slow"):
        (said / f"writing-{name}").touch()
        time.sleep(60)
    return written


def screen_recording(*args, **options):
    """Screen with the writing held up, in this process or another."""
    cleanspan.export.tables.write_tables = write_tables
    return _screen_recording(*args, **options)


def main(args):
    """Run the command line with it."""
    import cleanspan.batch

    cleanspan.batch.screen_recording = screen_recording
    given_main(args)
