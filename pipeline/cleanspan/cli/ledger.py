"""``cleanspan ledger``: what the nights have done."""

import csv
import io
import json
from collections.abc import Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cleanspan.cli import TEXT, GivenPath
from cleanspan.cli.night import DAY, as_date
from cleanspan.errors import UsageError

if TYPE_CHECKING:
    from cleanspan.night.config import NightConfig
    from cleanspan.night.history import Line
    from cleanspan.night.names import Names

STATES = ("waiting", "working", "placing", "done", "failed", "quarantined")


@click.command("ledger")
@click.option(
    "--config",
    "config_path",
    type=GivenPath(dir_okay=False),
    required=True,
    help="The night's settings: they say where the ledger is.",
)
@click.option("--state", type=click.Choice(STATES), default=None, help="Only these.")
@click.option("--name", type=TEXT, help="Only names, folders or codes that fit this pattern.")
@click.option("--model", type=TEXT, help="Only results of this model (beginning of its name).")
@click.option("--since", type=DAY, help="Only what came in from this day on.")
@click.option("--until", type=DAY, help="Only what came in up to this day.")
@click.option("--run", type=int, default=None, help="Only what this run handled.")
@click.option("--why", is_flag=True, help="Show every try and what the screening process said.")
@click.option("--runs", "list_runs", is_flag=True, help="List the runs instead of recordings.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["table", "csv", "json"]),
    default="table",
    show_default=True,
    help="How to print.",
)
@click.option("--names", "show_names", is_flag=True, help="Show file names where codes are set.")
@click.option(
    "--rebuild",
    is_flag=True,
    help="Make the ledger anew out of the results; the present one is kept beside it.",
)
def command(
    *,
    config_path: Path,
    state: str | None,
    name: str | None,
    model: str | None,
    since: datetime | None,
    until: datetime | None,
    run: int | None,
    why: bool,
    list_runs: bool,
    form: str,
    show_names: bool,
    rebuild: bool,
) -> None:
    """Show what the nights have done: which recordings, what failed and why."""
    from cleanspan.night import history, schema
    from cleanspan.night.config import FILE_NAME, load_night
    from cleanspan.night.names import Names

    config = load_night(config_path)
    if rebuild:
        click.echo(rebuilt(config))
        return
    names = Names(FILE_NAME if show_names else config.page.names)
    selection = history.Selection(
        state or "", name or "", model or "", as_date(since), as_date(until), run
    )
    with (
        closing(schema.connect_to_read(config.ledger_path)) as db,
        schema.explained(config.ledger_path),
    ):
        if list_runs:
            rows = [run_row(item) for item in history.runs(db)]
        else:
            found = history.lines(db, selection)
            rows = [line_row(line, names) for line in found]
            if why:
                for row, line in zip(rows, found, strict=True):
                    row["tries"] = [try_row(item) for item in history.attempts(db, line.job)]
    click.echo(printed(rows, form), nl=False)


def rebuilt(config: "NightConfig") -> str:
    """Make the ledger anew while no night runs; say what came of it."""
    from cleanspan.night.lock import only_one
    from cleanspan.night.rebuild import rebuild, set_aside
    from cleanspan.types import NIGHT_LOCK

    if not config.output_folder.is_dir():
        raise UsageError(f"output must be an existing folder, got {config.output_folder}")
    path = config.ledger_path
    with (
        only_one(config.output_folder / NIGHT_LOCK),
        only_one(path.with_name(f".{path.name}.lock")),
    ):
        kept = set_aside(path, why="former") if path.exists() else None
        count = rebuild(config)
    text = f"cleanspan ledger: {path} made anew from {count} result(s)"
    return text if kept is None else f"{text}; the former one is kept as {kept.name}"


def line_row(line: "Line", names: "Names") -> dict[str, Any]:
    """Give a recording's line as columns."""
    outcome = line.outcome if line.state == "done" else None
    return {
        "recording": names.of_content(line.digest, line.name),
        "came_in": line.came_in.isoformat(),
        "state": line.state,
        "reason": "" if line.state == "done" else line.reason,
        "usable_s": _rounded(outcome.usable_s) if outcome else "",
        "duration_s": _rounded(outcome.duration_s) if outcome else "",
        "tries": line.attempts,
        "model": line.model,
        "config": line.config,
        "run": "" if line.run is None else line.run,
        "ended_at": line.ended_at,
        "folder": line.folder if line.state == "done" else "",
        "content": line.digest,
        "error": line.error,
    }


def run_row(run: Any) -> dict[str, Any]:
    """Give a run as columns."""
    return {
        "run": run.run,
        "started_at": run.started_at,
        "ended_at": run.ended_at or "cut off or under way",
        "status": "" if run.status is None else run.status,
        "model": run.model,
        "config": run.config,
        "host": run.host,
        "version": run.version,
        **json.loads(run.counts),
    }


def try_row(item: Any) -> dict[str, Any]:
    """Give one try as columns."""
    return {
        "run": item.run,
        "started_at": item.started_at,
        "kind": item.kind,
        "seconds": item.seconds,
        "peak_mb": item.peak_mb,
        "host": item.host,
        "detail": item.detail,
    }


def printed(rows: Sequence[dict[str, Any]], form: str) -> str:
    """Print rows in the form asked for."""
    if form == "json":
        return json.dumps(list(rows), indent=1) + "\n"
    if form == "csv":
        return as_csv(rows)
    return as_table(rows)


def as_csv(rows: Sequence[dict[str, Any]]) -> str:
    """Write CSV; tries become one cell of JSON, and no cell can start a formula."""
    from cleanspan.export.cells import plain_cell

    columns = list(dict.fromkeys(key for row in rows for key in row))
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n", restval="")
    writer.writeheader()
    for row in rows:
        writer.writerow(
            {
                key: json.dumps(value)
                if isinstance(value, list)
                else plain_cell(value)
                if isinstance(value, str)
                else value
                for key, value in row.items()
            }
        )
    return text.getvalue()


def as_table(rows: Sequence[dict[str, Any]]) -> str:
    """Write aligned columns for people; errors and tries stand below their recording."""
    if not rows:
        return "nothing to show\n"
    from cleanspan.export.report.palette import plain

    hidden = ("error", "content", "config", "host", "version", "ended_at")
    keys = list(dict.fromkeys(key for row in rows for key in row if key not in hidden))
    cells = [
        {key: plain(len(v) if isinstance(v := row.get(key, ""), list) else v) for key in keys}
        for row in rows
    ]
    widths = {key: max(len(key), *(len(cell[key]) for cell in cells)) for key in keys}
    lines = ["  ".join(key.ljust(widths[key]) for key in keys).rstrip()]
    for row, cell in zip(rows, cells, strict=True):
        lines.append("  ".join(cell[key].ljust(widths[key]) for key in keys).rstrip())
        if row.get("error"):
            lines.append(f"    {plain(row['error'])}")
        if isinstance(row.get("tries"), list):
            lines += [line for item in row["tries"] for line in _told(item)]
    return "\n".join(lines) + "\n"


def _told(item: dict[str, Any]) -> list[str]:
    """Tell one try in lines."""
    from cleanspan.export.report.palette import plain

    took = "" if item["seconds"] is None else f" after {item['seconds']:g} s"
    peak = f", {item['peak_mb']:.0f} MB" if item["peak_mb"] else ""
    lines = [f"    run {item['run']}, {item['started_at']}: {item['kind']}{took}{peak}"]
    lines += [f"      | {plain(line)}" for line in item["detail"].splitlines()]
    return lines


def _rounded(seconds: float) -> float | str:
    """Round seconds; unknown ones are empty."""
    return round(seconds, 1) if seconds == seconds else ""
