"""A desk: one worker process, watched while it screens one recording, replaced when it fails.

Why not a plain pool: when a process of a pool dies, the pool (joblib's loky, the standard
library's executor) gives up and everything in it is lost. Here every process has one recording
and one watcher, a joblib thread on this machine or a Dask worker's thread on a cluster, so a
crash, a hang or a memory blow-up costs that recording alone.
"""

import contextlib
import dataclasses
import logging
import os
import queue
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from multiprocessing.connection import Connection
from pathlib import Path

import psutil

from cleanspan.night.child import memory_text
from cleanspan.night.content import stamp_of
from cleanspan.night.records import Kind, Task, Try

ONE_THREAD = dict.fromkeys(
    (
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
        "BLIS_NUM_THREADS",
        "NUMEXPR_NUM_THREADS",
        "NUMBA_NUM_THREADS",
    ),
    "1",
)
"""Numeric libraries read these once, when loaded: recordings are the parallel unit, not loops."""

RECYCLE_AFTER = 25
"""Recordings after which a worker is replaced, so that no leak of a library adds up."""

LOOK_EVERY_S = 0.1
START_S = 120.0
"""A new process that has not answered by then is replaced."""

_DETAIL_BYTES = 4000

_log = logging.getLogger(__name__)


class Desk:
    """One worker process and the pipe to it.

    Parameters
    ----------
    scratch_in : str or None
        Where it may keep passing files; None for this machine's temporary folder.
    """

    def __init__(self, scratch_in: str | None) -> None:
        ours, theirs = socket.socketpair()
        lifeline, self._held_open = os.pipe()
        self._scratch = tempfile.TemporaryDirectory(prefix="cleanspan-desk-", dir=scratch_in)
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the process
        passed = (theirs.fileno(), lifeline)
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "cleanspan.night.child", *map(str, passed)],
            pass_fds=passed,
            stdin=subprocess.DEVNULL,
            stdout=self._errors,
            stderr=self._errors,
            env={**os.environ, **ONE_THREAD, "TMPDIR": self._scratch.name},
            start_new_session=True,
        )
        theirs.close()
        os.close(lifeline)
        self._pipe = Connection(ours.detach())
        self._handled = 0

    @property
    def usable(self) -> bool:
        """Whether another recording may be handed to it."""
        return self._process.poll() is None and self._handled < RECYCLE_AFTER

    def close(self) -> None:
        """End the process and everything it started."""
        if self._held_open < 0:
            return
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self._pipe.close()
        self._errors.close()
        self._scratch.cleanup()
        os.close(self._held_open)
        self._held_open = -1

    def begin(self, task: Task) -> bool:
        """Hand over a recording; False if the process turned out to be gone already."""
        self._handled += 1
        self._errors.seek(0)
        self._errors.truncate()
        try:
            self._pipe.send(task)
            deadline = time.monotonic() + START_S
            while not self._pipe.poll(LOOK_EVERY_S):
                if self._process.poll() is not None or time.monotonic() > deadline:
                    return False
            return bool(self._pipe.recv() == "begun")
        except (EOFError, OSError):
            return False

    def watch(self, task: Task, stop: threading.Event | None) -> Try:
        """Wait for the result; end the process when a limit is passed."""
        began = time.monotonic()
        peak_mb = 0.0
        while True:
            ended = self._look(task)
            peak_mb = max(peak_mb, self._memory_mb())
            seconds = time.monotonic() - began
            if ended is None and peak_mb > task.memory_mb:
                ended = Try(task.job, Kind.MEMORY, error=memory_text(task))
            elif ended is None and seconds > task.time_limit_s:
                ended = Try(task.job, Kind.HUNG, error=_slow_text(task), detail=self._detail())
            elif ended is None and stop is not None and stop.is_set():
                ended = Try(task.job, Kind.STOPPED, error="the run was asked to stop")
            if ended is not None:
                return _completed(ended, seconds, peak_mb)

    def _look(self, task: Task) -> Try | None:
        """Wait a moment for the result; a dead process gives one too."""
        try:
            if self._pipe.poll(LOOK_EVERY_S):
                received: Try = self._pipe.recv()
                return received
        except (EOFError, OSError):
            self._process.wait()
        if self._process.poll() is None:
            return None
        return Try(task.job, Kind.CRASHED, error=self._death(), detail=self._detail())

    def _memory_mb(self) -> float:
        """Memory the process holds now; 0 when it is gone."""
        try:
            return float(psutil.Process(self._process.pid).memory_info().rss) / 1e6
        except psutil.Error:
            return 0.0

    def _death(self) -> str:
        """Say how the process died."""
        status = self._process.returncode
        if status is not None and status < 0:
            name = signal.Signals(-status).name
            hint = ", as the system does when memory runs out" if name == "SIGKILL" else ""
            return f"the screening process must end by itself, got: killed by {name}{hint}"
        return f"the screening process must return a result, got: ended with status {status}"

    def _detail(self) -> str:
        """Read the end of what the process wrote."""
        size = self._errors.seek(0, os.SEEK_END)
        self._errors.seek(max(0, size - _DETAIL_BYTES))
        return self._errors.read().decode("utf-8", "replace").strip()


_idle: "queue.LifoQueue[Desk]" = queue.LifoQueue()
"""Desks of this process that wait for work."""


def screen_isolated(task: Task, stop: threading.Event | None = None) -> Try:
    """Screen one recording in a process of its own; never raises for what happens in there.

    Runs in a thread: here under joblib's threading backend, on a cluster in a Dask worker.
    """
    if stop is not None and stop.is_set():
        return Try(task.job, Kind.STOPPED, error="the run was asked to stop")
    changed = _changed(task)
    if changed is not None:
        return changed
    desk = _seated(task)
    if desk is None:
        text = "a screening process must start, got none in three tries; see the log"
        return Try(task.job, Kind.LOST, error=text, host=socket.gethostname())
    try:
        ended = desk.watch(task, stop)
    except BaseException:
        desk.close()
        raise
    if ended.kind in (Kind.DONE, Kind.BAD) and desk.usable:
        _idle.put(desk)
    else:
        desk.close()
    return _changed(task) or ended


def close_desks() -> None:
    """End the idle worker processes."""
    while True:
        try:
            _idle.get_nowait().close()
        except queue.Empty:
            return


def _seated(task: Task) -> Desk | None:
    """Find or start a process that has taken the recording on."""
    failures = 0
    while failures < 3:
        try:
            desk = _idle.get_nowait()
            fresh = False
        except queue.Empty:
            fresh = True
            try:
                # Below the staging folder the next run clears up what a kill leaves.
                desk = Desk(task.staging if task.scratch else None)
            except OSError:
                _log.exception("no screening process could be started")
                failures += 1
                continue
        if desk.usable and desk.begin(task):
            return desk
        desk.close()
        failures += int(fresh)
    return None


def _changed(task: Task) -> Try | None:
    """Check that the file is still the one whose content was identified."""
    try:
        now = stamp_of(Path(task.path))
    except OSError as error:
        text = f"the file must stay where it is, got: {error.strerror}; is its disk mounted?"
        return Try(task.job, Kind.VANISHED, error=text, host=socket.gethostname())
    if now != task.stamp:
        text = "the file must not change while it is screened, got a change; left for next time"
        return Try(task.job, Kind.CHANGED, error=text, host=socket.gethostname())
    return None


def _completed(ended: Try, seconds: float, peak_mb: float) -> Try:
    """Add what the watcher measured."""
    host = socket.gethostname()
    return dataclasses.replace(ended, seconds=seconds, peak_mb=peak_mb, host=host)


def _slow_text(task: Task) -> str:
    """Say which limit was passed."""
    return (
        f"screening must end within {task.time_limit_s:g} s, got no end; "
        "raise [limits] time_limit_s if the recording is long"
    )
