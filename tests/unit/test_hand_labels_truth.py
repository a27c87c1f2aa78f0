"""What marks say about each channel cell."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.config import LabelRules
from cleanspan.training.hand_labels import HandLabel
from cleanspan.training.truth import ANY, EVERY, TWO, cell_truth, labels_of

CHANNELS = ["EEG FP1-A1", "EEG T3-A1", "EEG O1-A1"]


def mark(label, onset_s, duration_s, channels="all", reader="r", note=""):
    return HandLabel("a.edf", label, onset_s, duration_s, tuple(channels.split()), reader, note)


def truth(labels, label="muscle", seconds=10, **more):
    return cell_truth(labels, CHANNELS, label, onsets_s=np.arange(float(seconds)), **more)


def test_outside_reviewed_spans_nothing_is_known():
    cells = truth([mark("reviewed", 2, 5)])
    assert cells[0].tolist() == [-1, -1, 0, 0, 0, 0, 0, -1, -1, -1]


def test_a_cell_only_partly_reviewed_is_unknown():
    assert truth([mark("reviewed", 0.5, 2)])[0].tolist()[:4] == [-1, 0, -1, -1]


def test_old_names_and_references_match():
    cells = truth([mark("reviewed", 0, 10), mark("muscle", 3, 2, "T7")])
    assert cells[1].tolist() == [0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    assert not (cells[[0, 2]] == 1).any()


def test_a_mark_without_review_is_still_a_mark():
    assert truth([mark("muscle", 3, 2, "T7")])[1].tolist() == [
        -1,
        -1,
        -1,
        1,
        1,
        -1,
        -1,
        -1,
        -1,
        -1,
    ]


def test_a_sliver_of_a_mark_makes_a_cell_unknown_not_positive():
    cells = truth([mark("reviewed", 0, 10), mark("muscle", 3, 2.05, "T7")])
    assert cells[1, 2:7].tolist() == [0, 1, 1, -1, 0]


def test_a_blink_over_a_cell_border_is_in_both_cells():
    cells = truth([mark("reviewed", 0, 10), mark("blink", 3.9, 0.2, "Fp1")], "blink")
    assert cells[0, 2:6].tolist() == [0, 1, 1, 0]


def test_a_mark_without_length_is_in_one_cell():
    cells = truth([mark("reviewed", 0, 10), mark("blink", 3.0, 0.0, "Fp1")], "blink")
    assert cells[0, 1:5].tolist() == [0, 0, 1, 0]


def test_a_blink_on_all_channels_is_believed_at_the_front_only():
    cells = truth([mark("reviewed", 0, 10), mark("blink", 3.2, 0.3)], "blink")
    assert cells[:, 3].tolist() == [1, -1, -1]


@pytest.mark.parametrize(
    ("row", "label", "known"),
    [
        (mark("unsure", 3, 1), "muscle", False),
        (mark("unsure", 3, 1, note="blink? slow hump"), "muscle", True),
        (mark("unsure", 3, 1, note="blink? slow hump"), "blink", False),
        (mark("other", 3, 1, note="lateral saccade"), "blink", False),
        (mark("other", 3, 1, note="lateral saccade"), "muscle", True),
        (mark("other", 0, 60, note="ECG spikes"), "contact loss", True),
        (mark("other", 0, 60, note="slow swings"), "contact loss", False),
        (mark("other", 0, 60, note="slow swings"), "blink", True),
    ],
)
def test_doubts_leave_out_what_they_may_be_confused_with(row, label, known):
    cells = truth([mark("reviewed", 0, 10), row], label)
    assert (cells[0, 3] == 0) == known


def test_a_mark_wins_over_the_same_readers_doubt():
    rows = [mark("reviewed", 0, 10), mark("unsure", 2, 4), mark("muscle", 3, 1)]
    assert truth(rows)[0, 2:6].tolist() == [-1, 1, -1, -1]


def test_words_of_the_lab_say_what_other_may_be_confused_with():
    rows = [mark("reviewed", 0, 10), mark("other", 3, 1, note="Kiefer")]
    rules = LabelRules(confused={"kiefer": ("muscle",)})
    assert truth(rows, rules=rules)[0, 3] == -1
    assert truth(rows, "blink", rules=rules)[0, 3] == 0


def test_labels_nobody_read_for_stay_unknown():
    rows = [mark("reviewed", 0, 10)]
    assert (truth(rows, "line noise") == 0).all()
    assert (truth(rows, "line noise", rules=LabelRules(not_read=("line noise",))) == -1).all()


def test_an_own_label_is_absent_only_where_its_reader_knew_it():
    rules = LabelRules(extra=("lateral eye movement",))
    ignorant = [mark("reviewed", 0, 10)]
    knowing = [mark("reviewed", 0, 10), mark("lateral eye movement", 4, 1, "T7")]
    assert (truth(ignorant, "lateral eye movement", rules=rules) == -1).all()
    assert truth(knowing, "lateral eye movement", rules=rules)[1, 3:6].tolist() == [0, 1, 0]


def test_a_reviewed_row_may_name_the_labels_looked_for():
    rows = [mark("reviewed", 0, 10, note="blink and muscle only")]
    assert (truth(rows, "muscle") == 0).all()
    assert (truth(rows, "contact loss") == -1).all()


def test_readers_are_combined_as_asked():
    rows = [mark("reviewed", 0, 10, reader=name) for name in "abc"]
    rows += [mark("muscle", 2, 1, "T7", name) for name in "abc"]
    rows += [mark("muscle", 4, 1, "T7", name) for name in "ab"]
    rows += [mark("muscle", 6, 1, "T7", "a")]
    rows += [mark("unsure", 8, 1, "T7", "a")]
    chosen = [2, 4, 6, 8, 9]
    assert truth(rows, agreement=EVERY)[1, chosen].tolist() == [1, -1, -1, -1, 0]
    assert truth(rows, agreement=TWO)[1, chosen].tolist() == [1, 1, -1, -1, 0]
    assert truth(rows, agreement=ANY)[1, chosen].tolist() == [1, 1, 1, -1, 0]


def test_a_reader_who_looked_at_half_has_no_say_in_the_other():
    rows = [mark("reviewed", 0, 10, reader="a"), mark("reviewed", 0, 5, reader="b")]
    rows += [mark("muscle", 7, 1, "T7", "a"), mark("muscle", 2, 1, "T7", "a")]
    cells = truth(rows)[1]
    assert (cells[7], cells[9], cells[2]) == (1, 0, -1)


def test_all_may_mean_the_channels_the_readers_saw():
    rules = LabelRules(all_channels=("Fp1", "T7"))
    cells = truth([mark("reviewed", 0, 10)], rules=rules)
    assert cells[:, 0].tolist() == [0, 0, -1]


def test_a_recordings_name_may_lack_its_suffix():
    rows = [mark("reviewed", 0, 10)]
    assert labels_of(rows, "A.EDF") == labels_of(rows, "folder/a") == rows
    assert labels_of(rows, "ab.edf") == []


spans = st.tuples(
    st.sampled_from(["muscle", "unsure", "other", "reviewed"]),
    st.floats(0, 9), st.floats(0, 9), st.sampled_from(["a", "b"]),
)  # fmt: skip


@given(st.lists(spans, max_size=8), st.floats(0.25, 2))
def test_order_of_rows_never_matters(rows, cell_s):
    labels = [mark(label, on, length, "T7", reader) for label, on, length, reader in rows]
    grid = np.arange(0, 10, cell_s / 2)
    first = cell_truth(labels, CHANNELS, "muscle", onsets_s=grid, cell_s=cell_s)
    turned = cell_truth(labels[::-1], CHANNELS, "muscle", onsets_s=grid, cell_s=cell_s)
    assert (first == turned).all()
    assert set(np.unique(first)) <= {-1, 0, 1}
    assert (first[[0, 2]] == -1).all()
