"""Strips over time: the time axis, spans along it, and the map of labels by channel.

A strip stretches to the width of the page while its texts keep their size: drawings are
stretched without keeping their aspect, texts are placed beside them by per cent.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from cleanspan.export.report.palette import Swatch, plain

LANE_PX = 6
"""Height of one label's lane within a channel's row."""
_DENSE_LANE_PX = 4
_DENSE_ROWS = 32
_WIDTH = 1000.0
"""Width for which patterns keep their shape."""
_MOST_STEPS = 90_000
_PATTERN_PX = 8.0
_TICK_STEPS_S = (
    1,
    2,
    5,
    10,
    15,
    30,
    60,
    120,
    300,
    600,
    900,
    1800,
    3600,
    7200,
    10800,
    21600,
    43200,
)

Spans = npt.NDArray[np.float64]
"""Shape (n, 2): onset and end, s."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the map.

    Attributes
    ----------
    name : str
        The channel's label.
    spans : mapping of str to ndarray of shape (n, 2)
        Label → onsets and ends in seconds.
    aside : str or Markup
        What stands at the row's end.
    """

    name: str
    spans: Mapping[str, Spans]
    aside: str | Markup = ""


def clock(seconds: float) -> str:
    """Write a time of the recording as h:mm:ss."""
    if not math.isfinite(seconds):
        return "–"
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def length(seconds: float) -> str:
    """Write a length of time in words: ``2 h 05 min``, ``3 min 20 s``, ``42 s``.

    Rounded down: 179.6 s are not the 3 minutes that a plan may ask for.
    """
    if not math.isfinite(seconds):
        return "–"
    if 0 < seconds < 10:
        return f"{seconds:.1f} s"
    whole = math.floor(seconds + 1e-6)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def percent(share: float) -> str:
    """Write a share so that a little is never shown as nothing, nor nearly all as all."""
    if not math.isfinite(share):
        return "–"
    if 0 < share < 0.005:
        return "<1 %"
    if 0.995 <= share < 1:
        return ">99 %"
    return f"{100 * share:.0f} %"


def time_ticks(duration_s: float, *, at_most: int = 9) -> list[float]:
    """Choose round times for an axis from 0 to duration_s."""
    step = next((s for s in _TICK_STEPS_S if duration_s / s <= at_most), None)
    if step is None:
        step = 86400 * math.ceil(duration_s / 86400 / at_most)
    return [float(t) for t in np.arange(0, duration_s + 1e-9, step)]


def time_axis(duration_s: float, *, at_most: int = 9) -> Markup:
    """Draw the labels of a time axis, placed by per cent of its width."""
    marks = []
    for tick in time_ticks(duration_s, at_most=at_most):
        place = 100 * tick / duration_s if duration_s else 0
        edge = "first" if place < 3 else "last" if place > 97 else "inner"
        marks.append(
            Markup('<span class="{}" style="left:{}%">{}</span>').format(
                edge, f"{place:.3f}", clock(tick)
            )
        )
    return Markup('<div class="axis" aria-hidden="true">{}</div>').format(Markup("").join(marks))


def covered_share(spans: Spans, edges_s: Spans) -> Spans:
    """Compute which share of each bin is covered by spans.

    Parameters
    ----------
    spans : ndarray of shape (n, 2), s
        Onsets and ends; they may overlap.
    edges_s : ndarray of shape (n_bins + 1,), s

    Returns
    -------
    ndarray of shape (n_bins,)
        From 0 to 1.
    """
    if not len(spans):
        return np.zeros(len(edges_s) - 1)
    apart = merged(spans)
    lengths = apart[:, 1] - apart[:, 0]
    before = np.concatenate(([0.0], np.cumsum(lengths)))
    # Time covered up to t rises by one second a second inside a span and rests outside it.
    at = apart.reshape(-1)
    covered = np.stack((before[:-1], before[1:]), axis=1).reshape(-1)
    until_edge = np.interp(edges_s, at, covered)
    share: Spans = np.clip(np.diff(until_edge) / np.diff(edges_s), 0.0, 1.0)
    return share


def merged(spans: Spans) -> Spans:
    """Join overlapping spans; the result is sorted."""
    ordered = spans[np.argsort(spans[:, 0], kind="stable")]
    reach = np.maximum.accumulate(ordered[:, 1])
    first = np.concatenate(([True], ordered[1:, 0] > reach[:-1]))
    last = np.concatenate((first[1:], [True]))
    return np.stack((ordered[first, 0], reach[last]), axis=1)


def label_map(
    rows: Sequence[Row],
    swatches: Sequence[Swatch],
    *,
    duration_s: float,
    gaps: Iterable[tuple[float, float]] = (),
    most_bins: int = 1200,
) -> Markup:
    """Draw labels over time by channel.

    Each row has one lane a label, always in the order of swatches; a lane's bar is the higher
    the greater the share of time under the label, and never lower than a hair where there is any.

    Parameters
    ----------
    rows : sequence of Row
    swatches : sequence of Swatch
    duration_s : float
    gaps : iterable of (onset_s, end_s)
        Where nothing was recorded.
    most_bins : int
        Upper limit of the resolution along time.
    """
    lanes = max(1, len(rows) * len(swatches))
    bins = int(min(most_bins, max(300, _MOST_STEPS // lanes)))
    edges_s = np.linspace(0.0, max(duration_s, 1e-6), bins + 1)
    lane_px = LANE_PX if len(rows) <= _DENSE_ROWS else _DENSE_LANE_PX
    row_px = lane_px * len(swatches) + 4
    paths = []
    for swatch in swatches:
        bars, cuts = "", ""
        for number, row in enumerate(rows):
            floor = number * row_px + 2 + (swatch.slot + 1) * lane_px
            spans = row.spans.get(swatch.label, np.empty((0, 2)))
            levels = _levels(covered_share(spans, edges_s), lane_px)
            bars += _outline(levels, floor)
            cuts += _stretches(levels, floor, lane_px)
        paths.append(
            Markup(
                '<path class="f{0}" d="{1}"/>'
                '<path fill="url(#c{0})" transform="scale({2} 1)" d="{3}"/>'
            ).format(swatch.slot, bars, f"{bins / _WIDTH:.4f}", cuts)
        )
    height = row_px * len(rows)
    drawing = Markup(
        '<svg class="map" viewBox="0 0 {0} {1}" preserveAspectRatio="none" height="{1}" '
        'role="img" aria-label="Labels over time, one row a channel">{2}{3}{4}</svg>'
    ).format(
        bins,
        height,
        _grid(len(rows), row_px, bins, duration_s),
        Markup("").join(paths),
        _gap_rects(gaps, duration_s, bins, height),
    )
    names = Markup("").join(Markup("<li>{}</li>").format(plain(row.name)) for row in rows)
    asides = Markup("").join(Markup("<li>{}</li>").format(row.aside) for row in rows)
    return Markup(
        '<div class="mapgrid" style="--row:{}px;--rows:{}" data-duration="{}">'
        '<ol class="names">{}</ol><div class="plot">{}</div><ol class="asides">{}</ol>{}</div>'
    ).format(
        row_px,
        len(rows),
        f"{duration_s:.3f}",
        names,
        drawing,
        asides,
        time_axis(duration_s, at_most=6),
    )


def _levels(share: Spans, lane_px: int) -> npt.NDArray[np.int_]:
    """Turn shares into heights in whole px: at least 1 where there is anything."""
    levels = np.ceil(share * lane_px - 1e-9).astype(int)
    low: npt.NDArray[np.int_] = np.minimum(levels, lane_px - 1)  # a hair between the lanes
    return low


def _stretches(levels: npt.NDArray[np.int_], floor: int, lane_px: int) -> str:
    """Find stretches long and high enough for a pattern to be seen, as rectangles."""
    high = np.concatenate(([False], levels >= lane_px - 2, [False]))
    change = np.flatnonzero(high[1:] != high[:-1]) * (_WIDTH / len(levels))
    return "".join(
        f"M{start:.1f} {floor}v-{lane_px - 1}H{end:.1f}v{lane_px - 1}z"
        for start, end in zip(change[::2].tolist(), change[1::2].tolist(), strict=True)
        if end - start >= _PATTERN_PX
    )


def _outline(levels: npt.NDArray[np.int_], floor: int) -> str:
    """Outline one lane's bars, each run of equal heights once."""
    if not levels.any():
        return ""
    starts = np.concatenate(([0], np.flatnonzero(np.diff(levels)) + 1))
    runs = np.diff(np.concatenate((starts, [len(levels)])))
    parts = []
    level = 0
    x = None
    for start, run, new in zip(
        starts.tolist(), runs.tolist(), levels[starts].tolist(), strict=True
    ):
        if new and x is None:
            parts.append(f"M{start} {floor}v-{new}h{run}")
            x = start
        elif new:
            parts.append(f"v{level - new}h{run}")
        elif x is not None:
            parts.append(f"v{level}z")
            x = None
        level = new
    if x is not None:
        parts.append(f"v{level}z")
    return "".join(parts)


def _grid(rows: int, row_px: int, width: int, duration_s: float) -> Markup:
    """Shade every second row and rule the axis' ticks."""
    bands = "".join(f"M0 {i * row_px}h{width}v{row_px}h-{width}z" for i in range(0, rows, 2))
    scale = width / duration_s if duration_s else 0.0
    rules = "".join(f"M{t * scale:.2f} 0v{rows * row_px}" for t in time_ticks(duration_s))
    return Markup('<path class="band" d="{}"/><path class="rule" d="{}"/>').format(bands, rules)


def _gap_rects(
    gaps: Iterable[tuple[float, float]], duration_s: float, width: int, height: int
) -> Markup:
    """Cover what was not recorded."""
    scale = width / duration_s if duration_s else 0.0
    return Markup("").join(
        Markup('<rect class="gap" x="{}" y="0" width="{}" height="{}"/>').format(
            f"{onset * scale:.2f}", f"{max(0.5, (end - onset) * scale):.2f}", height
        )
        for onset, end in gaps
    )


def span_strip(spans: Spans, *, duration_s: float, height_px: int = 14) -> Markup:
    """Draw what is kept (full) and what is dropped (empty) along the recording."""
    edges_s = np.linspace(0.0, max(duration_s, 1e-6), 1201)
    kept = 1.0 - covered_share(spans, edges_s)
    levels = np.round(kept * height_px).astype(int)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(levels)) + 1))
    runs = np.diff(np.concatenate((starts, [len(levels)])))
    bars = "".join(
        f"M{start} {height_px}v-{level}h{run}v{level}z"
        for start, run, level in zip(
            starts.tolist(), runs.tolist(), levels[starts].tolist(), strict=True
        )
        if level
    )
    return Markup(
        '<svg class="kept" viewBox="0 0 1200 {0}" preserveAspectRatio="none" height="{0}" '
        'role="img" aria-label="Usable time along the recording"><path d="{1}"/></svg>'
    ).format(height_px, bars)
