"""``cleanspan screen``: mark artefacts in recordings and write the results."""

import dataclasses
import logging
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import chain, zip_longest
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cleanspan.cli import TEXT, GivenPath, tell_how_far
from cleanspan.config import Config
from cleanspan.errors import UsageError

if TYPE_CHECKING:
    from cleanspan.screen import Outcome

_SHOWN = 5
_NAMED = 3
"""Findings and warnings told below the table, and recordings named for each."""


@click.command("screen")
@click.argument("paths", nargs=-1, required=True, type=GivenPath())
@click.option("--out", required=True, type=GivenPath(), help="Folder for results.")
@click.option("--config", "config_path", type=GivenPath(), help="Settings, TOML.")
@click.option("--plan", type=TEXT, help="Exclusion plan: a shipped one's name or a TOML file.")
@click.option("--model", type=TEXT, help="A model's name or folder instead of the one in use.")
@click.option(
    "--marked",
    type=click.Choice(["copy", "annotations-only", "none"]),
    help="EDF+ marks: a copy of the recording, marks alone, or nothing.",
)
@click.option("--report/--no-report", default=None, help="Whether to write each page.")
@click.option("--windows/--no-windows", default=None, help="Whether to write probabilities.")
@click.option("--bids/--no-bids", default=None, help="Whether to write BIDS tables.")
@click.option("--deidentify", is_flag=True, help="Leave patient and recording fields out.")
@click.option("--drop-notes", is_flag=True, help="With --deidentify: drop existing annotations.")
@click.option("--jobs", type=click.IntRange(1), help="Processes; one for each core by default.")
@click.option("-q", "--quiet", is_flag=True, help="Print nothing but errors.")
@click.option("-v", "--verbose", is_flag=True, help="Print what is being done.")
def command(
    paths: tuple[Path, ...],
    out: Path,
    config_path: Path | None,
    plan: str | None,
    model: str | None,
    jobs: int | None,
    quiet: bool,  # noqa: FBT001 - click passes flags by name
    verbose: bool,  # noqa: FBT001
    **changes: object,
) -> None:
    """Screen recordings: files, or folders that are searched for them.

    Results of R.edf go to OUT/R/: the marked copy, tables of segments, channels and exclusions,
    probabilities, a page; OUT/summary.csv has one row for each recording. A recording that
    cannot be used becomes a row there, and the others go on (exit status 1 then).

    Not a medical device and not for diagnosis. A missing mark proves nothing.
    """
    from cleanspan.batch import plan_tasks, screen_batch
    from cleanspan.search import find_recordings
    from cleanspan.training.settled import load_settings, settled

    logging.basicConfig(format="cleanspan: %(message)s")
    level = logging.ERROR if quiet else logging.WARNING
    logging.getLogger("cleanspan").setLevel(logging.DEBUG if verbose else level)
    config = _with_options(load_settings(config_path), plan=plan, model=model, **changes)
    model_folder, _ = settled(config)
    tasks = plan_tasks(find_recordings(paths, out), out)
    with _progress(len(tasks), hidden=quiet) as step, _telling_how_far(len(tasks), step) as done:
        outcomes = screen_batch(
            tasks, config=config, model=model_folder, jobs=jobs or _cores(), done=done
        )
    if not quiet:
        click.echo("\n".join([*table_lines(outcomes), *told_lines(outcomes)]))
        click.echo(f"results: {out}")
    failed = [outcome for outcome in outcomes if outcome.status != "done"]
    for outcome in failed:
        click.echo(f"cleanspan: {outcome.error}", err=True)
    if failed:
        sys.exit(1)


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1


def _with_options(
    config: Config, *, plan: str | None, model: str | None, **changes: object
) -> Config:
    """Let options given on the command line win over the file."""
    names = ("marked", "report", "windows", "bids")
    export = {name: changes[name] for name in names if changes.get(name) is not None}
    if plan is not None:
        export["plan"] = plan
    if changes.get("deidentify"):
        export["deidentify"] = True
    if changes.get("drop_notes"):
        if not (export.get("deidentify") or config.export.deidentify):
            raise UsageError(
                "--drop-notes must come with --deidentify, got it alone: names and dates would "
                "stay in the header"
            )
        export["keep_notes"] = False
    labelling = {} if model is None else {"model": model}
    return dataclasses.replace(
        config,
        export=dataclasses.replace(config.export, **export),  # type: ignore[arg-type]
        labelling=dataclasses.replace(config.labelling, **labelling),
    )


@contextmanager
def _progress(count: int, *, hidden: bool) -> "Iterator[Callable[[], None]]":
    """Show how many recordings are done, on a terminal only."""
    if hidden or not sys.stderr.isatty():
        yield lambda: None
        return
    with click.progressbar(length=count, label="screening", file=sys.stderr) as bar:
        yield lambda: bar.update(1)


@contextmanager
def _telling_how_far(
    count: int, step: "Callable[[], None]"
) -> "Iterator[Callable[[Outcome], None]]":
    """Say how far the block came if it is stopped, or meets a full disk."""
    arrived = 0

    def done(_outcome: "Outcome") -> None:
        nonlocal arrived
        arrived += 1
        step()

    try:
        yield done
    except BaseException as error:
        if arrived:
            tell_how_far(
                f"{arrived} of {count} recordings have their results; name the others again to "
                "have them screened",
                after=error,
            )
        raise


def table_lines(outcomes: "Sequence[Outcome]") -> list[str]:
    """Short table: how much of each recording is usable, and what to mend."""
    labels = list(dict.fromkeys(label for outcome in outcomes for label in outcome.shares))
    header = ["recording", "length", "usable", "plan", "clean", *labels, "mend"]
    rows = [header]
    for outcome in outcomes:
        if outcome.status != "done":
            rows.append([outcome.recording, "failed", *[""] * (len(header) - 2)])
            continue
        rows.append(
            [
                _name(outcome),
                _clock(outcome.duration_s),
                f"{outcome.usable_s / max(outcome.duration_s, 1e-9):.0%}",
                "short" if outcome.shortfalls else "meets",
                f"{outcome.clean_share:.0%}",
                *(f"{outcome.shares.get(label, 0):.1%}" for label in labels),
                " ".join(outcome.mend) or "-",
            ]
        )
    widths = [max(len(row[column]) for row in rows) for column in range(len(header))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def told_lines(outcomes: "Sequence[Outcome]") -> list[str]:
    """Say what was found beside marks, and what the warnings are."""
    done = [outcome for outcome in outcomes if outcome.status == "done"]
    return [
        *_lines_about("findings", done, of=len(outcomes)),
        *_lines_about("warnings", done, of=len(outcomes)),
    ]


def _lines_about(what: str, outcomes: "Sequence[Outcome]", *, of: int) -> list[str]:
    """Write a block of lines, the same text of several recordings once, and where all stand.

    What they are about names the outcomes' attribute and the summary's column.
    """
    from cleanspan.recording.odd import listed

    names: dict[str, list[str]] = {}
    # The first one of each recording before the second ones: none is crowded out by another's.
    ranked = zip_longest(
        *([(one, text) for text in dict.fromkeys(getattr(one, what))] for one in outcomes)
    )
    for outcome, text in filter(None, chain.from_iterable(ranked)):
        names.setdefault(" ".join(text.split()), []).append(" ".join(_name(outcome).split()))
    if not names:
        return []
    concerned = sum(bool(getattr(one, what)) for one in outcomes)
    lines = [f"{what} about {concerned} of {of} recordings:"]
    lines += [f"  {listed(who, _NAMED)}: {text}" for text, who in list(names.items())[:_SHOWN]]
    more = len(names) - _SHOWN
    if more > 0:
        lines.append(f"  and {more} more in summary.csv, column {what}")
    return lines


def _name(outcome: "Outcome") -> str:
    """Name a recording so that its namesakes do not look alike."""
    from cleanspan.export.cells import told_apart

    return told_apart(outcome.recording, outcome.folder.name if outcome.folder else "")


def _clock(duration_s: float) -> str:
    """Duration as h:mm:ss."""
    whole = round(duration_s)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
