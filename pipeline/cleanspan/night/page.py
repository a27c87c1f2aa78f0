"""The night's page: what came in, how much of it is usable, what went wrong, what to mend."""

import html
import logging
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from cleanspan.atomic import output_error, replacing_file
from cleanspan.export.handwork import keep_file
from cleanspan.night import history
from cleanspan.night.account import Account, wanting
from cleanspan.night.config import NightConfig
from cleanspan.night.electrodes import table
from cleanspan.night.history import Line, Trend
from cleanspan.night.names import Names
from cleanspan.night.placing import NIGHTS
from cleanspan.recording.odd import listed

if TYPE_CHECKING:
    import jinja2
    from markupsafe import Markup

    from cleanspan.export.report.palette import Swatch

TEMPLATES = Path(__file__).parent / "templates"
_log = logging.getLogger(__name__)

LATEST = "night.html"
OURS = "– cleanspan</title>".encode()
"""What every page of the night has in its first `_HEAD` bytes."""
_HEAD = 4096
_MAP_BINS = 400
_AT_MOST = 12
"""Electrodes shown with their trend."""


@dataclass(frozen=True, slots=True)
class Shown:
    """One recording as the page shows it."""

    name: str
    line: Line
    link: str
    map: "Markup | str"
    findings: tuple[str, ...] = ()

    @property
    def usable_share(self) -> float:
        """Share of the recorded time that is usable."""
        outcome = self.line.outcome
        if outcome is None or not outcome.duration_s > 0:
            return float("nan")
        return outcome.usable_s / outcome.duration_s


def write_page(db: sqlite3.Connection, config: NightConfig, account: Account) -> None:
    """Write the page of a run, finished or under way.

    The latest stands at ``night.html`` in the output folder; when the run has ended, a copy
    stays in the run's own folder.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    output = config.output_folder
    maps = _Maps(output) if account.finished else None
    if account.finished:
        _write(
            db, config, account, maps, output / NIGHTS / account.folder / "report.html", "../../"
        )
    keep_strange(output / LATEST)
    _write(db, config, account, maps, output / LATEST, "")


def keep_strange(path: Path) -> None:
    """Put a page aside that none of ours can be: it must not be lost.

    Raises
    ------
    OutputError
        If it cannot be moved.
    """
    if path.is_file() and OURS not in path.read_bytes()[:_HEAD]:
        kept = keep_file(path)
        _log.warning("%s was no page of the night: kept as %s", path, kept)


def write_note(config: NightConfig, message: str) -> None:
    """Leave a page that says why there is no night; nothing happens if that is impossible."""
    text = (
        _environment()
        .get_template("stopped.html.jinja")
        .render(look=_look(), message=message.splitlines())
    )
    try:
        path = config.output_folder / LATEST
        keep_strange(path)
        with replacing_file(path) as beside:
            beside.write_text(text, encoding="utf-8")
    except Exception as error:  # noqa: BLE001 - the message itself is on its way to the terminal
        _log.error("no page: %s", error)


def _write(
    db: sqlite3.Connection,
    config: NightConfig,
    account: Account,
    maps: "_Maps | None",
    path: Path,
    root: str,
) -> None:
    """Write one copy; root leads from it to the output folder."""
    text = (
        _environment()
        .get_template("night.html.jinja")
        .render(_content(db, config, account, maps, root))
    )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise output_error(path, error) from error
    with replacing_file(path) as beside:
        beside.write_text(text, encoding="utf-8")


def _content(
    db: sqlite3.Connection,
    config: NightConfig,
    account: Account,
    maps: "_Maps | None",
    root: str,
) -> dict[str, Any]:
    """Gather what the template shows."""
    from cleanspan.export.report import palette

    names = Names(config.page.names)
    tonight = history.lines(db, history.Selection(run=account.run))
    good = [line for line in tonight if line.current]
    labels = _labels(good)
    swatches = palette.palette(labels)
    quarantined = history.lines(db, history.Selection(state="quarantined"))
    dates, trends = history.trends(db, nights=config.page.nights)
    return {
        "look": _look(),
        "colours": palette.colour_rules(swatches),
        "hatchings": palette.hatchings(swatches),
        "legend": palette.legend(swatches),
        "account": account,
        "headline": headline(account, tonight),
        "failed": [_shown(line, names, root, None, ()) for line in tonight if wanting(line)],
        "done": [_shown(line, names, root, maps, swatches) for line in good],
        "swatches": swatches,
        "quarantined": [
            _shown(line, names, root, None, ()) for line in quarantined if line.run != account.run
        ],
        "mend": [trend for trend in trends if trend.mend[-1]],
        "trends": _worst(trends),
        "noted": _noted(trends),
        "heads": _heads(trends) if dates else [],
        "dates": dates,
        "several": len({trend.inbox for trend in trends}) > 1,
        "bars": trend_bars,
        "root": root,
        "attempts": config.limits.attempts,
    }


def headline(account: Account, tonight: Sequence[Line]) -> str:
    """Say in one sentence how the night went."""
    done = sum(line.state == "done" for line in tonight)
    wrong = sum(wanting(line) for line in tonight) + len(account.unread)
    if not account.finished:
        return f"Not finished: {done} of {account.planned} recordings have results so far"
    left = max(0, account.planned - done - sum(wanting(line) for line in tonight))
    if not account.planned and not wrong:
        text = "Nothing new came in"
    elif not wrong and not left:
        text = (
            f"All {done} new recordings have results"
            if done != 1
            else "The one new recording has its results"
        )
    else:
        text = f"{done} of {account.planned + len(account.unread)} new recordings have results"
    if account.problems:
        text += "; an inbox could not be read"
    if account.stopped:
        text += "; the run was stopped early"
    return text


def _shown(
    line: Line, names: Names, root: str, maps: "_Maps | None", swatches: "Sequence[Swatch]"
) -> Shown:
    """Prepare one recording."""
    name = names.of_content(line.digest, line.name)
    link, drawing = "", ""
    findings: tuple[str, ...] = ()
    if line.current and line.outcome is not None:
        link = root + quote(f"{line.folder}/")
        findings = line.outcome.findings
        if maps is not None:
            link = root + quote(maps.report(line.folder) or f"{line.folder}/")
            drawing = maps.drawn(line.folder, swatches, line.outcome.duration_s)
    return Shown(name, line, link, drawing, findings)


def _labels(lines: Iterable[Line]) -> tuple[str, ...]:
    """Collect the labels of tonight's results in the model's order."""
    return tuple(
        dict.fromkeys(label for line in lines if line.outcome for label in line.outcome.shares)
    )


class _Maps:
    """The pictures of the results, drawn once for both copies of the page."""

    def __init__(self, output: Path) -> None:
        self.output = output
        self._drawn: dict[str, Markup | str] = {}

    def report(self, folder: str) -> str:
        """Find a result's own page, below the output folder."""
        found = sorted((self.output / folder).glob("*_report.html"))
        return str(found[0].relative_to(self.output)) if found else ""

    def drawn(
        self, folder: str, swatches: "Sequence[Swatch]", duration_s: float
    ) -> "Markup | str":
        """Draw labels over time by channel from a result's tables."""
        if folder not in self._drawn:
            self._drawn[folder] = _map(self.output / folder, swatches, duration_s)
        return self._drawn[folder]


def _map(folder: Path, swatches: "Sequence[Swatch]", duration_s: float) -> "Markup | str":
    """Read one result's tables and draw them; empty where they are missing."""
    import numpy as np

    from cleanspan.export.report.strip import Row, label_map

    spans: dict[str, dict[str, list[tuple[float, float]]]] = {}
    try:
        for row in table(folder, "*_channels.csv"):
            if row["verdict"] != "not screened":
                spans[row["channel"]] = {}
        for row in table(folder, "*_segments.csv"):
            onset_s, length_s = float(row["onset_s"]), float(row["duration_s"])
            of_channel = spans.setdefault(row["channel"], {})
            of_channel.setdefault(row["label"], []).append((onset_s, onset_s + length_s))
    except (OSError, KeyError, ValueError):
        return ""
    if not spans or not duration_s > 0:
        return ""
    rows = [
        Row(channel, {label: np.array(pairs) for label, pairs in by_label.items()})
        for channel, by_label in spans.items()
    ]
    return label_map(rows, swatches, duration_s=duration_s, most_bins=_MAP_BINS)


def _worst(trends: Sequence[Trend]) -> list[Trend]:
    """Choose the electrodes whose trend is worth showing: those to mend, then the worst."""
    lost = [trend for trend in trends if _lost_contact(trend)]
    return lost[: max(_AT_MOST, sum(trend.mend[-1] for trend in trends))]


def _lost_contact(trend: Trend) -> bool:
    """Whether an electrode lost contact in the last night."""
    return trend.mend[-1] or trend.shares[-1] > 0


def _noted(trends: Sequence[Trend]) -> dict[str, str]:
    """Gather by finding the electrodes that keep contact all the same, such as bridged ones."""
    noted: dict[str, list[str]] = {}
    for trend in trends:
        if not _lost_contact(trend):
            for note, _ in trend.notes:
                noted.setdefault(note, []).append(trend.electrode)
    return {note: listed(sorted(set(who)), _AT_MOST) for note, who in sorted(noted.items())}


def _heads(trends: Sequence[Trend]) -> "list[tuple[str, Markup]]":
    """Draw one head an inbox: the share of tonight's time without contact."""
    from cleanspan.export.report.head import Gauge, head_drawing

    drawn = []
    for inbox in sorted({trend.inbox for trend in trends}):
        gauges = [
            Gauge(trend.electrode, trend.electrode, (1 - trend.shares[-1],), trend.mend[-1])
            for trend in trends
            if trend.inbox == inbox and trend.shares[-1] == trend.shares[-1]
        ]
        if gauges:
            drawn.append((Path(inbox).name, head_drawing(gauges, title="Contact last night")))
    return drawn


def trend_bars(trend: Trend) -> "Markup":
    """Draw the share of time without contact, one bar a night; a dash where it was not used."""
    from markupsafe import Markup

    from cleanspan.export.report.strip import percent

    width, height = 9, 22
    parts = []
    for number, (share, mend) in enumerate(zip(trend.shares, trend.mend, strict=True)):
        x = number * width + 1
        if share != share:
            parts.append(f'<path class="absent" d="M{x + 2} {height - 1}h3"/>')
            continue
        tall = max(1.0, share * height)
        kind = "needs" if mend else "fine"
        parts.append(
            f'<rect class="{kind}" x="{x}" y="{height - tall:.1f}" width="{width - 2}" '
            f'height="{tall:.1f}"/>'
        )
    told = html.escape(", ".join(percent(share) for share in trend.shares))
    return Markup(  # noqa: S704 - numbers only
        f'<svg class="trend" viewBox="0 0 {len(trend.shares) * width + 1} {height}" '
        f'width="{len(trend.shares) * width + 1}" height="{height}" role="img" '
        f'aria-label="Time without contact, oldest night first: {told}">'
        f'<path class="rule" d="M0 {height}h{len(trend.shares) * width + 1}"/>'
        f"{''.join(parts)}</svg>"
    )


def _environment() -> "jinja2.Environment":
    """Take the reports' environment with our templates."""
    import jinja2

    from cleanspan.export.report.page import environment

    made = environment()
    made.loader = jinja2.FileSystemLoader(TEMPLATES)
    return made


def _look() -> "Markup":
    """Join the reports' style sheet and what this page adds."""
    from markupsafe import Markup

    from cleanspan.export.report.page import inline

    return inline("look.css") + Markup((TEMPLATES / "night.css").read_text(encoding="utf-8"))  # noqa: S704
