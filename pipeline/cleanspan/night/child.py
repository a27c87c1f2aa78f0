"""The process in which recordings are screened, one at a time; it may die without harm.

Started by `cleanspan.night.desk` as ``python -m cleanspan.night.child PIPE LIFELINE``.
"""

import contextlib
import faulthandler
import fcntl
import importlib
import os
import resource
import secrets
import shutil
import signal
import sys
import traceback
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

from cleanspan.errors import CleanspanError, OutputError
from cleanspan.export.cells import safe_stem
from cleanspan.night.records import Kind, Task, Try
from cleanspan.recording.content import companions
from cleanspan.screen import Outcome

IDLE_S = 60.0
"""A worker without work ends itself after this long."""

SPARE_MB = 4096
"""Address space beyond the memory limit: libraries reserve much that they never use. The
supervisor watches the memory really used; this is the backstop for a leap between two looks."""

ROOM_BYTES = 32_000_000
"""Free space that the small result files of one recording may need."""

Work = Callable[..., Outcome]


def main() -> None:
    """Screen what comes through the pipe until it closes or nothing comes."""
    pipe, lifeline = int(sys.argv[1]), int(sys.argv[2])
    end_with_parent(lifeline)
    faulthandler.enable()
    connection = Connection(pipe)
    while connection.poll(IDLE_S):
        try:
            task: Task = connection.recv()
        except EOFError:
            return
        connection.send("begun")
        connection.send(carry_out(task))


def end_with_parent(lifeline: int) -> None:
    """End this process as soon as its parent is gone, whatever it is doing.

    The parent holds the other end of a pipe on which it never writes. When it dies the kernel
    closes that end and signals the pipe's owner, and SIGIO's default action ends the process:
    this needs no running Python code, so even a hung library call cannot keep an orphan alive.
    """
    signal.signal(signal.SIGIO, signal.SIG_DFL)
    fcntl.fcntl(lifeline, fcntl.F_SETOWN, os.getpid())
    fcntl.fcntl(lifeline, fcntl.F_SETFL, fcntl.fcntl(lifeline, fcntl.F_GETFL) | os.O_ASYNC)
    os.set_blocking(lifeline, False)
    with contextlib.suppress(BlockingIOError):
        if os.read(lifeline, 1) == b"":  # the parent was gone before we could listen
            os._exit(1)


def carry_out(task: Task) -> Try:
    """Screen one recording into a new folder of the staging area; never raises."""
    folder = Path(task.staging) / secrets.token_hex(4)
    limit_address_space(task.memory_mb)
    try:
        if not room_for(task):
            return Try(task.job, Kind.NO_ROOM, error=_no_room(task))
        folder.mkdir()
        source = aliased(task, folder)
        staged = folder / safe_stem(source.name)
        outcome = _work(task.work)(source, staged, config=task.config, model=task.model)
    except MemoryError:
        return Try(task.job, Kind.MEMORY, error=memory_text(task), detail=traceback.format_exc())
    except OutputError as error:
        kind = Kind.NO_ROOM if blames_disk(str(error)) else Kind.SET_UP
        return Try(task.job, kind, error=_line(error))
    except CleanspanError as error:
        return Try(task.job, Kind.SET_UP, error=_line(error))
    except Exception as error:  # noqa: BLE001 - the batch goes on whatever a library raises
        text = f"screening must not fail inside, got {type(error).__name__}: {_line(error)}"
        return Try(task.job, Kind.CRASHED, error=text, detail=traceback.format_exc())
    return judged(task, outcome, staged)


def judged(task: Task, outcome: Outcome, staged: Path) -> Try:
    """Tell a failure of the recording from a full disk."""
    if outcome.status == "done":
        return Try(task.job, Kind.DONE, outcome, staged=str(staged))
    full = blames_disk(outcome.error) or not room_for(task)
    kind = Kind.NO_ROOM if full else Kind.BAD
    return Try(task.job, kind, outcome, error=outcome.error or "no reason was given")


def blames_disk(text: str) -> bool:
    """Tell whether an error is that of `cleanspan.atomic.output_error` for a full disk."""
    return "disk must have room" in text


def aliased(task: Task, folder: Path) -> Path:
    """Give the recording under the name its results should have.

    Where names are hidden this is a link, named by the code, beside links to its companions.
    """
    path = Path(task.path)
    if not task.alias:
        return path
    link = folder / "source" / f"{task.alias}{path.suffix}"
    link.parent.mkdir()
    link.symlink_to(path)
    for item in companions(path):
        (link.parent / item.name).symlink_to(item)
    return link


def room_for(task: Task) -> bool:
    """Tell whether the disk has room for the results."""
    copy = task.stamp.size if task.config.export.marked == "copy" else 0
    return shutil.disk_usage(task.staging).free > 1.1 * copy + ROOM_BYTES


def limit_address_space(memory_mb: int) -> None:
    """Make an allocation far beyond the limit fail at once; asking again changes nothing."""
    wanted = (memory_mb + SPARE_MB) * 1_000_000
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    if hard == resource.RLIM_INFINITY or wanted < hard:
        resource.setrlimit(resource.RLIMIT_AS, (wanted, hard))


def memory_text(task: Task) -> str:
    """Say which limit was passed."""
    return (
        f"screening must get by with {task.memory_mb} MB, got more; "
        "raise [limits] memory_mb if the machine has it"
    )


def _no_room(task: Task) -> str:
    """Say that the disk is full."""
    free_mb = shutil.disk_usage(task.staging).free / 1e6
    return f"the disk must have room for the results, got {free_mb:.0f} MB free; free some space"


def _work(name: str) -> Work:
    """Find the function that screens."""
    module, _, function = name.partition(":")
    work: Work = getattr(importlib.import_module(module), function)
    return work


def _line(error: Exception) -> str:
    """Write an error in one line."""
    return " ".join(str(error).split())[:500]


if __name__ == "__main__":
    main()
