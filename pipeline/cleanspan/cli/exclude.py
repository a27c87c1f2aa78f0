"""``cleanspan exclude``: what an analysis leaves out, from stored results."""

import logging
from collections import Counter
from collections.abc import Collection, Sequence
from pathlib import Path

import click

from cleanspan.cli import TEXT, GivenPath, tell_how_far
from cleanspan.errors import ConfigError, RecordingError, UsageError, collecting
from cleanspan.export.cells import told_apart
from cleanspan.export.plans import (
    Plan,
    check_channels,
    check_labels,
    load_plan,
    named_by,
    shipped_plans,
)
from cleanspan.export.replan import (
    ANNOTATIONS,
    BUTTON,
    PLANS,
    EventChoice,
    PlanRow,
    check_events,
    check_table,
    epoch_of,
    replan,
    update_plans,
    write_plan_rows,
)
from cleanspan.export.stored import (
    facts_path,
    find_results,
    known_channels,
    known_labels,
    read_facts,
)


class Epoch(click.ParamType["tuple[float, float]"]):
    """Two numbers of seconds with a colon between."""

    name = "begin:end"

    def convert(
        self, value: str, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Read ``-0.2:0.8``."""
        try:
            begin_s, end_s = (float(part) for part in value.split(":"))
        except ValueError:
            self.fail(f"an epoch must be BEGIN:END in seconds, such as -0.2:0.8; got {value!r}")
        if not begin_s < end_s < float("inf"):
            self.fail(f"an epoch must begin before it ends, got {value!r}", param, ctx)
        return begin_s, end_s


def _list_plans(ctx: click.Context, param: click.Parameter, value: bool) -> None:  # noqa: ARG001, FBT001 - click's signature
    """Print the shipped plans and stop."""
    if not value:
        return
    for name in shipped_plans():
        plan = load_plan(name)
        click.echo(f"{name}: {plan.purpose}\n  {plan.rationale}\n  Source: {plan.source}.")
    ctx.exit(0)


@click.command("exclude")
@click.argument("results", nargs=-1, required=True, type=GivenPath())
@click.option(
    "--plan",
    "names",
    multiple=True,
    required=True,
    type=TEXT,
    help="A shipped plan's name or a .toml file. Several are set side by side.",
)
@click.option(
    "--events",
    "source",
    type=click.Choice([ANNOTATIONS, BUTTON]),
    help="Judge epochs around the recording's annotations or its marker button's presses.",
)
@click.option("--epoch", type=Epoch(), help="Epoch around each event, in seconds: -0.2:0.8.")
@click.option("--text", type=TEXT, help="Only annotations that hold this text.")
@click.option(
    "--table",
    type=GivenPath(dir_okay=False),
    help="One table over these recordings. Default: plans.csv in the folder of results.",
)
@click.option(
    "--list", "listing", is_flag=True, is_eager=True, expose_value=False, callback=_list_plans,
    help="List the shipped plans and why they are as they are.",
)  # fmt: skip
def command(
    results: tuple[Path, ...],
    names: tuple[str, ...],
    source: str | None,
    epoch: tuple[float, float] | None,
    text: str | None,
    table: Path | None,
) -> None:
    """Make exclusion lists from results that were screened before.

    RESULTS are folders that `cleanspan screen` wrote: one a recording, or the folder that holds
    them. Recordings are not needed and nothing is screened again. Several plans write lists with
    the plans' names, R_exclusions_resting.csv say. The page, summary.csv and the marks in an
    EDF+ file stay those of the plan that the recording was screened with.
    """
    logging.basicConfig(format="cleanspan: %(message)s")
    plans = _load_plans(names)
    events = _checked_events(source, epoch, text or "", plans)
    folders = find_results(results)
    _check_plans(names, plans, folders)
    if table is not None:
        check_table(table)
    if events is not None:
        check_events(folders, events)
    rows: list[PlanRow] = []
    try:
        for folder in folders:
            rows += _one(folder, plans, events)
    except BaseException as error:
        # Stopped, or the disk is full: what is new must be told, and known to the table.
        if rows:
            _tell_stopped(rows, folders, error)
            if table is None:
                _write_table(rows, None, results)
        raise
    _write_table(rows, table, results)
    if len(plans) == 1:
        _tell_other_plan(plans[0].name, {row.folder for row in rows if not row.error}, folders)
    if any(row.error for row in rows):
        raise SystemExit(1)


def _load_plans(names: tuple[str, ...]) -> list[Plan]:
    """Read every plan before anything is written."""
    plans: list[Plan] = []
    problems: list[str] = []
    for name in names:
        with collecting(problems):
            plans.append(load_plan(name))
    if problems:
        raise ConfigError(problems)
    twice = [name for name, count in Counter(plan.name for plan in plans).items() if count > 1]
    if twice:
        raise UsageError(
            f"plans must have different names, got {twice[0]!r} twice; rename one of the files"
        )
    return plans


def _check_plans(names: tuple[str, ...], plans: list[Plan], folders: list[Path]) -> None:
    """Refuse a lab's own plan with a label or a channel that none of the results knows."""
    labels, channels = known_labels(folders), known_channels(folders)
    problems: list[str] = []
    for name, plan in zip(names, plans, strict=True):
        with collecting(problems):
            # Where nothing can be read each result says so, and no label is known.
            check_labels(name, plan, labels or plan.named_labels)
        with collecting(problems):
            check_channels(name, plan, channels or plan.named_channels)
    if problems:
        raise ConfigError(problems)


def _write_table(rows: list[PlanRow], table: Path | None, results: tuple[Path, ...]) -> None:
    """Write the table over all recordings where it was asked for, else where one belongs."""
    if table is not None:
        write_plan_rows(rows, table)
    elif (target := _default_table(results)) is not None:
        update_plans(rows, target)


def _tell_stopped(rows: list[PlanRow], folders: Sequence[Path], error: BaseException) -> None:
    """Say how far a call came that was ended."""
    number = len({row.folder for row in rows})
    tell_how_far(
        f"the lists of {number} of {len(folders)} recordings are new, the others as they were; "
        "call this again",
        after=error,
    )


def _checked_events(
    source: str | None, epoch: tuple[float, float] | None, text: str, plans: list[Plan]
) -> EventChoice | None:
    """Put the options about events together, before anything is written."""
    if source is None and (epoch is not None or text):
        raise UsageError("--epoch and --text need events, got none; add --events annotations")
    if source == BUTTON and text:
        raise UsageError("--text goes with --events annotations: presses have no text")
    if source is None:
        return None
    events = EventChoice(source, text, epoch)
    for plan in plans:
        epoch_of(events, plan)
    return events


def _tell_other_plan(plan: str, done: Collection[str], folders: Sequence[Path]) -> None:
    """Say that lists are now of another plan than what cannot be made again from results."""
    screened = {
        named_by(str(read_facts(facts_path(folder)).get("plan", "")))
        for folder in folders
        if folder.resolve().name in done
    }
    others = ", ".join(sorted(screened - {plan, ""}))
    if others:
        click.echo(
            f"note: the lists are of {plan} now; marks, page and summary.csv stay of {others}, "
            "as screened. To change these too, screen again with --plan",
            err=True,
        )


def _one(folder: Path, plans: list[Plan], events: EventChoice | None) -> list[PlanRow]:
    """Handle one recording; one that cannot be read becomes a row, and the others go on."""
    try:
        rows = replan(folder, plans, events=events)
    except RecordingError as error:
        click.echo(f"cleanspan: {error}", err=True)
        name = folder.resolve().name
        return [PlanRow(name, "", "no", error=str(error), folder=name)]
    for row in rows:
        click.echo(_sentence(row, with_events=events is not None))
        if row.warnings:
            click.echo(f"  warning: {row.warnings}", err=True)
    return rows


def _sentence(row: PlanRow, *, with_events: bool) -> str:
    """Say in one line what a plan leaves of a recording."""
    dropped = f", dropped: {row.dropped}" if row.dropped else ""
    kept = f", {row.events_kept} of {row.events} epochs kept" if with_events else ""
    verdict = "meets the plan" if row.meets == "yes" else f"does not meet it: {row.shortfalls}"
    usable = f"{row.usable_s:.1f} of {row.duration_s:.1f} s usable ({row.usable_share:.0%})"
    name = told_apart(row.recording, row.folder)
    return f"{name}, {row.plan}: {usable}{dropped}{kept}; {verdict}"


def _default_table(results: tuple[Path, ...]) -> Path | None:
    """Find the table of the folder of results, or the one that lies beside a single result."""
    if len(results) == 1 and find_results(results) != list(results):
        return results[0] / PLANS
    beside = {folder.resolve().parent / PLANS for folder in find_results(results)}
    return beside.pop() if len(beside) == 1 and next(iter(beside)).is_file() else None
