"""The night: find what is new, screen it, place the results, say how it went."""

import dataclasses
import hashlib
import json
import logging
import threading
import time
from contextlib import ExitStack, closing
from pathlib import Path

from cleanspan.atomic import output_error
from cleanspan.config import Config
from cleanspan.errors import CleanspanError, OutputError
from cleanspan.export.handwork import keep_file
from cleanspan.export.summary import write_summary
from cleanspan.night import history, placing
from cleanspan.night.account import Account, as_facts
from cleanspan.night.after import tell
from cleanspan.night.config import NightConfig
from cleanspan.night.crew import Begun, connected, screen_all, workers_for
from cleanspan.night.inbox import check_inboxes
from cleanspan.night.ledger import Ledger, utc_now
from cleanspan.night.lock import BusyError, only_one
from cleanspan.night.names import Names
from cleanspan.night.page import LATEST, write_note, write_page
from cleanspan.night.planning import Model, Planner, Request
from cleanspan.night.rebuild import open_or_rebuild
from cleanspan.night.records import Kind, Task, Try
from cleanspan.scratch import sweep
from cleanspan.screen import Outcome
from cleanspan.types import NIGHT_LOCK, SUMMARY

SCREEN = "cleanspan.screen:screen_recording"
PAGE_EVERY_S = 30.0
"""How often the page and the summary are renewed while the run is under way."""

_log = logging.getLogger(__name__)


def run_night(
    config: NightConfig,
    request: Request = Request(),  # noqa: B008 - immutable
    *,
    stop: threading.Event | None = None,
    model: Model | None = None,
    work: str = SCREEN,
) -> Account:
    """Screen what is new in the inboxes.

    Parameters
    ----------
    config : NightConfig
    request : Request
        What to do beyond the new recordings.
    stop : Event, optional
        Set it to end the run early and in good order.
    model : Model, optional
        Instead of the one that the configuration names.
    work : str
        ``module:function`` called for each recording with (path, folder, config=, model=).

    Returns
    -------
    Account
        How it went; its page and ``summary.csv`` are written.

    Raises
    ------
    CleanspanError
        If the night cannot begin, or not go on: another one is at work, the ledger is locked,
        the output cannot be written. What is done until then is done.
    """
    stop = stop or threading.Event()
    try:
        account = _alone(config, request, stop, model, work)
    except BusyError:
        raise
    except CleanspanError as error:
        tell(config.after, {"status": error.exit_status, "error": str(error)})
        raise
    page = config.output_folder / LATEST
    tell(config.after, as_facts(account) | {"page": str(page)})
    return account


def _alone(
    config: NightConfig,
    request: Request,
    stop: threading.Event,
    model: Model | None,
    work: str,
) -> Account:
    """Run while no other night can."""
    output = config.output_folder
    with ExitStack() as held:
        held.enter_context(only_one(output / NIGHT_LOCK))
        ledger_lock = config.ledger_path.with_name(f".{config.ledger_path.name}.lock")
        held.enter_context(only_one(ledger_lock))
        try:
            check_inboxes(config)
            if request.cluster:
                connected(request.cluster).close()  # nothing is begun where there is none
            chosen = model or model_in_use(config.screen)
            settings = settings_fingerprint(config.screen)
            ledger, remarks = open_or_rebuild(config)
            held.callback(ledger.close)
            held.callback(placing.sweep, output)
            remarks += make_room(config, ledger)
            night = _Night(config, request, ledger, chosen, settings, stop, work)
            night.account.remarks += remarks
            return night.run()
        except CleanspanError as error:
            write_note(config, str(error))
            raise


def make_room(config: NightConfig, ledger: Ledger) -> list[str]:
    """Before the first night, put aside a summary that stands where ours goes.

    Before its run is noted: a night that fails here has not begun, and the next one looks again.
    The runs of a ledger made anew are counted from 1 too, but it knows the former results.

    Returns
    -------
    list of str
        What the page should say of it.

    Raises
    ------
    OutputError
        If it cannot be moved.
    """
    path = config.output_folder / SUMMARY
    known = ledger.rows("SELECT 1 FROM runs UNION ALL SELECT 1 FROM jobs LIMIT 1")
    if known or not path.is_file():
        return []
    return [f"A {SUMMARY} was there before; it is kept as {keep_file(path)}."]


def model_in_use(config: Config) -> Model:
    """Choose the model at the start of the night, so that all its recordings share one.

    Raises
    ------
    ConfigError
        If the settings or the plan do not fit it; with every problem.
    ModelError
        If there is none or it does not match.
    """
    from cleanspan.training.settled import settled

    folder, model = settled(config)
    return Model(str(folder), model.full_name)


def settings_fingerprint(config: Config) -> str:
    """Fingerprint of everything in the configuration that decides results.

    A plan that is a file of the lab's own counts with its content.

    Raises
    ------
    ConfigError
        If there is no such plan.
    """
    from cleanspan.export.plans import load_plan

    load_plan(config.export.plan)
    base = config.fingerprint()
    plan = Path(config.export.plan)
    if plan.suffix != ".toml":
        return base
    total = hashlib.blake2b(base.encode(), digest_size=4)
    total.update(plan.read_bytes())
    return total.hexdigest()


class _Night:
    """One run; holds what its steps share."""

    def __init__(
        self,
        config: NightConfig,
        request: Request,
        ledger: Ledger,
        model: Model,
        settings: str,
        stop: threading.Event,
        work: str,
    ) -> None:
        self.config = config
        self.request = request
        self.ledger = ledger
        self.stop = stop
        self.names = Names(config.page.names)
        self.planner = Planner(
            ledger, config, self.names, model, settings, work, bool(request.cluster)
        )
        run = ledger.begin_run(model=model.fingerprint, config=settings)
        self.account = Account(run=run, started_at=utc_now(), model=model.fingerprint)
        self.renewed = -PAGE_EVERY_S

    def run(self) -> Account:
        """Carry out the steps."""
        began = time.monotonic()
        output, account = self.config.output_folder, self.account
        self._write_page()
        placed, waiting = placing.recover(self.ledger, output)
        first_run = self.ledger.take_over(account.run)
        if first_run < account.run:
            account.remarks.append(
                f"The run before this one was cut off: {placed} finished result(s) were put in "
                f"place, {waiting} recording(s) begun then were begun anew."
            )
        staging = placing.new_staging(output)
        plan = self.planner.plan(self.request, staging, first_run=first_run)
        account.take(plan)
        self._renew()
        _log.info("found", extra={"found": plan.found, "new": account.planned})
        failed = self._screen(plan.tasks)
        repeated = [
            task
            for task in plan.tasks
            if failed.get(task.job, Kind.BAD).worth_repeating and task.job not in plan.last_try
        ]
        if repeated and not self.stop.is_set():
            failed |= self._screen(self._still_allowed(repeated))
        account.stopped = self.stop.is_set()
        account.seconds = time.monotonic() - began
        self._finish()
        return account

    def _still_allowed(self, tasks: list[Task]) -> list[Task]:
        """Leave out what went into quarantine."""
        rows = self.ledger.rows("SELECT id FROM jobs WHERE state IN ('waiting', 'failed')")
        allowed = {row["id"] for row in rows}
        return [task for task in tasks if task.job in allowed]

    def _screen(self, tasks: list[Task]) -> dict[int, Kind]:
        """Screen recordings and settle each; return what did not work."""
        failed: dict[int, Kind] = {}
        by_job = {task.job: task for task in tasks}
        messages = screen_all(
            tasks,
            workers=workers_for(self.config.limits),
            cluster=self.request.cluster,
            stop=self.stop,
        )
        with closing(messages):
            for message in messages:
                if isinstance(message, Begun):
                    self.ledger.begin_try(message.job, self.account.run)
                elif message is not None:
                    kind = self._settle(message, by_job[message.job])
                    if kind != Kind.DONE:
                        failed[message.job] = kind
                if time.monotonic() - self.renewed > PAGE_EVERY_S:
                    self._renew()
        return failed

    def _settle(self, ended: Try, task: Task) -> Kind:
        """Place a result, or note why there is none."""
        row = self.ledger.rows(
            "SELECT digest, name FROM jobs JOIN contents USING (digest) WHERE id = ?",
            (ended.job,),
        )[0]
        name = self.names.of_content(row["digest"], row["name"])
        ended = dataclasses.replace(
            ended,
            error=self.names.scrubbed(ended.error, task.path, name),
            detail=self.names.scrubbed(ended.detail, task.path, name),
        )
        if ended.kind == Kind.DONE:
            ended = self._placed(ended, name)
        if ended.kind != Kind.DONE:
            state = self.ledger.end_try(ended, limit=self.config.limits.attempts)
            failure = {"kind": str(ended.kind), "error": ended.error, "state": str(state)}
            _log.error("not done", extra=_facts(ended, name) | failure)
        return ended.kind

    def _placed(self, ended: Try, name: str) -> Try:
        """Give a result its place; where it cannot even be completed, the disk is to blame."""
        outcome = dataclasses.replace(
            ended.outcome or Outcome(name, "done"),
            folder=None,  # the ledger knows it, wherever the output folder is moved
            recording=name,
        )
        try:
            placing.seal(self.ledger, ended, outcome)
        except OutputError as error:
            return dataclasses.replace(ended, kind=Kind.NO_ROOM, error=str(error))
        placing.place(self.ledger, self.config.output_folder, ended, outcome)
        _log.info("done", extra=_facts(ended, name))
        return ended

    def _write_page(self) -> None:
        """Renew the page; one that cannot be written must not stop the work."""
        try:
            write_page(self.ledger.connection, self.config, self.account)
        except CleanspanError as error:
            _log.error("the page cannot be written", extra={"error": str(error)})

    def _renew(self) -> None:
        """Renew page and summary; what cannot be written must not stop the work."""
        self.renewed = time.monotonic()
        self._write_page()
        try:
            self._sum_up()
        except CleanspanError as error:
            _log.error("the summary cannot be written", extra={"error": str(error)})

    def _sum_up(self) -> None:
        """Write the summary of all that has a result, or should have one."""
        rows = history.summary(history.lines(self.ledger.connection), self.names)
        # Without a row it would lack columns that a script may look for while we go on.
        if rows or self.account.finished:
            write_summary(rows, self.config.output_folder / SUMMARY)

    def _finish(self) -> None:
        """Write summaries and page, and note the end."""
        account, output = self.account, self.config.output_folder
        tonight = history.lines(self.ledger.connection, history.Selection(run=account.run))
        account.count(tonight, attempts=self.config.limits.attempts)
        night = output / placing.NIGHTS / account.folder
        try:
            night.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise output_error(night, error) from error
        write_summary(history.summary(tonight, self.names), night / SUMMARY)
        account.finished = True
        self._sum_up()
        write_page(self.ledger.connection, self.config, account)
        placing.sweep(output)
        sweep()  # what worker processes that had to be killed left
        # Last of all: a run killed before this line is continued by the next one.
        self.ledger.end_run(account.run, status=account.status, counts=json.dumps(account.counts))


def _facts(ended: Try, name: str) -> dict[str, object]:
    """Gather what the log tells about every try."""
    return {
        "recording": name,
        "seconds": round(ended.seconds, 1),
        "peak_mb": round(ended.peak_mb),
        "host": ended.host,
    }
