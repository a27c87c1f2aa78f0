"""Exclusions made again from stored results: other plans, no new screening."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cleanspan.atomic import alone_in, output_error
from cleanspan.errors import RecordingError, UsageError
from cleanspan.export.cells import FOLDER, plain_cell
from cleanspan.export.counted import SEPARATOR
from cleanspan.export.earlier import earlier_rows, put_aside, read_rows
from cleanspan.export.events import judge_events
from cleanspan.export.exclusions import Applied, apply_to
from cleanspan.export.marks import DROPS
from cleanspan.export.plans import Plan
from cleanspan.export.stored import StoredResult
from cleanspan.export.tables import applied_paths, tagged, write_applied, write_csv
from cleanspan.types import Note

if TYPE_CHECKING:
    import pandas as pd

ANNOTATIONS, BUTTON = "annotations", "button"
PLANS = "plans.csv"
"""The table over all recordings in a folder of results."""


@dataclass(frozen=True, slots=True)
class EventChoice:
    """Which events are judged, and with which epoch.

    Attributes
    ----------
    source : {"annotations", "button"}
        The recording's annotations or the presses of its marker button.
    text : str
        Only annotations that hold this text, in any case; empty for all.
    epoch_s : tuple of float, optional
        Begin and end around the event; the plan's own where None.
    """

    source: str
    text: str = ""
    epoch_s: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class PlanRow:
    """What one plan leaves of one recording: a row of ``plans.csv``.

    Attributes are the columns; seconds, shares and counts. `folder` is the name of the folder
    that holds the recording's results.
    """

    recording: str
    plan: str
    meets: str
    usable_s: float = float("nan")
    usable_share: float = float("nan")
    excluded_s: float = float("nan")
    duration_s: float = float("nan")
    excluded_spans: int = 0
    dropped: str = ""
    events: int = 0
    events_kept: int = 0
    shortfalls: str = ""
    warnings: str = ""
    error: str = ""
    folder: str = ""


def replan(
    folder: Path, plans: Sequence[Plan], *, events: EventChoice | None = None
) -> list[PlanRow]:
    """Apply plans to a stored result and write their files beside it.

    One plan writes ``R_exclusions.csv``, ``R_kept.csv``, ``R_usable.csv`` (and ``R_events.csv``);
    several write one set each, with the plan's name in the files' names. ``R_plans.csv`` sets
    the plans side by side. Marks, page and summary stay those of the plan that the recording
    was screened with: they cannot be made again without it.

    Returns
    -------
    list of PlanRow
        One a plan.

    Raises
    ------
    RecordingError
        If the result is missing or damaged.
    UsageError
        If events are asked for and there is no epoch.
    OutputError
        If a file cannot be written.
    """
    stored = StoredResult.load(folder)
    rows = []
    for plan in plans:
        applied = apply_to(stored, stored.pieces, plan)
        tag = plan.name if len(plans) > 1 else ""
        former = [_bytes_of(path) for path in applied_paths(folder, stored.stem, tag)]
        lists = write_applied(applied, folder, stored.stem, tag=tag)
        judged, said = None, []
        if events is not None:
            judged = judge_events(
                chosen_events(stored, events),
                epoch_of(events, plan),
                applied,
                pieces=stored.pieces,
            )
            _write_events(judged, stored, tag)
            said = ["no event of that kind was found"] if judged.empty else []
        elif former != [_bytes_of(path) for path in lists]:
            said = _drop_events(stored, tag)
        rows.append(_row(stored, applied, judged, said))
    write_plan_rows(rows, folder / f"{stored.stem}_plans.csv")
    return rows


def check_events(folders: Sequence[Path], events: EventChoice) -> None:
    """Make sure, before anything is written, that at least one result has such an event.

    Results that cannot be read are passed over: they are told when their turn comes.

    Raises
    ------
    UsageError
        If none has.
    """
    seen = False
    for folder in folders:
        try:
            stored = StoredResult.load(folder)
        except RecordingError:
            continue
        if chosen_events(stored, events):
            return
        seen = True
    if seen:
        wanted = "a press of the marker button" if events.source == BUTTON else "an annotation"
        text = f" with {events.text!r} in its text" if events.text else ""
        raise UsageError(
            f"at least one recording must have {wanted}{text}, got none: nothing was written; "
            'the events of a recording R stand in R_facts.json under "notes" and "presses"'
        )


def chosen_events(stored: StoredResult, choice: EventChoice) -> list[Note]:
    """Pick a result's events; artefact marks that the recording already carried are none."""
    notes = stored.presses if choice.source == BUTTON else stored.notes
    return [
        note
        for note in notes
        if choice.text.casefold() in note.text.casefold()
        and "@@" not in note.text
        and not note.text.casefold().startswith(DROPS.casefold())
    ]


def write_plan_rows(rows: Sequence[PlanRow], path: Path) -> Path:
    """Write rows as a table."""
    import pandas as pd

    columns = [field.name for field in fields(PlanRow)]
    table = pd.DataFrame([asdict(row) for row in rows], columns=columns)
    for name in ("recording", "shortfalls", "warnings", "error", "folder"):
        table[name] = [plain_cell(text) for text in table[name]]
    return write_csv(table, path, decimals=6)


def check_table(path: Path) -> None:
    """Refuse to replace a file that is no table of plans: a recording, say.

    Raises
    ------
    UsageError
    """
    if not path.exists():
        return
    start = b"recording,plan,meets"
    try:
        with path.open("rb") as file:
            same = file.read(len(start)) == start
    except OSError as error:
        raise output_error(path, error) from error
    if not same:
        raise UsageError(
            f"{path}: --table must be a new file or an earlier table of plans, got something "
            "else; give another name"
        )


def update_plans(rows: Sequence[PlanRow], path: Path) -> Path:
    """Write rows into a table over many recordings; rows of other recordings there stay.

    Raises
    ------
    OutputError
        If it cannot be written; the former table is whole then.
    """
    with alone_in(path.parent):
        earlier = _earlier_plans(path, {row.folder for row in rows})
        return write_plan_rows([*earlier, *rows], path)


def forget_plans(path: Path, folders: Collection[str]) -> None:
    """Take rows about results that have been replaced out of a table, where there are any.

    Raises
    ------
    OutputError
        If it cannot be written; the former table is whole then.
    """
    rows = read_rows(path) or []
    if {plain_cell(name) for name in folders} & {row[FOLDER] for row in rows}:
        write_plan_rows(_earlier_plans(path, folders), path)


def _earlier_plans(path: Path, but: Collection[str]) -> list[PlanRow]:
    """Read the rows of recordings that are not to be replaced."""
    try:
        return [_plan_row(cells) for cells in earlier_rows(path, but=but)[0]]
    except (KeyError, ValueError):
        put_aside(path)
        return []


def _plan_row(cells: Mapping[str, str]) -> PlanRow:
    """Read a row back."""
    values: dict[str, Any] = {field.name: cells[field.name] for field in fields(PlanRow)}
    for field in fields(PlanRow):
        if isinstance(field.default, float | int):
            values[field.name] = type(field.default)(cells[field.name] or field.default)
    return PlanRow(**values)


def epoch_of(events: EventChoice, plan: Plan) -> tuple[float, float]:
    """Take the epoch that was asked for, else the plan's.

    Raises
    ------
    UsageError
        If there is neither.
    """
    if events.epoch_s is not None:
        return events.epoch_s
    if not plan.epoch_s:
        raise UsageError(
            f"events need an epoch, got none and plan {plan.name!r} has none; "
            "give one, such as --epoch -0.2:0.8"
        )
    return plan.epoch_s[0], plan.epoch_s[1]


def _events_path(stored: StoredResult, tag: str) -> Path:
    return stored.folder / f"{stored.stem}_events{tagged(tag)}"


def _write_events(judged: "pd.DataFrame", stored: StoredResult, tag: str) -> None:
    """Write ``R_events.csv``; the events' texts are free texts."""
    table = judged.assign(text=[plain_cell(text) for text in judged["text"]])
    write_csv(table, _events_path(stored, tag), decimals=6)


def _drop_events(stored: StoredResult, tag: str) -> list[str]:
    """Delete epochs that were judged by lists that another plan has replaced.

    Returns what the user should know.
    """
    path = _events_path(stored, tag)
    try:
        path.unlink()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise output_error(path, error) from error
    gone = f"{path.name} is gone: its epochs were judged by other lists"
    again = "call this again with --events annotations (or button), and --epoch and --text as then"
    return [f"{gone}; to have it again by these, {again}"]


def _bytes_of(path: Path) -> bytes:
    """Read a file; one that is not there is empty."""
    return path.read_bytes() if path.is_file() else b""


def _row(
    stored: StoredResult, applied: Applied, judged: "pd.DataFrame | None", said: Sequence[str]
) -> PlanRow:
    """Put the outcome of one plan into a row."""
    duration_s, usable_s = applied.duration_s, applied.usable_s
    return PlanRow(
        recording=stored.recording,
        plan=applied.plan.name,
        meets="yes" if applied.meets_minimum else "no",
        usable_s=usable_s,
        usable_share=round(usable_s / duration_s, 4) if duration_s else 0.0,
        excluded_s=round(duration_s - usable_s, 6),
        duration_s=duration_s,
        excluded_spans=len(applied.excluded),
        dropped=SEPARATOR.join(applied.dropped["channel"]),
        events=0 if judged is None else len(judged),
        events_kept=0 if judged is None else int((judged["verdict"] == "keep").sum()),
        shortfalls="; ".join(applied.shortfalls),
        warnings="; ".join((*applied.warnings, *said)),
        folder=stored.folder.resolve().name,
    )
