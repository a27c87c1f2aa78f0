"""Ctrl-C, and other requests to stop: never in the middle of loading a library.

An exception inside an import can leave a compiled library half loaded, and that ends in a
traceback of its own or in a crash. So a request waits until no import is under way, and then stops
the work as Ctrl-C always does: what was opened is cleaned up.
"""

import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

STOPPED = 130
"""Exit status of a command that was stopped: 128 + SIGINT, as shells count (common practice)."""

_AGAIN_S = 0.02
"""How long to wait before looking again whether an import is over."""
_LOOK_S = 0.5
"""How long to wait before looking again whether the parent still lives."""
_IMPORTING = "<frozen importlib._bootstrap>"


@contextmanager
def at_once() -> Iterator[None]:
    """End the process on Ctrl-C, with one line, while the block loads the command line itself.

    Only for a time in which nothing has been opened: nothing is cleaned up.
    """

    def end(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 - signal's signature
        os.write(2, b"\ncleanspan: stopped\n")
        os._exit(STOPPED)

    with _handling(dict.fromkeys(_heard(signal.SIGINT), end)):
        yield


@contextmanager
def in_good_order() -> Iterator[None]:
    """Raise KeyboardInterrupt on Ctrl-C, on a request to end and where a terminal is closed.

    While an import is under way in the block, it is raised as soon as that is over.
    """
    outside = _imports(sys._getframe())  # noqa: SLF001 - the module inspect loads slowly

    def stop(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 - signal's signature
        if _imports(frame) > outside:
            signal.setitimer(signal.ITIMER_REAL, _AGAIN_S)
        else:
            raise KeyboardInterrupt

    asking = _heard(signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    try:
        with _handling({number: stop for number in (signal.SIGALRM, *asking) if asking}):
            yield
    finally:
        if asking:
            signal.setitimer(signal.ITIMER_REAL, 0)


@contextmanager
def started_deaf() -> Iterator[None]:
    """Let processes that the block starts not hear Ctrl-C: it reaches them while they load too.

    Whoever starts them must end them. Ctrl-C in the block is heard at its end.
    """
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # starting it in the block would let Ctrl-C be heard again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def end_with(parent: int) -> None:
    """End this process soon after its parent, which may be killed without a chance to say so.

    Parameters
    ----------
    parent : int
        The parent's number, as itself knows it: it may be gone before this process looks.
    """

    def look() -> None:
        while os.getppid() == parent:
            time.sleep(_LOOK_S)
        os._exit(STOPPED)

    threading.Thread(target=look, daemon=True).start()


def _heard(*numbers: signal.Signals) -> list[signal.Signals]:
    """Choose the signals that are ours to handle; nohup has some ignored, and rightly so."""
    if threading.current_thread() is not threading.main_thread():
        return []
    usual = (signal.SIG_DFL, signal.default_int_handler)
    return [number for number in numbers if signal.getsignal(number) in usual]


@contextmanager
def _handling(handlers: "dict[signal.Signals, signal._HANDLER]") -> Iterator[None]:
    """Handle signals in a block, and put back what there was."""
    before = {number: signal.signal(number, handler) for number, handler in handlers.items()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _imports(frame: FrameType | None) -> int:
    """Count the imports under way, those that import each other included."""
    count = 0
    while frame is not None:
        count += frame.f_code.co_filename == _IMPORTING
        frame = frame.f_back
    return count
