"""From segments and a plan to what an analysis leaves out and what it keeps.

The computation runs on recorded time in whole microseconds (see `intervals`), so kept and
excluded time add up to the recording's length exactly. Cost grows with the number of segments
(sorting), not with the recording's length.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt

from cleanspan.export import intervals
from cleanspan.export.counted import (
    NO_CHANNEL,
    Counted,
    alone_enough,
    count_segments,
    crowded,
    explain,
)
from cleanspan.export.intervals import TICKS_PER_S, Spans, Ticks, Timeline
from cleanspan.export.plans import Plan, find_channels, unknown_channels
from cleanspan.types import Channel, Piece

if TYPE_CHECKING:
    import pandas as pd


class Marked(Protocol):
    """What a screened recording and a stored result have in common."""

    @property
    def eeg(self) -> tuple[Channel, ...]:
        """The screened channels."""

    @property
    def labels(self) -> tuple[str, ...]:
        """The model's labels."""

    @property
    def segments(self) -> "pd.DataFrame":
        """One row a segment."""


FEW_SHARE = 0.5
"""Where the plan keeps no more than this share of the channels, the usable time alone misleads."""


@dataclass(frozen=True, slots=True, eq=False)
class Applied:
    """What a plan leaves of a recording.

    Attributes
    ----------
    plan : Plan
    duration_s, usable_s : float
        Recorded time, and the part of it in kept spans.
    excluded : pandas.DataFrame
        Columns onset_s, duration_s, reason, channels (``all`` or names with ``;`` between).
        Reasons are labels with ``;`` between, the one that covers most first.
    kept : pandas.DataFrame
        Columns onset_s, duration_s. Kept and excluded spans fill the recorded time.
    channels : pandas.DataFrame
        One row a screened channel: channel, use (``keep`` or the plan's word for dropped ones),
        usable_s (time in kept spans during which this channel is good; 0 where dropped), bad_s
        (not counting time without a reference), reason (why it is dropped).
    shortfalls : tuple of str
        Why the recording does not meet the plan; empty where it does.
    warnings : tuple of str
    """

    plan: Plan
    duration_s: float
    usable_s: float
    excluded: "pd.DataFrame"
    kept: "pd.DataFrame"
    channels: "pd.DataFrame"
    shortfalls: tuple[str, ...]
    warnings: tuple[str, ...] = ()

    def about_channels(self) -> list[str]:
        """Say that the usable time is that of a few channels, where it is."""
        channels = len(self.channels)
        kept = channels - len(self.dropped)
        if kept > FEW_SHARE * channels or not channels:
            return []
        return [
            f"usable_s is the time of {kept} of {channels} channels: the plan drops the others"
        ]

    @property
    def meets_minimum(self) -> bool:
        """Whether the recording has what the plan needs."""
        return not self.shortfalls

    @property
    def dropped(self) -> "pd.DataFrame":
        """The rows of `channels` that the plan drops."""
        return self.channels[self.channels["use"] != "keep"]


def apply_to(result: Marked, pieces: Sequence[Piece], plan: Plan) -> Applied:
    """Apply a plan to a screened recording or a stored result."""
    return apply_plan(result.segments, result.eeg, pieces, plan, labels=result.labels)


def apply_plan(
    segments: "pd.DataFrame",
    channels: Sequence[Channel],
    pieces: Sequence[Piece],
    plan: Plan,
    *,
    labels: Sequence[str] | None = None,
) -> Applied:
    """Decide what an analysis leaves out.

    Parameters
    ----------
    segments : pandas.DataFrame
        Columns `SEGMENT_COLUMNS`; the labels may be any.
    channels : sequence of Channel
        The screened channels.
    pieces : sequence of Piece
        What was recorded when.
    plan : Plan
    labels : sequence of str, optional
        The model's labels: a label of the plan that is not among them is warned of.

    Returns
    -------
    Applied
    """
    timeline = Timeline.of(pieces)
    total = timeline.total
    counted = count_segments(segments, channels, timeline, plan)
    bad_ticks, reasons = _used(counted, len(channels), total, plan)
    used = np.array([not reason for reason in reasons], dtype=bool)
    counted = counted.where(used[counted.channel])
    alone = alone_enough(counted, channels, plan)
    crowds = crowded(counted, int(used.sum()), plan)
    causes = [crowds, counted.lost, (counted.begins[alone], counted.ends[alone])]
    if not used.any():
        causes.append((np.zeros(1, dtype=np.int64), np.full(1, total, dtype=np.int64)))
    excluded = _close(_joined(causes), timeline, plan)
    kept = intervals.complement(excluded, total)
    cuts = np.concatenate((timeline.before, *counted.lost))
    spans = intervals.cut(excluded, cuts)
    why, names = explain(spans, intervals.cut(crowds, cuts), counted, alone, channels)
    if not used.any():
        why = [NO_CHANNEL] * len(why)
    usable_s = int(np.sum(kept[1] - kept[0])) / TICKS_PER_S
    return Applied(
        plan=plan,
        duration_s=total / TICKS_PER_S,
        usable_s=usable_s,
        excluded=_span_table(timeline, spans, reason=why, channels=names),
        kept=_span_table(timeline, intervals.cut(kept, timeline.before)),
        channels=_channel_table(counted, kept, channels, (bad_ticks, reasons), plan),
        shortfalls=_shortfalls(usable_s, channels, used, plan),
        warnings=_warnings(plan, labels, channels),
    )


def _joined(causes: Sequence[Spans]) -> Spans:
    """Join sets of intervals."""
    begins, ends = zip(*causes, strict=True)
    return intervals.union(np.concatenate(begins), np.concatenate(ends))


def _used(counted: Counted, n_channels: int, total: int, plan: Plan) -> tuple[Ticks, list[str]]:
    """Sum each channel's bad time; say why a channel is dropped, else nothing.

    Padding does not count, nor does time without a reference: that is not the channel's fault.
    """
    group, begins, ends = intervals.union_by_group(
        counted.channel, counted.bare_begins, counted.bare_ends
    )
    bad_ticks = np.zeros(n_channels, dtype=np.int64)
    np.add.at(bad_ticks, group, ends - begins - intervals.overlap(counted.lost, (begins, ends)))
    total -= int(np.sum(counted.lost[1] - counted.lost[0]))
    reasons = []
    for row in range(n_channels):
        share = int(bad_ticks[row]) / total if total else 0.0
        if share <= plan.drop_channel_above:
            reasons.append("")
            continue
        mine = counted.channel == row
        lengths = counted.bare_ends[mine] - counted.bare_begins[mine]
        bare = counted.bare_begins[mine], counted.bare_ends[mine]
        lengths -= intervals.overlap(counted.lost, bare)
        by_label = np.bincount(counted.label[mine], lengths, minlength=len(counted.names))
        most = counted.names[int(np.argmax(by_label))]
        reasons.append(f"bad {share:.0%} of the time, mostly {most}")
    return bad_ticks, reasons


def _close(excluded: Spans, timeline: Timeline, plan: Plan) -> Spans:
    """Exclude kept spans that are too short; a gap in the recording ends a span."""
    kept = intervals.cut(intervals.complement(excluded, timeline.total), timeline.before)
    short = kept[1] - kept[0] < round(plan.shortest_kept_s * TICKS_PER_S)
    return intervals.union(
        np.append(excluded[0], kept[0][short]), np.append(excluded[1], kept[1][short])
    )


def _channel_table(
    counted: Counted,
    kept: Spans,
    channels: Sequence[Channel],
    bad: tuple[Ticks, list[str]],
    plan: Plan,
) -> "pd.DataFrame":
    """Say for each channel whether it is kept and how much of it is usable."""
    import pandas as pd

    bad_ticks, reasons = bad
    usable_ticks = int(np.sum(kept[1] - kept[0]))
    usable = []
    for row, reason in enumerate(reasons):
        mine = counted.channel == row
        joined = intervals.union(counted.begins[mine], counted.ends[mine])
        left = usable_ticks - int(np.sum(intervals.overlap(joined, kept)))
        usable.append(0 if reason else left)
    return pd.DataFrame(
        {
            "channel": [channel.label for channel in channels],
            "use": ["keep" if not reason else plan.dropped for reason in reasons],
            "usable_s": np.array(usable, dtype=np.int64) / TICKS_PER_S,
            "bad_s": bad_ticks / TICKS_PER_S,
            "reason": reasons,
        }
    )


def _span_table(timeline: Timeline, spans: Spans, **columns: list[str]) -> "pd.DataFrame":
    """Give spans of recorded time as a table in the recording's time."""
    import pandas as pd

    begins, ends = timeline.placed(spans)
    times = {"onset_s": begins / TICKS_PER_S, "duration_s": (ends - begins) / TICKS_PER_S}
    # As objects: the same few texts again and again, which a column of strings would copy.
    texts = {name: pd.Series(column, dtype=object) for name, column in columns.items()}
    return pd.DataFrame({**times, **texts})


def _shortfalls(
    usable_s: float, channels: Sequence[Channel], used: npt.NDArray[np.bool_], plan: Plan
) -> tuple[str, ...]:
    """Say why the recording does not meet the plan."""
    problems = []
    if usable_s < plan.minimum_usable_s:
        problems.append(f"{plan.minimum_usable_s:g} s must be usable, got {usable_s:g} s")
    missing = [name for name in plan.must_be_good if not find_channels([name], channels)]
    if missing:
        problems.append(
            f"channels that must be good are not in the recording: {', '.join(missing)}"
        )
    gone = [
        channels[row].label for row in find_channels(plan.must_be_good, channels) if not used[row]
    ]
    if gone:
        problems.append(f"channels that must be good are bad too long: {', '.join(gone)}")
    n_dropped = int(np.sum(~used))
    if n_dropped > plan.most_dropped_share * len(channels) + 1e-9:
        share = f"{plan.most_dropped_share:.0%} of {len(channels)}"
        problems.append(f"at most {share} channels may be dropped, got {n_dropped}")
    return tuple(problems)


def _warnings(
    plan: Plan, labels: Sequence[str] | None, channels: Sequence[Channel]
) -> tuple[str, ...]:
    """Name what the plan asks for and the model or the recording does not have."""
    warnings = []
    unknown = plan.unknown_labels(labels) if labels is not None else []
    if unknown:
        known = ", ".join(labels or ())
        warnings.append(
            f"plan {plan.name}: the model has no label {', '.join(unknown)} (it has {known})"
        )
    warnings += [
        f"plan {plan.name}: none of the channels named for {label} is in the recording"
        for label, wanted in plan.removes.items()
        if wanted and not find_channels(wanted, channels)
    ]
    recorded = [channel.label for channel in channels]
    if strangers := unknown_channels(plan.named_channels, recorded):
        warnings.append(
            f"plan {plan.name}: must_be_good or removes names what is no electrode and no channel "
            f"of the recording: {', '.join(strangers)}"
        )
    return tuple(warnings)
