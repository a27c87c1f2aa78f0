"""Labelled rows out of recordings and hand labels, worked out by hand."""

import numpy as np
import pytest

from cleanspan.features.registry import EVENT_NAMES, WINDOW_NAMES
from cleanspan.training.dataset import _pairs, joined, line_noise_truth, tables_of
from cleanspan.training.hand_labels import HandLabel
from cleanspan.training.truth import ANY, TWO


def mark(label, onset_s, duration_s, channels=("all",), reader="r", note=""):
    return HandLabel("made.edf", label, onset_s, duration_s, channels, reader, note, "made.csv:2")


def test_line_noise_is_known_by_its_measure():
    """Mains of 0.9, 0.6, 0.4 of the 1-40 Hz rms: there, doubtful, not; unknown: not there."""
    rows = np.zeros((1, 4, len(WINDOW_NAMES)), dtype=np.float32)
    rows[0, :, WINDOW_NAMES.index("mains_around")] = [*np.log10([0.9, 0.6, 0.4]), np.nan]
    assert line_noise_truth(rows).tolist() == [[1, -1, 0, 0]]


def test_pairs_are_nearest_first_and_one_to_one():
    peaks = np.array([1.0, 1.2, 5.0])
    blinks = np.array([[1.05, 1.25], [1.3, 1.5], [9.0, 9.2]])  # middles 1.15, 1.4, 9.1
    assert sorted(_pairs(peaks, blinks)) == [(1, 0)]
    # 1.0 is 0.4 from 1.4: too far once 1.2 has taken 1.15
    assert sorted(_pairs(np.array([1.1, 1.38]), blinks)) == [(0, 0), (1, 1)]
    assert _pairs(peaks, np.empty((0, 2))) == []
    assert _pairs(np.empty(0), blinks) == []


@pytest.fixture(scope="module")
def recording(invented):
    samples = invented.background(8, 30, seed=1)
    invented.add_blinks(samples, invented.SMALL_CAP, [5.0, 12.0, 20.0])
    samples[7] += 40 * np.sin(2 * np.pi * 50 * np.arange(7500) / 250)
    return invented.in_memory(samples, invented.SMALL_CAP)


def tables(recording, labels, agreement=ANY):
    return tables_of(
        recording, recording.channels, labels, labels=("muscle", "line noise", "contact loss"),
        name="made.edf", person="anna", agreement=agreement,
    )  # fmt: skip


def rows(table, label, channel):
    mine = table.channel == channel
    return dict(zip(table.time_s[mine].tolist(), table.truth[label][mine].tolist(), strict=True))


def test_windows_under_a_mark_are_positive_and_those_beside_negative(recording):
    made = tables(recording, [mark("reviewed", 0, 30), mark("muscle", 10, 5, ("T7", "C3"))])
    truth = rows(made.windows, "muscle", "C3")
    assert all(truth[time] == 1 for time in (10.0, 12.0, 14.0))
    assert all(truth[time] == 0 for time in (0.0, 8.5, 16.0, 29.0))
    assert set(rows(made.windows, "muscle", "C4").values()) == {0}
    assert made.windows.features.shape[1] == len(WINDOW_NAMES)
    assert set(made.windows.person) == {"anna"}


def test_outside_what_was_reviewed_nothing_is_known(recording):
    made = tables(recording, [mark("reviewed", 0, 10)])
    truth = rows(made.windows, "muscle", "C3")
    assert all(truth[time] == 0 for time in truth if time <= 9)
    assert all(truth[time] == -1 for time in truth if time >= 10)


def test_line_noise_is_known_everywhere(recording):
    made = tables(recording, [mark("reviewed", 0, 10)])
    assert set(rows(made.windows, "line noise", "O2").values()) == {1}
    assert set(rows(made.windows, "line noise", "Cz").values()) == {0}


def event(made, channel, peak_s):
    """Truth of the candidate nearest to a time; unknown where none is kept within 0.1 s."""
    near = {
        abs(time_s - peak_s): value
        for time_s, value in rows(made.events, "blink", channel).items()
        if abs(time_s - peak_s) < 0.1
    }
    return near[min(near)] if near else -1


def test_candidates_pair_with_marked_blinks(recording):
    """The blink at 20 s is not marked, and so is no blink to this reader."""
    labels = [
        mark("reviewed", 0, 30),
        mark("blink", 4.9, 0.3, ("Fp1", "Fp2")),
        mark("blink", 11.9, 0.3),
    ]
    made = tables(recording, labels)
    assert made.events.features.shape[1] == len(EVENT_NAMES)
    assert [event(made, "Fp1", peak_s) for peak_s in (5, 12, 20)] == [1, 1, 0]
    # at the back: channels were named for the first; "all" says nothing sure; no blink at all
    assert [event(made, "O1", peak_s) for peak_s in (5, 12, 20)] == [0, -1, 0]


def test_doubtful_candidates_are_left_out(recording):
    labels = [mark("reviewed", 0, 30), mark("unsure", 4.5, 1.0, note="blink")]
    made = tables(recording, labels)
    assert [event(made, "Fp1", peak_s) for peak_s in (5, 12)] == [-1, 0]


def test_two_readers_must_agree(recording):
    labels = [mark("reviewed", 0, 30, reader=reader) for reader in ("r", "s")]
    labels += [mark("blink", 4.9, 0.3, ("Fp1", "Fp2"), reader=reader) for reader in ("r", "s")]
    labels += [mark("blink", 11.9, 0.3, ("Fp1", "Fp2"), reader="r")]
    made = tables(recording, labels, TWO)
    assert [event(made, "Fp1", peak_s) for peak_s in (5, 12, 20)] == [1, -1, 0]


def test_without_any_review_only_the_measured_label_is_known(recording):
    made = tables(recording, [])
    assert len(made.events) == 0
    assert set(made.windows.truth["muscle"]) == {-1}


def test_tables_are_joined_with_unknown_where_one_lacks_a_label(table):
    one, other = table(10), table(5, seed=1)
    renamed = type(other)(
        other.features, {"chewing": other.truth["muscle"]}, other.person, other.recording,
        other.channel, other.time_s,
    )  # fmt: skip
    both = joined([one, renamed])
    assert len(both) == 45
    assert set(both.truth) == {"muscle", "chewing"}
    assert (both.truth["muscle"][30:] == -1).all()
    assert (both.truth["chewing"][:30] == -1).all()
    some = both.rows(both.person == "anna")
    assert len(some) == 15
    assert all(len(values) == 15 for values in some.truth.values())
