"""Whatever the segments, the pieces and the plan: the numbers add up."""

import io

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanspan.export import intervals
from cleanspan.export.exclusions import apply_plan
from cleanspan.export.plans import Plan
from cleanspan.export.tables import to_milliseconds
from cleanspan.types import SEGMENT_COLUMNS, Channel, Piece, Role

ELECTRODES = ("Fp1", "Fp2", "C3", "Pz")
CHANNELS = tuple(Channel(i, f"EEG {e}", Role.EEG, e, 256.0) for i, e in enumerate(ELECTRODES))
LABELS = ("blink", "muscle", "contact loss", "gaze left")

seconds = st.floats(-5, 130, allow_nan=False)
lengths = st.floats(0, 40, allow_nan=False)
rows = st.tuples(
    st.sampled_from([channel.label for channel in CHANNELS]),
    st.sampled_from(LABELS),
    st.sampled_from(["", "", "", "reference lost"]),
    seconds,
    lengths,
    st.floats(0, 1),
)
pieces = st.lists(st.tuples(st.floats(0, 20), st.floats(0.01, 50)), min_size=1, max_size=4).map(
    lambda parts: tuple(_laid_out(parts))
)
plans = st.builds(
    Plan,
    name=st.just("p"),
    purpose=st.just(""),
    rationale=st.just(""),
    tolerated=st.sampled_from([(), ("blink",)]),
    confidence=st.sampled_from([0.0, 0.5]),
    must_be_good=st.sampled_from([(), ("Pz",), ("all",)]),
    removes=st.sampled_from([{}, {"blink": ("Fp1", "Fp2")}]),
    most_bad_channels=st.sampled_from([None, 0, 1, 2]),
    drop_channel_above=st.sampled_from([0.2, 0.5, 1.0]),
    padding_s=st.sampled_from([0.0, 0.1, 3.0]),
    shortest_kept_s=st.sampled_from([0.0, 2.0, 10.0]),
)


def _laid_out(parts):
    begin = 0.0
    for number, (gap, length) in enumerate(parts):
        begin += gap if number else 0.0
        yield Piece(begin, length)
        begin += length


def table(drawn):
    frame = pd.DataFrame(drawn, columns=list(SEGMENT_COLUMNS))
    return frame.astype({"onset_s": float, "duration_s": float, "confidence": float})


def ticks(column):
    return np.rint(column.to_numpy() * intervals.TICKS_PER_S).astype(np.int64)


@given(st.lists(rows, max_size=25), pieces, plans)
@settings(max_examples=150, deadline=None)
def test_kept_and_excluded_fill_the_recording_exactly(drawn, recorded, plan):
    applied = apply_plan(table(drawn), CHANNELS, recorded, plan)
    total = intervals.Timeline.of(recorded).total
    assert (
        ticks(applied.kept["duration_s"]).sum() + ticks(applied.excluded["duration_s"]).sum()
        == total
    )
    assert round(applied.usable_s * 1e6) == ticks(applied.kept["duration_s"]).sum()
    both = pd.concat([applied.kept, applied.excluded]).sort_values("onset_s")
    onset, end = ticks(both["onset_s"]), ticks(both["onset_s"]) + ticks(both["duration_s"])
    assert (end > onset).all()
    assert (onset[1:] >= end[:-1]).all()
    inside = [
        any(
            round(p.onset_s * 1e6) <= a and b <= round((p.onset_s + p.duration_s) * 1e6)
            for p in recorded
        )
        for a, b in zip(onset, end, strict=True)
    ]
    assert all(inside)


@given(st.lists(rows, max_size=25), pieces, plans)
@settings(max_examples=100, deadline=None)
def test_every_rule_holds_by_brute_force(drawn, recorded, plan):
    """Ask at many moments, one by one, what the plan says, and compare."""
    frame = table(drawn)
    applied = apply_plan(frame, CHANNELS, recorded, plan)
    dropped = set(applied.dropped["channel"])
    used = [channel.label for channel in CHANNELS if channel.label not in dropped]
    counted = frame[
        np.array([plan.counts(label) for label in frame["label"]], dtype=bool)
        & (frame["confidence"] >= plan.confidence)
        & (~frame["channel"].isin(dropped) | (frame["kind"] == "reference lost"))
    ]
    for piece in recorded:
        for moment in piece.onset_s + piece.duration_s * np.linspace(0.013, 0.987, 12):
            edge = 0.002  # edges are rounded to whole milliseconds
            near = counted[
                ((counted["onset_s"] - plan.padding_s - moment).abs() < edge)
                | (
                    (counted["onset_s"] + counted["duration_s"] + plan.padding_s - moment).abs()
                    < edge
                )
            ]
            if len(near):
                continue
            on = counted[
                (counted["onset_s"] - plan.padding_s <= moment)
                & (moment < counted["onset_s"] + counted["duration_s"] + plan.padding_s)
            ]
            must = _out_by_rule(on, plan, used)
            out = _holds(applied.excluded, moment)
            assert out or not must
            if out and not must and used:
                assert plan.shortest_kept_s > 0


def _out_by_rule(on, plan, used):
    lost = on["kind"] == "reference lost"
    bad = on[~lost]
    if lost.any() or not used:
        return True
    for name in plan.must_be_good:
        wanted = used if name == "all" else [f"EEG {name}"]
        if bad["channel"].isin(wanted).any():
            return True
    for label, electrodes in plan.removes.items():
        wanted = [f"EEG {name}" for name in electrodes]
        if ((bad["label"] == label) & bad["channel"].isin(wanted)).any():
            return True
    return bad["channel"].nunique() > plan.allowed_at_once(len(used))


def _holds(spans, moment):
    begin, end = spans["onset_s"], spans["onset_s"] + spans["duration_s"]
    return bool(((begin <= moment) & (moment < end)).any())


@given(st.lists(rows, max_size=25), pieces, plans)
@settings(max_examples=60, deadline=None)
def test_usable_time_of_a_channel_never_exceeds_that_of_the_recording(drawn, recorded, plan):
    applied = apply_plan(table(drawn), CHANNELS, recorded, plan)
    usable = applied.channels["usable_s"]
    assert (usable >= 0).all()
    assert (usable <= applied.usable_s).all()
    assert (applied.dropped["usable_s"] == 0).all()


@given(st.lists(rows, max_size=25), pieces, plans)
@settings(max_examples=60, deadline=None)
def test_every_excluded_span_has_a_reason(drawn, recorded, plan):
    applied = apply_plan(table(drawn), CHANNELS, recorded, plan)
    assert all(applied.excluded["reason"])
    assert all(applied.excluded["channels"])


@given(st.lists(rows, max_size=25), rows, pieces, plans)
@settings(max_examples=60, deadline=None)
def test_one_more_segment_never_gives_time_back_unless_a_channel_is_dropped(
    drawn, extra, recorded, plan
):
    before = apply_plan(table(drawn), CHANNELS, recorded, plan)
    after = apply_plan(table([*drawn, extra]), CHANNELS, recorded, plan)
    if len(after.dropped) == len(before.dropped):
        assert after.usable_s <= before.usable_s


spans = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 20)), max_size=12)


def arrays(drawn):
    begins = np.array([begin for begin, _ in drawn], dtype=np.int64)
    return begins, begins + np.array([length for _, length in drawn], dtype=np.int64)


def mask(spans, size=100):
    on = np.zeros(size, dtype=int)
    for begin, end in zip(*spans, strict=True):
        on[begin:end] += 1
    return on


@given(spans, spans, st.integers(0, 4))
@settings(deadline=None)
def test_interval_arithmetic_agrees_with_counting_tick_by_tick(first, second, allowed):
    one, other = arrays(first), intervals.union(*arrays(second))
    joined = intervals.union(*one)
    np.testing.assert_array_equal(mask(joined), mask(one) > 0)
    np.testing.assert_array_equal(mask(intervals.complement(joined, 100)), mask(one) == 0)
    np.testing.assert_array_equal(mask(intervals.more_than(*one, allowed)), mask(one) > allowed)
    shared = [int((mask(joined)[a:b]).sum()) for a, b in zip(*other, strict=True)]
    assert intervals.overlap(joined, other).tolist() == shared
    hit = [bool(mask(one)[a:b].any()) for a, b in zip(*other, strict=True)]
    assert intervals.touches(*one, other).tolist() == hit


@given(spans, st.lists(st.integers(0, 100), max_size=6))
@settings(deadline=None)
def test_cutting_changes_no_time(drawn, at):
    joined = intervals.union(*arrays(drawn))
    parts = intervals.cut(joined, np.array(at, dtype=np.int64))
    np.testing.assert_array_equal(mask(parts), mask(joined))
    assert not any(((parts[0] < moment) & (moment < parts[1])).any() for moment in at)


@given(st.lists(rows, max_size=25), pieces, plans)
@settings(max_examples=60, deadline=None)
def test_stored_segments_give_exactly_the_same(drawn, recorded, plan):
    """Whatever the rounding of R_segments.csv."""
    screened = table(drawn)
    text = io.StringIO(to_milliseconds(screened).round(3).to_csv(index=False))
    stored = pd.read_csv(text, keep_default_na=False)
    now = apply_plan(screened, CHANNELS, recorded, plan)
    later = apply_plan(stored, CHANNELS, recorded, plan)
    pd.testing.assert_frame_equal(now.excluded, later.excluded)
    pd.testing.assert_frame_equal(now.channels, later.channels)
