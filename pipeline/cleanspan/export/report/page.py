"""The recording's page: one file that needs nothing else, on screen and on paper."""

import base64
import hashlib
import itertools
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from cleanspan import __version__
from cleanspan.atomic import replacing_file
from cleanspan.export.cells import readable
from cleanspan.export.report import palette as looks
from cleanspan.export.report import strip, traces, verdict
from cleanspan.export.report.head import Gauge, head_drawing
from cleanspan.export.report.palette import Swatch, plain
from cleanspan.export.report.spectra import spectra_drawing
from cleanspan.export.told import OF_ONE, finding_lines
from cleanspan.types import CONTACT_LOSS, Channel, Finding, Screened

if TYPE_CHECKING:
    import jinja2
    import pandas as pd

TEMPLATES = Path(__file__).parent / "templates"
QUARTERS = 4
ALARM_SHARE = 0.9
"""An electrode with less contact than this in any quarter is drawn to catch the eye."""
_DOUBTS = 4

Spans = npt.NDArray[np.float64]


class PlanUse(Protocol):
    """What the page needs to know about a plan that was applied to the recording."""

    @property
    def usable_s(self) -> float:
        """Usable time."""

    @property
    def excluded(self) -> "pd.DataFrame":
        """What is left out: columns onset_s, duration_s."""

    @property
    def shortfalls(self) -> tuple[str, ...]:
        """Why the recording does not meet the plan."""


def write_report(screened: Screened, applied: Mapping[str, PlanUse | float], path: Path) -> None:
    """Write the page of one recording.

    Parameters
    ----------
    screened : Screened
        The recording must still be open: short stretches of it are drawn.
    applied : mapping of str to PlanUse or float
        Plan's name → what it leaves, or only the usable seconds. The configuration's plan is the
        one the headline speaks of; it is shown first.
    path : Path
        Where to write.

    Raises
    ------
    OutputError
        If the page cannot be written.
    """
    text = environment().get_template("recording.html.jinja").render(_content(screened, applied))
    with replacing_file(path) as beside:
        beside.write_text(text, encoding="utf-8")


def environment(folder: Path = TEMPLATES) -> "jinja2.Environment":
    """Give the environment of a folder of templates: all is escaped, nothing may be missing."""
    import jinja2

    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["plain"] = plain
    made.filters["clock"] = strip.clock
    made.filters["length_of_time"] = strip.length
    made.filters["percent"] = strip.percent
    made.globals["version"] = __version__
    return made


def inline(name: str, folder: Path = TEMPLATES) -> Markup:
    """Read a style sheet or script of ours that stands inside the page."""
    return Markup((folder / name).read_text(encoding="utf-8"))  # noqa: S704 - our own file


def policy(*scripts: str) -> str:
    """Write the content security policy: no network, and no script but ours.

    Should a text from a header ever slip through unescaped, the browser still runs nothing.
    """
    sums = (
        base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() for script in scripts
    )
    allowed = " ".join(f"'sha256-{value}'" for value in sums) or "'none'"
    return (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src {allowed}; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def _content(screened: Screened, applied: Mapping[str, PlanUse | float]) -> dict[str, object]:
    """Gather what the template shows."""
    swatches = looks.palette(screened.labels)
    spans = label_spans(screened.segments)
    first = (screened.config.export.plan, Path(screened.config.export.plan).stem)
    plan = next((name for name in applied if name in first), next(iter(applied), ""))
    use = applied.get(plan)
    script = inline("map.js")
    return {
        "policy": policy(script),
        "look": inline("look.css"),
        "own_look": inline("recording.css"),
        "script": script,
        "colours": looks.colour_rules(swatches),
        "hatchings": looks.hatchings(swatches),
        "legend": looks.legend(swatches),
        "name": readable(screened.recording.path.name),
        "headline": verdict.headline(
            screened,
            None if use is None else _usable_s(use),
            plan,
            channels=_channels_kept(use),
        ),
        "wrong": verdict.what_was_wrong(screened),
        "mend": _unsaid(verdict.to_mend(screened), screened.findings),
        "watch": verdict.to_watch(screened),
        "findings": finding_lines(screened.findings),
        "warnings": (*screened.recording.warnings, *screened.warnings),
        "map": _map(screened, spans, swatches),
        "plans": _plans(screened, applied, plan),
        "axis": strip.time_axis(screened.recording.duration_s, at_most=3),
        "clear": _figures(screened, swatches, traces.clearest(screened.segments, screened.labels)),
        "doubtful": _figures(
            screened, swatches, traces.least_certain(screened.segments, count=_DOUBTS)
        ),
        "spectra": _spectra(screened),
        "head": _head(screened, spans) if CONTACT_LOSS in screened.labels else None,
        "swatches": swatches,
        "channels": _channel_rows(screened),
        "facts": _facts(screened),
    }


def label_spans(segments: "pd.DataFrame") -> dict[str, dict[str, Spans]]:
    """Sort segments by channel and label.

    Returns
    -------
    dict of str to dict of str to ndarray of shape (n, 2)
        Channel → label → onsets and ends, s.
    """
    onset_s = segments["onset_s"].to_numpy(dtype=float)
    ends = np.stack((onset_s, onset_s + segments["duration_s"].to_numpy(dtype=float)), axis=1)
    sorted_out: dict[str, dict[str, Spans]] = {}
    for key, rows in segments.groupby(
        ["channel", "label"], observed=True, sort=False
    ).indices.items():
        channel, label = (str(part) for part in key)  # type: ignore[attr-defined]
        sorted_out.setdefault(channel, {})[label] = ends[rows]
    return sorted_out


def gaps(screened: Screened) -> list[tuple[float, float]]:
    """List the spans between pieces, where nothing was recorded, s."""
    pieces = sorted(screened.recording.pieces, key=lambda piece: piece.onset_s)
    between = [(a.onset_s + a.duration_s, b.onset_s) for a, b in itertools.pairwise(pieces)]
    return [(onset, end) for onset, end in between if end > onset]


def _map(
    screened: Screened, spans: Mapping[str, Mapping[str, Spans]], swatches: tuple[Swatch, ...]
) -> Markup:
    """Draw the map; at the end of each row the letter and share of what took most."""
    table = screened.channels.set_index("channel")
    rows = []
    for channel in screened.eeg:
        known = channel.label in table.index
        taken = (
            verdict.shares(table.loc[channel.label].to_dict(), screened.labels) if known else {}
        )
        most = max(taken, key=lambda label: np.nan_to_num(taken[label]), default="")
        aside: str | Markup = ""
        if most and taken[most] >= verdict.WORTH_SAYING:
            swatch = swatches[screened.labels.index(most)]
            aside = Markup("{} {}").format(swatch.chip, strip.percent(taken[most]))
        rows.append(strip.Row(channel.label, spans.get(channel.label, {}), aside))
    return strip.label_map(
        rows, swatches, duration_s=screened.recording.duration_s, gaps=gaps(screened)
    )


def _unsaid(mend: list[tuple[str, str]], findings: Sequence[Finding]) -> list[tuple[str, str]]:
    """Leave out channels that have a finding of their own: its sentence says more."""
    told = {finding.channels[0] for finding in findings if finding.kind in OF_ONE}
    return [(channel, note) for channel, note in mend if channel not in told]


def _channels_kept(use: PlanUse | float | None) -> tuple[int, int] | None:
    """Count the channels a plan keeps, and all; None where that is not known."""
    table = getattr(use, "channels", None)
    return None if table is None else (int((table["use"] == "keep").sum()), len(table))


def _usable_s(use: PlanUse | float) -> float:
    """Read the usable time."""
    return float(use) if isinstance(use, (int, float)) else use.usable_s


def _plans(
    screened: Screened, applied: Mapping[str, PlanUse | float], first: str
) -> list[dict[str, object]]:
    """Describe each plan's outcome, the chosen plan first."""
    recorded_s = verdict.recorded_time(screened)
    rows = []
    for name in sorted(applied, key=lambda name: name != first):
        use = applied[name]
        usable_s = _usable_s(use)
        whole = None if isinstance(use, (int, float)) else use
        rows.append(
            {
                "name": name,
                "usable_s": usable_s,
                "share": usable_s / recorded_s if recorded_s else float("nan"),
                "strip": "" if whole is None else _kept_strip(screened, whole.excluded),
                "shortfalls": () if whole is None else whole.shortfalls,
            }
        )
    return rows


def _kept_strip(screened: Screened, excluded: "pd.DataFrame") -> Markup:
    """Draw when a plan keeps the recording."""
    onset_s = excluded["onset_s"].to_numpy(dtype=float)
    ends = onset_s + excluded["duration_s"].to_numpy(dtype=float)
    dropped = np.concatenate(
        (np.stack((onset_s, ends), axis=1), np.array(gaps(screened)).reshape(-1, 2))
    )
    return strip.span_strip(dropped, duration_s=screened.recording.duration_s)


def _figures(
    screened: Screened, swatches: tuple[Swatch, ...], examples: list[traces.Example]
) -> list[Markup]:
    """Draw examples."""
    return [
        traces.trace_figure(
            example,
            screened.recording,
            screened.eeg,
            swatches[screened.labels.index(example.label)],
        )
        for example in examples
        if example.label in screened.labels
    ]


def _spectra(screened: Screened) -> Markup | None:
    """Draw the spectra where there are any."""
    if screened.spectra is None:
        return None
    return spectra_drawing(
        np.asarray(screened.spectra.frequency_hz, dtype=float),
        np.asarray(screened.spectra.density_uv2_hz, dtype=float),
        names=list(looks.short_names([channel.label for channel in screened.eeg]).values()),
        mains_hz=screened.mains_hz,
    )


def _head(screened: Screened, spans: Mapping[str, Mapping[str, Spans]]) -> Markup:
    """Draw each electrode's contact in the quarters of the recording."""
    edges_s = np.linspace(0.0, max(screened.recording.duration_s, 1e-6), QUARTERS + 1)
    gauges = []
    for channel in screened.eeg:
        lost = spans.get(channel.label, {}).get(CONTACT_LOSS, np.empty((0, 2)))
        contact = tuple(float(share) for share in 1.0 - strip.covered_share(lost, edges_s))
        alarm = min(contact) < ALARM_SHARE
        gauges.append(Gauge(channel.label, channel.electrode or "", contact, alarm))
    return head_drawing(gauges, title="Contact of each electrode in the quarters of the recording")


def _channel_rows(screened: Screened) -> list[dict[str, object]]:
    """Prepare the channel table."""
    rows = []
    for row in screened.channels.to_dict("records"):
        taken = verdict.shares(row, screened.labels)
        rows.append(
            {
                "channel": row["channel"],
                "role": str(row["role"]),
                "verdict": str(row["verdict"]),
                "clean": verdict.number(row["clean_share"]),
                "shares": [taken[label] for label in screened.labels],
                "note": verdict.text(row["note"]),
            }
        )
    return rows


def _facts(screened: Screened) -> list[tuple[str, str]]:
    """List what was screened and with what; nothing of who was recorded."""
    recording = screened.recording
    rates = sorted({channel.rate_hz for channel in screened.eeg})
    facts = [
        ("Recording", readable(recording.path.name)),
        ("Format", recording.format),
        ("Length", strip.clock(recording.duration_s)),
        ("Sampling rate", ", ".join(f"{rate:g} Hz" for rate in rates) or "–"),
        ("Channels", f"{len(screened.eeg)} screened of {len(recording.channels)}"),
        ("Filters", _filters(screened.eeg)),
        ("Mains", f"{screened.mains_hz:g} Hz" if screened.mains_hz else "none found"),
        ("Model", screened.model),
        ("Configuration", screened.config.fingerprint()),
        ("cleanspan", __version__),
    ]
    if len(recording.pieces) > 1:
        facts.insert(3, ("Pieces", f"{len(recording.pieces)}, with gaps between them"))
    return facts


def _filters(channels: Sequence[Channel]) -> str:
    """Say which filters of the recorder the header states; what it leaves out cannot be known."""
    told = list(dict.fromkeys(_stated(channel) for channel in channels))
    if not any(told):
        return "none stated in the header"
    first = "; ".join(text or "none stated" for text in told[:2])
    return first if len(told) <= 2 else f"{first}; others on other channels"


def _stated(channel: Channel) -> str:
    """Give the filters stated for one channel; empty where there are none."""
    cutoffs_hz = {
        "high-pass": channel.high_pass_hz,
        "low-pass": channel.low_pass_hz,
        "notch": channel.notch_hz,
    }
    return ", ".join(f"{name} {hz:g} Hz" for name, hz in cutoffs_hz.items() if hz)
