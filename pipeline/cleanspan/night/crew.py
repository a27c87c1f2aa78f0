"""Many recordings at once: joblib hands them out, here to threads, on a cluster to Dask.

The results come to the coordinator's main thread, which alone writes the ledger and places
results, and which stays free to notice a signal or a cluster without workers.
"""

import logging
import queue
import re
import threading
import time
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import joblib
import psutil

from cleanspan.errors import CleanspanError
from cleanspan.night.config import Limits
from cleanspan.night.desk import close_desks, screen_isolated
from cleanspan.night.records import Kind, Task, Try

MEMORY_SHARE = 0.8
"""Share of the free memory that all workers together may take."""

NO_WORKER_S = 300.0
"""A cluster without any worker for this long is given up."""

_LOOK_S = 0.5
_END_S = 10.0
"""How long the dispatch may take to end; its screening processes end with this one anyway."""

_log = logging.getLogger(__name__)


class ClusterError(CleanspanError):
    """The Dask cluster cannot be used."""


@dataclass(frozen=True, slots=True)
class Begun:
    """A recording has been handed to a worker."""

    job: int


@dataclass(frozen=True, slots=True)
class _End:
    """Nothing more will come; error is what stopped the dispatch, if anything."""

    error: BaseException | None = None


_Message = Begun | Try | _End


def workers_for(limits: Limits) -> int:
    """Choose how many recordings to screen at once.

    As many as asked for, or as there are processors, but never more than can take their whole
    memory limit at the same time out of `MEMORY_SHARE` of what is free now.
    """
    wanted = limits.workers or joblib.cpu_count()
    fitting = int(MEMORY_SHARE * free_memory_mb() // limits.memory_mb)
    workers = max(1, min(wanted, fitting))
    if workers < wanted:
        _log.warning(
            "free memory allows %d worker(s) at %d MB instead of %d",
            workers,
            limits.memory_mb,
            wanted,
        )
    return workers


def free_memory_mb(group: Path = Path("/sys/fs/cgroup")) -> float:
    """Free memory of the machine, or of our control group (a service's MemoryMax) if less."""
    free = float(psutil.virtual_memory().available)
    try:
        own = Path("/proc/self/cgroup").read_text(encoding="ascii").rpartition("::/")[2].strip()
        limit = (group / own / "memory.max").read_text(encoding="ascii").strip()
        used = (group / own / "memory.current").read_text(encoding="ascii")
        if limit != "max":
            free = min(free, float(limit) - float(used))
    except (OSError, ValueError):
        pass
    return free / 1e6


def screen_all(
    tasks: Sequence[Task], *, workers: int, cluster: str, stop: threading.Event
) -> Generator[Begun | Try | None, None, None]:
    """Screen recordings in parallel; exactly one Try comes for each task.

    None comes where nothing has happened for a moment, so that the reader can do something else.

    Parameters
    ----------
    tasks : sequence of Task
    workers : int
        On this machine.
    cluster : str
        A Dask scheduler's address, or empty for this machine.
    stop : Event
        Set from a signal: what is at work ends, what has not begun does not begin.

    Raises
    ------
    ClusterError
        If the scheduler cannot be reached.
    """
    left = {task.job: task for task in tasks}
    if not left:
        return
    client = connected(cluster) if cluster else None
    messages: queue.SimpleQueue[_Message] = queue.SimpleQueue()
    halt = threading.Event()  # also set when the one who reads our results gives up
    thread = threading.Thread(
        target=_dispatch, args=(tasks, messages, workers, client, halt), daemon=True
    )
    try:
        if client is not None:
            yield from (Begun(job) for job in left)
        thread.start()
        for message in _until_end(messages, client, stop, halt):
            if not isinstance(message, Try) or left.pop(message.job, None) is not None:
                yield message
        why = Kind.STOPPED if stop.is_set() else Kind.LOST
        for job in left:
            yield Try(job, why, error="no worker brought a result; the next run tries again")
    finally:
        halt.set()
        if client is not None:
            client.close()  # before the join: it wakes a dispatch that waits for lost results
        if thread.ident is not None:
            thread.join(timeout=_END_S)
        close_desks()


def _until_end(
    messages: "queue.SimpleQueue[_Message]",
    client: Any,
    stop: threading.Event,
    halt: threading.Event,
) -> Iterator[Begun | Try | None]:
    """Pass messages on until the dispatch ends or there is nobody left to wait for."""
    last_worker = time.monotonic()
    while True:
        if stop.is_set():
            halt.set()
            if client is not None:
                return
        try:
            message = messages.get(timeout=_LOOK_S)
        except queue.Empty:
            if client is None or _has_workers(client):
                last_worker = time.monotonic()
            elif time.monotonic() - last_worker > NO_WORKER_S:
                _log.error("the cluster has had no worker for %.0f s: given up", NO_WORKER_S)
                return
            yield None
            continue
        if isinstance(message, _End):
            if message.error is not None:
                _log.error("the dispatch ended early: %s", message.error)
            return
        yield message


def _dispatch(
    tasks: Sequence[Task],
    messages: "queue.SimpleQueue[_Message]",
    workers: int,
    client: Any,
    halt: threading.Event,
) -> None:
    """Hand out the tasks through joblib and pass on what comes back."""
    try:
        if client is None:

            def here(task: Task) -> None:
                if not halt.is_set():
                    messages.put(Begun(task.job))
                messages.put(screen_isolated(task, halt))

            # Threads only watch: each recording is screened in a process of its own.
            joblib.Parallel(n_jobs=workers, backend="threading", batch_size=1)(
                joblib.delayed(here)(task) for task in tasks
            )
        else:
            with joblib.parallel_config(backend="dask", client=client, pure=False):
                results = joblib.Parallel(
                    n_jobs=-1, batch_size=1, return_as="generator_unordered", pre_dispatch="all"
                )(joblib.delayed(screen_isolated)(task) for task in tasks)
                for result in results:
                    messages.put(result)
        messages.put(_End())
    except BaseException as error:  # noqa: BLE001 - the main thread must hear of everything
        messages.put(_End(error))


def connected(address: str) -> Any:
    """Connect to a Dask scheduler.

    Raises
    ------
    ClusterError
        If the packages are missing or nobody answers.
    """
    try:
        from distributed import Client

        make_client: Any = Client
    except ImportError as error:
        raise ClusterError(
            "--cluster needs the packages dask and distributed, got neither; "
            "install cleanspan[cluster]"
        ) from error
    must = "--cluster must be a running scheduler's address such as tcp://host:8786"
    if not re.fullmatch(r"[a-z]+://.+:\d+", address):
        raise ClusterError(f"{must}, got {address!r}")
    try:
        return make_client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise ClusterError(f"{must}, got {address!r}: {error}") from error


def _has_workers(client: Any) -> bool:
    """Ask the scheduler whether anybody works."""
    try:
        return bool(client.scheduler_info(n_workers=-1)["workers"])
    except Exception:  # noqa: BLE001 - an unreachable scheduler has no workers for us
        return False
