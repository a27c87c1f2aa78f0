"""Short stretches of traces around segments: the clearest of each label and the least certain."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from cleanspan.export.report.palette import Swatch, plain, short_names
from cleanspan.export.report.strip import clock, length
from cleanspan.recording.electrodes import angle_deg, positions
from cleanspan.types import Channel, Recording

if TYPE_CHECKING:
    import pandas as pd

AROUND_S = 4.0
LONGEST_S = 12.0
NEIGHBOURS = 3
WIDTH = 560.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 66.0, 10.0, 8.0, 24.0
_ROW = 40.0
_COLUMNS = 460
_CLIP_ROWS = 0.9
"""A trace is cut off where it goes further than this from its row."""
_SCALES_UV = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000)

Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Example:
    """One segment worth seeing.

    Attributes
    ----------
    channel, label, kind : str
    onset_s, duration_s, confidence : float
    """

    channel: str
    label: str
    kind: str
    onset_s: float
    duration_s: float
    confidence: float


def clearest(segments: "pd.DataFrame", labels: Sequence[str]) -> list[Example]:
    """Pick each label's segment of highest confidence, the first among equals."""
    picked = []
    for label in labels:
        of_label = segments[segments["label"] == label]
        if len(of_label):
            picked.append(_example(of_label, int(of_label["confidence"].to_numpy().argmax())))
    return picked


def least_certain(
    segments: "pd.DataFrame", *, count: int = 4, of_label: int = 2, apart_s: float = 10.0
) -> list[Example]:
    """Pick segments of lowest confidence: few of one label, no two close together in time."""
    chosen: list[Example] = []
    for row in np.argsort(segments["confidence"].to_numpy(), kind="stable")[:2000].tolist():
        if len(chosen) == count:
            break
        new = _example(segments, row)
        near_by = any(abs(new.onset_s - old.onset_s) < apart_s for old in chosen)
        if not near_by and sum(new.label == old.label for old in chosen) < of_label:
            chosen.append(new)
    return chosen


def _example(segments: "pd.DataFrame", row: int) -> Example:
    """Turn one row of the table into a record."""
    line = segments.iloc[row]
    return Example(
        str(line["channel"]),
        str(line["label"]),
        "" if line["kind"] is None or line["kind"] != line["kind"] else str(line["kind"]),
        float(line["onset_s"]),
        float(line["duration_s"]),
        float(line["confidence"]),
    )


def near(channel: Channel, eeg: Sequence[Channel], *, count: int = NEIGHBOURS) -> list[Channel]:
    """List a channel with its nearest electrodes; without known places, those next in the file."""
    others = [one for one in eeg if one.index != channel.index and one.rate_hz == channel.rate_hz]
    here = channel.electrode if channel.electrode in positions() else None

    def distance(other: Channel) -> tuple[float, int]:
        known = here is not None and other.electrode in positions()
        angle = angle_deg(str(here), str(other.electrode)) if known else math.inf
        return round(angle, 3), abs(other.index - channel.index)

    return [channel, *sorted(others, key=distance)[:count]]


def trace_figure(
    example: Example, recording: Recording, eeg: Sequence[Channel], swatch: Swatch
) -> Markup:
    """Draw one example: its channel and neighbours, as recorded, with both scales.

    Parameters
    ----------
    example : Example
    recording : Recording
        Still open.
    eeg : sequence of Channel
        Where neighbours are taken from.
    swatch : Swatch
        Look of the example's label.
    """
    channel = next((one for one in eeg if one.label == example.channel), None)
    if channel is None:
        return Markup("")
    shown = near(channel, eeg)
    start_s = max(0.0, example.onset_s - AROUND_S)
    end_s = min(recording.duration_s, example.onset_s + example.duration_s + AROUND_S)
    span_s = min(end_s - start_s, LONGEST_S)
    samples_uv = recording.span([one.index for one in shown], start_s, span_s)
    short = short_names([one.label for one in eeg])
    names = [short[one.label] for one in shown]
    drawing = _drawing(example, samples_uv, names, swatch, start_s, span_s)
    said = f"{example.label}" + (f" ({example.kind})" if example.kind else "")
    return Markup(
        "<figure>{}<figcaption>{} <b>{}</b> on {} at {}, {} long, "
        "confidence {}{}</figcaption></figure>"
    ).format(
        drawing,
        swatch.chip,
        plain(said),
        plain(example.channel),
        clock(example.onset_s),
        length(example.duration_s),
        f"{example.confidence:.2f}",
        "; shown in part" if span_s < end_s - start_s - 1e-6 else "",
    )


def _drawing(
    example: Example,
    samples_uv: Samples,
    names: Sequence[str],
    swatch: Swatch,
    start_s: float,
    span_s: float,
) -> Markup:
    """Draw the rows, the marked span, and the scales."""
    samples_uv = samples_uv - _middle(samples_uv)
    per_sample_s = span_s / max(1, samples_uv.shape[1])
    first = int((example.onset_s - start_s) / per_sample_s)
    last = int((example.onset_s + example.duration_s - start_s) / per_sample_s) + 1
    scale_uv = _scale(samples_uv[0], slice(max(0, first), max(0, last)))
    height = _TOP + _ROW * len(names) + _BOTTOM
    per_s = (WIDTH - _LEFT - _RIGHT) / max(span_s, 1e-6)
    x0 = _LEFT + max(0.0, example.onset_s - start_s) * per_s
    x1 = min(WIDTH - _RIGHT, x0 + max(2.0, example.duration_s * per_s))
    rows = []
    for number, (name, row) in enumerate(zip(names, samples_uv, strict=True)):
        middle = _TOP + _ROW * (number + 0.5)
        rows.append(
            Markup('<text class="end{}" x="{}" y="{}">{}</text><path class="{}" d="{}"/>').format(
                " strong" if number == 0 else "",
                f"{_LEFT - 8:g}",
                f"{middle + 4:g}",
                plain(name)[:9],
                "trace main" if number == 0 else "trace",
                _trace(row, middle, _ROW / scale_uv),
            )
        )
    return Markup(
        '<svg class="traces" viewBox="0 0 {0} {1}" role="img" aria-label="Traces around {2}">'
        '<g transform="translate({3} {4})"><rect class="t{5}" width="{6}" height="{7}"/>'
        '<rect fill="url(#h{5})" opacity=".45" width="{6}" height="6"/></g>{8}{9}</svg>'
    ).format(
        f"{WIDTH:g}", f"{height:g}", clock(example.onset_s), f"{x0:.1f}", f"{_TOP:g}", swatch.slot,
        f"{x1 - x0:.1f}", f"{_ROW:g}", Markup("").join(rows),
        _scales(scale_uv, per_s, start_s, height),
    )  # fmt: skip


def _middle(samples_uv: Samples) -> Samples:
    """Compute each row's median; 0 where nothing was recorded."""
    filled = np.where(np.isfinite(samples_uv), samples_uv, np.float32(0))
    return np.median(filled, axis=1, keepdims=True).astype(np.float32)


def _scale(row: Samples, marked: slice) -> float:
    """Choose how many µV one row is high: all of the marked part fits, and nearly all else."""
    finite = np.nan_to_num(row)
    inside = finite[marked]
    around = (
        float(np.percentile(finite, 99.5) - np.percentile(finite, 0.5)) if len(finite) else 0.0
    )
    reach = max(around, float(np.ptp(inside)) if len(inside) else 0.0)
    return float(next((scale for scale in _SCALES_UV if scale >= 0.8 * reach), _SCALES_UV[-1]))


def _trace(row: Samples, middle: float, per_uv: float) -> str:
    """Write one row as a path: highest and lowest of each column, so that no spike is lost."""
    count = len(row)
    per_column = count // _COLUMNS
    if per_column > 2:
        columns = row[: count // per_column * per_column].reshape(-1, per_column)
        ends = np.stack((columns.min(axis=1), columns.max(axis=1)), axis=1)
        ends[1::2] = ends[1::2, ::-1]  # up, then down: no needless zigzag between columns
        row = ends.reshape(-1)
        at = (np.arange(len(row)) + 0.5) * (per_column / 2) - 0.5
    else:
        at = np.arange(count, dtype=float)
    x = _LEFT + (WIDTH - _LEFT - _RIGHT) * at / max(1, count - 1)
    y = middle - row * per_uv
    y = np.clip(y, middle - _CLIP_ROWS * _ROW, middle + _CLIP_ROWS * _ROW)
    parts = []
    pen_down = False
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if math.isfinite(b):
            parts.append(f"{'L' if pen_down else 'M'}{a:.1f} {b:.1f}")
        pen_down = math.isfinite(b)
    return "".join(parts)


def _scales(scale_uv: float, per_s: float, start_s: float, height: float) -> Markup:
    """Draw the amplitude bar, the time bar, and when the stretch begins."""
    bottom = height - 8
    right = WIDTH - _RIGHT
    bar_uv = scale_uv / 2
    return Markup(
        '<path class="scale" d="M{0} {1}h{2}M{3} {4}v-{5}"/>'
        '<text class="end" x="{6}" y="{7}">1 s</text>'
        '<text x="{8}" y="{7}">{9} µV</text><text x="{10}" y="{7}">from {11}</text>'
    ).format(
        f"{right - per_s:.1f}", f"{bottom:.1f}", f"{per_s:.1f}",
        f"{right - per_s - 120:.1f}", f"{bottom + 2:.1f}", f"{_ROW / 2:g}",
        f"{right - per_s - 6:.1f}", f"{bottom + 3:.1f}",
        f"{right - per_s - 114:.1f}", f"{bar_uv:g}", f"{_LEFT:g}", clock(start_s),
    )  # fmt: skip
