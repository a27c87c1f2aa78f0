"""Run a night in a process of its own that can be killed: ``night_driver.py INBOX OUTPUT …``."""

import argparse
import json
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from cleanspan.errors import CleanspanError
from cleanspan.night import placing
from cleanspan.night.config import CODE, FILE_NAME, Limits, NightConfig, Page
from cleanspan.night.ledger import Ledger
from cleanspan.night.planning import Model, Request
from cleanspan.night.run import run_night


def main() -> None:
    """Run one night as the arguments say; print its counts."""
    parser = argparse.ArgumentParser()
    parser.add_argument("inbox")
    parser.add_argument("output")
    parser.add_argument("--model", default="m1")
    parser.add_argument("--again", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cluster", default="")
    parser.add_argument("--time-limit", type=float, default=60)
    parser.add_argument("--die-at", type=int, default=0)
    parser.add_argument("--codes", action="store_true")
    given = parser.parse_args()
    if given.die_at:
        die_at(given.die_at)
    config = NightConfig(
        (given.inbox,),
        given.output,
        settle_s=0,
        limits=Limits(workers=given.workers, memory_mb=500, time_limit_s=given.time_limit),
        page=Page(names=CODE if given.codes else FILE_NAME),
    )
    try:
        account = run_night(
            config,
            Request(again=given.again, cluster=given.cluster),
            model=Model(given.model, given.model),
            work="night_fakes:screen",
        )
    except CleanspanError as error:
        sys.stderr.write(f"{error}\n")
        sys.exit(error.exit_status)
    sys.stdout.write(json.dumps(account.counts))
    sys.exit(account.status)


def die_at(number: int) -> None:
    """Kill this process at its number-th step: before or after a commit or a rename."""
    left = [number]

    def step() -> None:
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(function: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*args: Any, **kwargs: Any) -> Any:
            step()
            result = function(*args, **kwargs)
            step()
            return result

        return wrapped

    writing = Ledger.writing

    @contextmanager
    def counted(self: Ledger) -> Iterator[Any]:
        step()
        with writing(self) as connection:
            yield connection
            step()  # everything is written, nothing is committed
        step()

    Ledger.writing = counted  # type: ignore[method-assign]
    placing.os.replace = around(os.replace)  # type: ignore[attr-defined]
    Path.write_text = around(Path.write_text)  # type: ignore[method-assign]


if __name__ == "__main__":
    main()
