"""One night at a time: a lock that its owner's death releases."""

import fcntl
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from cleanspan.atomic import output_error
from cleanspan.errors import CleanspanError


class BusyError(CleanspanError):
    """Another night is at work on the same output or ledger."""


@contextmanager
def only_one(path: Path) -> Iterator[None]:
    """Hold a lock file while the block runs.

    The kernel keeps the lock (``flock``) with the open file, so it goes when the owner ends,
    however it ends. The file itself stays: removing it would let a third run lock a new file
    while a second still waits on the old one.

    Raises
    ------
    BusyError
        If another process holds it; the message names that process.
    OutputError
        If the lock file cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise output_error(path, error) from error
    with os.fdopen(descriptor, "r+") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            owner = file.read(200).strip() or "an unknown process"
            raise BusyError(
                f"{path}: only one night may run at a time, got: {owner} is at work; "
                "nothing was done, and the other run goes on"
            ) from error
        except OSError as error:
            raise output_error(path, error) from error
        _sign(file.fileno())
        yield


def _sign(descriptor: int) -> None:
    """Write who holds the lock; a full disk must not prevent the night from saying so."""
    started = datetime.now(UTC).isoformat(timespec="seconds")
    text = f"process {os.getpid()} on {socket.gethostname()}, since {started}\n"
    try:
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, text.encode(), 0)
    except OSError:
        return
