"""Events: merging over channels and readers, and matching."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.config import LabelRules
from cleanspan.training.events import (
    Events,
    clustered,
    compare_events,
    judged_channels,
    mark_events,
    matched,
    reader_events,
    touching,
    united,
)
from cleanspan.training.hand_labels import HandLabel
from cleanspan.training.scores import EventCounts
from cleanspan.training.truth import ANY, TWO, cell_truth

NONE = np.empty((0, 2))
CAP = ["Fp1", "Fp2", "Fz", "O1"]


def events(*spans, doubtful=(), reviewed=None):
    def array(items):
        return np.array(items, dtype=float).reshape(-1, 2)

    return Events(array(spans), array(doubtful), None if reviewed is None else array(reviewed))


def blink(onset_s, duration_s=0.3, channels="Fp1 Fp2", reader="r", label="blink"):
    return HandLabel("a.edf", label, onset_s, duration_s, tuple(channels.split()), reader)


def test_one_blink_on_two_channels_is_one_event():
    found = mark_events([(1.0, 1.3, "Fp1"), (1.05, 1.3, "Fp2"), (5.0, 5.2, "Fp2")], "blink")
    assert found.spans_s.tolist() == [[1.025, 1.3], [5.0, 5.2]]


def test_two_quick_blinks_on_one_channel_stay_two():
    assert len(clustered([(1.0, 1.15, "Fp1"), (1.2, 1.35, "Fp1")])) == 2


def test_blinks_are_judged_at_the_frontmost_channels_there_are():
    assert judged_channels("blink", CAP) == ["Fp1", "Fp2"]
    assert judged_channels("blink", ["O1", "F3", "EEG Fz-A1"]) == ["F3", "EEG Fz-A1"]
    assert judged_channels("blink", ["O1", "Pz"]) == ["O1", "Pz"]
    assert judged_channels("muscle", CAP) == CAP


def test_a_blink_matches_within_three_tenths_of_a_second():
    truth = events((1.0, 1.2), (5.0, 5.2), (9.0, 9.2))
    marks = events((1.29, 1.49), (5.31, 5.51))
    assert compare_events(marks, truth, one_to_one=True) == EventCounts(3, 1, 2, 1)


def test_the_second_mark_on_one_blink_is_false():
    counts = compare_events(events((1.0, 1.2), (1.1, 1.3)), events((1.0, 1.3)), one_to_one=True)
    assert counts == EventCounts(true=1, found=1, marks=2, right=1)


def test_what_was_doubted_or_not_looked_at_is_not_scored():
    truth = events((1.0, 1.2), doubtful=[(3.0, 3.5)], reviewed=[(0, 10)])
    marks = events((1.0, 1.2), (3.1, 3.3), (15.0, 15.2), (7.0, 7.2))
    assert compare_events(marks, truth, one_to_one=True) == EventCounts(1, 1, 2, 1)


def test_a_lasting_event_in_pieces_is_found_and_every_piece_is_right():
    marks = events((0, 10), (20, 30), (70, 80))
    counts = compare_events(marks, events((0, 60)), one_to_one=False)
    assert counts == EventCounts(true=1, found=1, marks=3, right=2)


def test_readers_blinks_meet_by_midpoint_and_need_a_second_reader():
    rows = [blink(0, 20, "all", name, "reviewed") for name in "ab"]
    rows += [blink(1.0, reader="a"), blink(1.1, reader="b"), blink(6.0, reader="a")]
    two = reader_events(rows, CAP, "blink", agreement=TWO)
    assert two.spans_s == pytest.approx(np.array([[1.05, 1.35]]))
    assert two.doubtful_s == pytest.approx(np.array([[6.0, 6.3]]))
    assert len(reader_events(rows, CAP, "blink", agreement=ANY).spans_s) == 2


def test_a_blink_marked_at_the_back_alone_is_not_judged():
    assert (
        len(reader_events([blink(1.0, channels="O1")], CAP, "blink", agreement=ANY).spans_s) == 0
    )


def test_a_lasting_mark_counts_where_two_readers_overlap():
    rows = [blink(0, 20, "all", name, "reviewed") for name in "ab"]
    rows += [blink(2, 6, "O1", "a", "muscle"), blink(4, 6, "O1", "b", "muscle")]
    found = reader_events(rows, CAP, "muscle", agreement=TWO)
    assert found.spans_s.tolist() == [[4, 8]]
    assert found.doubtful_s.tolist() == [[2, 4], [8, 10]]


@pytest.mark.parametrize("label", ["blink", "muscle"])
def test_where_one_reader_alone_read_that_reader_decides_in_events_and_seconds_alike(label):
    rows = [blink(0, 20, "all", "a", "reviewed"), blink(0, 10, "all", "b", "reviewed")]
    rows += [blink(3, 0.4, "Fp1", "a", label), blink(13, 0.4, "Fp1", "a", label)]
    found = reader_events(rows, CAP, label, agreement=TWO)
    assert found.spans_s == pytest.approx(np.array([[13, 13.4]]))
    assert found.doubtful_s == pytest.approx(np.array([[3, 3.4]]))
    cells = cell_truth(rows, CAP, label, onsets_s=np.arange(20.0), agreement=TWO)
    assert cells[0, [3, 13]].tolist() == [-1, 1]


def test_a_reader_of_other_channels_has_no_say():
    rows = [blink(0, 20, "all", "a", "reviewed"), blink(0, 20, "O1", "b", "reviewed")]
    rows += [blink(3, 2, "Fp1", "a", "muscle"), blink(9, 2, "O1", "a", "muscle")]
    found = reader_events(rows, CAP, "muscle", agreement=TWO)
    assert found.spans_s.tolist() == [[3, 5]]
    assert found.doubtful_s.tolist() == [[9, 11]]
    cells = cell_truth(rows, CAP, "muscle", onsets_s=np.arange(20.0), agreement=TWO)
    assert (cells[0, 3], cells[CAP.index("O1"), 9]) == (1, -1)


def test_all_as_the_readers_channels_gives_no_say_elsewhere():
    rules = LabelRules(all_channels=("O1",))
    rows = [blink(0, 20, "all", name, "reviewed") for name in "ab"]
    rows += [blink(3, 2, "Fp1", "a", "muscle")]
    assert len(reader_events(rows, CAP, "muscle", agreement=TWO, rules=rules).spans_s) == 1
    assert len(reader_events(rows, CAP, "muscle", agreement=TWO).spans_s) == 0


times = st.lists(st.integers(0, 60), max_size=7, unique=True).map(
    lambda v: sorted(x / 10 for x in v)
)


@given(times, times)
def test_no_other_matching_has_more_pairs(first, second):
    pairs = matched(np.array(first), np.array(second), 0.3)
    assert all(abs(first[i] - second[j]) <= 0.3 + 1e-6 for i, j in pairs)
    assert len({i for i, _ in pairs}) == len({j for _, j in pairs}) == len(pairs)
    few, many = sorted((first, second), key=len)
    best = max(
        sum(abs(a - b) <= 0.3 + 1e-9 for a, b in zip(few, order, strict=True))
        for order in itertools.permutations(many, len(few))
    )
    assert len(pairs) == best


spans = st.lists(st.tuples(st.integers(0, 50), st.integers(1, 9)), max_size=8).map(
    lambda items: np.array([(a, a + n) for a, n in items], dtype=float).reshape(-1, 2)
)


@given(spans, spans)
def test_touching_agrees_with_checking_every_pair(first, second):
    slow = [any(a <= d and c <= b for c, d in second) for a, b in first]
    assert touching(first, second).tolist() == slow


@given(spans)
def test_united_spans_lie_apart_and_cover_the_same(given_spans):
    whole = united(given_spans)
    assert (whole[1:, 0] > whole[:-1, 1]).all()
    grid = np.arange(0, 60, 0.5) + 0.25

    def inside(array):
        return [any(a <= t <= b for a, b in array) for t in grid]

    assert inside(whole) == inside(given_spans)
