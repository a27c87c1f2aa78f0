"""The segments that a plan counts, on recorded time, and what they say about a span."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from cleanspan.export import intervals
from cleanspan.export.intervals import TICKS_PER_S, Spans, Ticks, Timeline
from cleanspan.export.plans import Plan, find_channels
from cleanspan.types import ALL_CHANNELS, Channel

if TYPE_CHECKING:
    import pandas as pd

REFERENCE_LOST = "reference lost"
TOO_SHORT = "too short to keep"
NO_CHANNEL = "no channel left"
SEPARATOR = ";"
"""Stands between reasons and between channels: recorded names often hold spaces."""

Codes = npt.NDArray[np.int16]
Rows = npt.NDArray[np.intp]
Mask = npt.NDArray[np.bool_]
AT_ONCE = 20_000
"""Segments that are laid on recorded time at once: a day holds a hundred thousand."""


@dataclass(frozen=True, slots=True, eq=False)
class Counted:
    """Segments that a plan counts, one entry a segment, on recorded time.

    Edges are whole milliseconds and confidences have three decimals, as in ``R_segments.csv``:
    so stored results give exactly what screening gave.

    Attributes
    ----------
    names : tuple of str
        The labels that `label` points into.
    channel, label : ndarray of shape (n_segments,)
        Row of the screened channel, position in `names`.
    bare_begins, bare_ends : ndarray of shape (n_segments,)
        Without padding.
    begins, ends : ndarray of shape (n_segments,)
        With the plan's padding.
    lost : pair of ndarray
        Where the reference was lost: one event, not one a channel, so kept apart.
    """

    names: tuple[str, ...]
    channel: Codes
    label: Codes
    bare_begins: Ticks
    bare_ends: Ticks
    begins: Ticks
    ends: Ticks
    lost: Spans

    def where(self, mask: Mask) -> "Counted":
        """Keep some entries."""
        if mask.all():
            return self
        return Counted(
            self.names,
            self.channel[mask],
            self.label[mask],
            self.bare_begins[mask],
            self.bare_ends[mask],
            self.begins[mask],
            self.ends[mask],
            self.lost,
        )


def count_segments(
    segments: "pd.DataFrame", channels: Sequence[Channel], timeline: Timeline, plan: Plan
) -> Counted:
    """Pick the segments that the plan counts and lay them on recorded time."""
    channel, label, names = _codes(segments, channels)
    parts = []
    for first in range(0, max(len(segments), 1), AT_ONCE):
        some = slice(first, first + AT_ONCE)
        codes = channel[some], label[some], names
        parts.append(_count(segments.iloc[some], codes, timeline, plan))
    return _joined(parts)


def _count(
    segments: "pd.DataFrame",
    codes: tuple[Codes, Codes, tuple[str, ...]],
    timeline: Timeline,
    plan: Plan,
) -> Counted:
    """Count some of the segments."""
    channel, label, names = codes
    counts = np.array([*(plan.counts(name) for name in names), False])
    onset_s, duration_s, confidence = (
        segments[name].to_numpy(dtype=float) for name in ("onset_s", "duration_s", "confidence")
    )
    real = (
        np.isfinite(onset_s)
        & np.isfinite(duration_s)
        & ~(np.round(confidence, 3) < plan.confidence)
    )
    real &= counts[label] & (channel >= 0)
    lost = (segments["kind"] == REFERENCE_LOST).to_numpy(dtype=bool)[real]
    begins = intervals.to_whole_ms(onset_s[real])
    ends = intervals.to_whole_ms(onset_s[real] + duration_s[real])
    padding = round(plan.padding_s * TICKS_PER_S)
    wide_begins, wide_ends = timeline.recorded(begins - padding), timeline.recorded(ends + padding)
    every = Counted(
        names,
        channel[real],
        label[real],
        timeline.recorded(begins),
        timeline.recorded(ends),
        wide_begins,
        wide_ends,
        intervals.union(wide_begins[lost], wide_ends[lost]),
    )
    return every.where(~lost & (wide_ends > wide_begins))


def _joined(parts: Sequence[Counted]) -> Counted:
    """Put parts, one after the other, together."""
    if len(parts) == 1:
        return parts[0]
    lost_begins, lost_ends = zip(*(part.lost for part in parts), strict=True)
    return Counted(
        parts[0].names,
        np.concatenate([part.channel for part in parts]),
        np.concatenate([part.label for part in parts]),
        np.concatenate([part.bare_begins for part in parts]),
        np.concatenate([part.bare_ends for part in parts]),
        np.concatenate([part.begins for part in parts]),
        np.concatenate([part.ends for part in parts]),
        intervals.union(np.concatenate(lost_begins), np.concatenate(lost_ends)),
    )


def _codes(
    segments: "pd.DataFrame", channels: Sequence[Channel]
) -> tuple[Codes, Codes, tuple[str, ...]]:
    """Turn channel and label names into rows of `channels` (-1: not screened) and positions."""
    row_of = {channel.label: row for row, channel in enumerate(channels)}
    named = segments["channel"].astype("category").cat
    labelled = segments["label"].astype("category").cat
    lookup = np.array(
        [*(row_of.get(str(name), -1) for name in named.categories), -1], dtype=np.int16
    )
    channel = lookup[named.codes.to_numpy()]
    label = labelled.codes.to_numpy().astype(np.int16)
    return channel, label, tuple(str(name) for name in labelled.categories)


def alone_enough(counted: Counted, channels: Sequence[Channel], plan: Plan) -> Mask:
    """Tell which segments take the time away by themselves, whatever other channels do."""
    table = np.zeros((len(counted.names), len(channels)), dtype=bool)
    table[:, find_channels(plan.must_be_good, channels)] = True
    for position, name in enumerate(counted.names):
        table[position, find_channels(plan.removed_by(name), channels)] = True
    return np.asarray(table[counted.label, counted.channel])


def crowded(counted: Counted, n_channels: int, plan: Plan) -> Spans:
    """Find where more channels are bad at once than the plan allows."""
    _, begins, ends = intervals.union_by_group(counted.channel, counted.begins, counted.ends)
    return intervals.more_than(begins, ends, plan.allowed_at_once(n_channels))


def explain(
    spans: Spans, crowds: Spans, counted: Counted, alone: Mask, channels: Sequence[Channel]
) -> tuple[list[str], list[str]]:
    """Say for each excluded span why it is out and on which channels.

    Only segments that led to the exclusion are named: those that suffice alone, and those that
    were part of a crowd.

    Parameters
    ----------
    spans, crowds : pair of ndarray
        Excluded spans, and the crowded parts within them, both cut at the lost reference's edges.
    counted : Counted
        Segments of the channels that are not dropped.
    alone : ndarray of bool
        Segments that suffice alone.
    channels : sequence of Channel

    Returns
    -------
    reasons, names : list of str
        One of each a span.
    """
    here = np.arange(len(spans[0]))
    inside = np.searchsorted(spans[0], crowds[0], side="right") - 1
    cover = np.zeros((len(counted.names), len(here)), dtype=np.int64)
    involved = np.zeros((len(channels), len(here)), dtype=bool)
    for part, targets, span in ((counted.where(alone), spans, here), (counted, crowds, inside)):
        _add_cover(cover, part, targets, span)
        _add_involved(involved, part, targets, span)
    lost = intervals.touches(*counted.lost, spans)
    cover[:, lost] = 0
    involved[:, lost] = True
    reasons = _reasons(cover, counted.names)
    names = _channel_names(involved, [channel.label for channel in channels])
    for event in np.flatnonzero(lost):
        reasons[event] = REFERENCE_LOST
    return reasons, names


def _add_cover(cover: Ticks, part: Counted, targets: Spans, span: Rows) -> None:
    """Add how much of each target each label covers to the span that the target lies in."""
    for position in range(len(part.names)):
        mine = part.label == position
        joined = intervals.union(part.begins[mine], part.ends[mine])
        overlap = intervals.overlap(joined, targets)
        np.add.at(cover[position], span, overlap)


def _add_involved(involved: Mask, part: Counted, targets: Spans, span: Rows) -> None:
    """Note which channels share time with each target."""
    for row in range(len(involved)):
        mine = part.channel == row
        hit = intervals.touches(part.begins[mine], part.ends[mine], targets)
        involved[row, span[hit]] = True


def _reasons(cover: Ticks, names: Sequence[str]) -> list[str]:
    """Order each span's labels by how much they cover, equal ones by name, and join them."""
    if not names:
        return [TOO_SHORT] * cover.shape[1]
    by_name = np.argsort(names)
    names, cover = [names[label] for label in by_name], cover[by_name]
    order = np.argsort(-cover, axis=0, kind="stable")
    order = np.where(np.take_along_axis(cover, order, axis=0) > 0, order, -1)
    patterns, which = np.unique(order, axis=1, return_inverse=True)
    texts = [
        SEPARATOR.join(names[label] for label in pattern if label >= 0) or TOO_SHORT
        for pattern in patterns.T
    ]
    return [texts[index] for index in which]


def _channel_names(involved: Mask, labels: Sequence[str]) -> list[str]:
    """Join the names of each span's channels; ``all`` where every channel is meant."""
    packed = np.packbits(involved, axis=0)
    _, first, which = np.unique(packed, axis=1, return_index=True, return_inverse=True)
    texts = []
    for column in first:
        rows = np.flatnonzero(involved[:, column])
        names = SEPARATOR.join(labels[int(row)] for row in rows)
        texts.append(ALL_CHANNELS if len(rows) in (0, len(labels)) else names)
    return [texts[index] for index in which]
