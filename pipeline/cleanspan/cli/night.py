"""``cleanspan night``: the unattended run."""

import signal
import sys
import threading
from datetime import date, datetime
from pathlib import Path
from types import FrameType

import click

from cleanspan.cli import TEXT, GivenPath
from cleanspan.errors import UsageError

DAY = click.DateTime(["%Y-%m-%d"])


def as_date(value: datetime | None) -> date | None:
    """Turn click's time into a date."""
    return None if value is None else value.date()


@click.command("night")
@click.option(
    "--config",
    "config_path",
    type=GivenPath(dir_okay=False),
    required=True,
    help="Settings of the night: a TOML file; configs/night.example.toml explains each.",
)
@click.option(
    "--again",
    is_flag=True,
    help="Also screen recordings whose results come from another model or configuration, "
    "or are gone; the former results are kept in the folder 'earlier'.",
)
@click.option(
    "--since", type=DAY, help="With --again: only recordings that came in from this day on."
)
@click.option(
    "--until", type=DAY, help="With --again: only recordings that came in up to this day."
)
@click.option("--release", is_flag=True, help="Also try again what is in quarantine.")
@click.option(
    "--cluster",
    type=TEXT,
    metavar="ADDRESS",
    help="Screen on a Dask cluster: its scheduler's address, such as tcp://host:8786.",
)
@click.option("--quiet", is_flag=True, help="On a terminal, print only the last line.")
def command(
    *,
    config_path: Path,
    again: bool,
    since: datetime | None,
    until: datetime | None,
    release: bool,
    cluster: str | None,
    quiet: bool,
) -> None:
    """Screen what came in since the last night, and write a page about it.

    New recordings in the inbox folders are found, screened and given a folder of results each;
    what is done already is not done again. The page night.html in the output folder says how
    much of each recording is usable, what went wrong and which electrodes to mend first.

    Exit status: 0 all done, 1 some recordings failed (the rest are done), 2 usage or
    configuration. The last line on standard output sums up the run as key=value pairs.
    """
    from cleanspan.night.config import load_night
    from cleanspan.night.journal import journal
    from cleanspan.night.planning import Request
    from cleanspan.night.run import run_night

    if (since or until) and not again:
        raise UsageError("--since and --until must come with --again, got no --again")
    if since and until and since > until:
        raise UsageError(f"--since must not be after --until, got {since:%Y-%m-%d}")
    config = load_night(config_path)
    request = Request(again, as_date(since), as_date(until), release, cluster or "")
    terminal = None if quiet or not sys.stderr.isatty() else sys.stderr
    with journal(config, terminal=terminal):
        account = run_night(config, request, stop=stopping_on_signals())
    for problem in account.problems:
        click.echo(f"cleanspan night: {problem}", err=True)
    click.echo(summary_line(account.status, account.counts, account.seconds, config.output_folder))
    sys.exit(account.status)


def summary_line(status: int, counts: dict[str, int], seconds: float, output: Path) -> str:
    """Sum up a run in one line that people and log readers understand."""
    pairs = {"status": status, **counts, "seconds": round(seconds)}
    text = " ".join(f"{key}={value}" for key, value in pairs.items())
    return f'cleanspan night: {text} page="{output / "night.html"}"'


def stopping_on_signals() -> threading.Event:
    """Give an event that SIGTERM or Ctrl-C sets; a second signal ends the program at once."""
    stop = threading.Event()

    def ask(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 - signal's signature
        stop.set()
        signal.signal(number, signal.SIG_DFL)

    signal.signal(signal.SIGTERM, ask)
    signal.signal(signal.SIGINT, ask)
    return stop
