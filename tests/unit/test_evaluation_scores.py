"""Scores of recordings: cells, events, confusion, people."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

import cleanspan
from cleanspan.cli import cli
from cleanspan.config import LabelRules
from cleanspan.errors import UsageError
from cleanspan.training.evaluation import (
    ReaderMarks,
    by_person,
    compare,
    evaluate_segments,
    person_of,
    pooled,
)
from cleanspan.training.hand_labels import HandLabel
from cleanspan.training.scores import Counts
from cleanspan.training.tables import confusion_table, score_table, spread_table, text_table

CAP = ["EEG Fp1-A1", "EEG Fp2-A2", "EEG T3-A1", "EEG O1-A1"]
NAMES = ("blink", "muscle")


def mark(label, onset_s, duration_s, channels="all", reader="r", note=""):
    return HandLabel("a.edf", label, onset_s, duration_s, tuple(channels.split()), reader, note)


def segments(*rows):
    return pd.DataFrame(rows, columns=["channel", "label", "onset_s", "duration_s"])


LABELS = [
    mark("reviewed", 0, 10),
    mark("blink", 2.2, 0.3, "Fp1 Fp2"),
    mark("muscle", 5, 2, "T7"),
    mark("unsure", 8, 1, note="muscle?"),
]


def score(*rows, labels=LABELS, **more):
    options = {"channels": CAP, "duration_s": 10, "names": NAMES, "recording": "a.edf", **more}
    return evaluate_segments(segments(*rows), labels, **options)


def test_perfect_marks_score_one():
    result = score(
        ("EEG Fp1-A1", "blink", 2.2, 0.3),
        ("EEG Fp2-A2", "blink", 2.2, 0.3),
        ("EEG T3-A1", "muscle", 5, 2),
    )
    assert [result.cells[name].f1 for name in NAMES] == [1, 1]
    assert [result.events[name].f1 for name in NAMES] == [1, 1]
    assert result.onsets["blink"].f1 == 1
    assert (result.false_share, result.clean_cells) == (0, 4 * 10 - 2 - 2 - 4)


def test_no_marks_find_nothing_and_mark_nothing_clean():
    result = score()
    assert result.cells["muscle"] == Counts(hit=0, false=0, missed=2, clear=34)
    assert result.events["blink"].f1 == 0
    assert result.false_share == 0


def test_a_late_onset_is_an_event_but_no_close_onset():
    result = score(("EEG Fp1-A1", "blink", 2.4, 0.3))
    assert result.events["blink"].f1 == 1
    assert result.onsets["blink"].f1 == 0


def test_a_wrong_class_shows_in_the_confusion():
    result = score(("EEG T3-A1", "blink", 5, 2), ("EEG O1-A1", "muscle", 0, 1))
    table = confusion_table([result])
    assert table.loc["muscle", "marked blink"] == 2
    assert table.loc["clean", "marked muscle"] == 1
    assert table.loc["blink", "marked clean"] == 2
    assert result.false_cells == 1


def test_two_marks_on_one_cell_share_it_in_the_confusion():
    result = score(("EEG T3-A1", "blink", 5, 1), ("EEG T3-A1", "muscle", 5, 2))
    table = confusion_table([result])
    assert table.loc["muscle", "marked muscle"] == 1.5
    assert table.loc["muscle", "marked blink"] == 0.5


def test_marks_where_nobody_looked_or_all_doubted_do_not_count():
    assert score(("EEG O1-A1", "muscle", 8, 1)).cells["muscle"].false == 0
    assert score(("EEG O1-A1", "muscle", 8, 1)).events["muscle"].marks == 0
    rest = [mark("reviewed", 0, 5)]
    outside = score(("EEG O1-A1", "muscle", 7, 1), labels=rest)
    assert (outside.cells["muscle"].false, outside.events["muscle"].marks) == (0, 0)


def test_marks_on_channels_that_were_not_screened_are_ignored():
    assert score(("ECG", "muscle", 0, 5)).cells["muscle"].false == 0


def test_a_label_nobody_read_has_no_numbers_and_blocks_nothing():
    result = score(names=("blink", "muscle", "line noise"),
                   rules=LabelRules(not_read=("line noise",)))  # fmt: skip
    assert result.cells["line noise"].known == 0
    assert np.isnan(result.cells["line noise"].f1)
    assert result.clean_cells == 32


def test_a_label_that_was_marked_but_not_looked_for_has_recall_alone_and_hides_no_other():
    result = score(
        ("EEG Fp1-A1", "blink", 2.4, 0.3),  # found, its onset is late
        ("EEG Fp1-A1", "blink", 7.5, 0.3),  # nobody said that there is none
        ("EEG O1-A1", "muscle", 0, 1),
        rules=LabelRules(not_read=("blink",)),
    )
    assert (result.events["blink"].recall, result.onsets["blink"].recall) == (1, 0)
    assert np.isnan([result.events["blink"].precision, result.onsets["blink"].precision]).all()
    table = confusion_table([result])
    assert table.loc["clean", "marked muscle"] == result.false_cells == 1
    assert table.loc["clean", "marked blink"] == 0
    assert table.loc["muscle", "marked clean"] == 2
    assert (table.loc["blink", "marked blink"], table.loc["blink", "marked clean"]) == (1, 1)


def test_an_own_label_is_scored_without_any_code():
    rules = LabelRules(extra=("lateral eye movement",))
    labels = [*LABELS, mark("lateral eye movement", 4, 0.5, "T7")]
    found = score(
        ("EEG T3-A1", "lateral eye movement", 4, 0.5),
        labels=labels,
        names=("lateral eye movement",),
        rules=rules,
    )
    assert found.cells["lateral eye movement"].f1 == 1
    assert found.events["lateral eye movement"].f1 == 1


def test_reader_against_reader_is_symmetric():
    first = [mark("reviewed", 0, 10), mark("blink", 2, 0.3, "Fp1"), mark("muscle", 4, 3, "T7")]
    second = [mark("reviewed", 0, 10), mark("muscle", 5, 4, "T7"), mark("unsure", 0, 1)]
    judges = [ReaderMarks(rows, CAP) for rows in (first, second)]
    one = compare(*judges, names=NAMES, duration_s=10)
    other = compare(*judges[::-1], names=NAMES, duration_s=10)
    for name in NAMES:
        assert one.cells[name].kappa == pytest.approx(other.cells[name].kappa, nan_ok=True)
        assert one.events[name].precision == pytest.approx(other.events[name].recall, nan_ok=True)


def test_people_are_pooled_and_their_spread_is_told():
    good = score(("EEG T3-A1", "muscle", 5, 2), person="p1")
    poor = score(person="p2")
    again = score(("EEG T3-A1", "muscle", 5, 2), person="p1")
    people = by_person([good, poor, again])
    assert [(p.name, p.cells["muscle"].f1) for p in people] == [("p1", 1.0), ("p2", 0.0)]
    assert pooled([good, poor, again]).cells["muscle"].recall == pytest.approx(4 / 6)
    row = spread_table([good, poor, again]).set_index(["label", "level"]).loc[("muscle", "cells")]
    assert (row["people"], row["mean_f1"], row["lowest_f1"]) == (2, 0.5, 0.0)
    assert row["sd_f1"] == pytest.approx(np.sqrt(0.5))


def test_the_long_table_has_a_row_for_every_scope_and_label():
    table = score_table([score(person="p1"), score(person="p2")])
    assert table.groupby("scope").size().to_dict() == {"all": 2, "person": 4, "recording": 4}


def test_a_table_for_the_terminal_lines_up():
    lines = text_table(pd.DataFrame({"label": ["a", "bcd"], "f1": [0.5, float("nan")]}))
    assert lines == ["label     f1", "a      0.500", "bcd        -"]


@pytest.mark.parametrize(
    ("name", "pattern", "person"),
    [
        ("S001R02.edf", "", "S001"),
        ("S001R02_again.edf", "", "S001R02"),
        ("S01R2.edf", "", "S01R2"),
        ("harbour-07.edf", "", "harbour-07"),
        ("ward_07.edf", "", "ward"),
        ("p12-night3.edf", r"^(p\d+)-", "p12"),
        ("folder/ab_1_2.bdf", "", "ab"),
    ],
)
def test_whose_recording_it_is(name, pattern, person):
    assert person_of(name, pattern) == person


def test_guide_and_help_tell_the_rule_for_names_of_person_and_run():
    guide = Path(cleanspan.__file__).parent / "guides" / "teaching.md"
    helps = [CliRunner().invoke(cli, [name, "--help"]).output for name in ("evaluate", "retrain")]
    for text in (guide.read_text(encoding="utf-8"), *helps):
        assert "S001R02" in text
        assert "whole name" in " ".join(text.split())


def test_a_recording_that_the_pattern_does_not_fit_is_nobodys():
    with pytest.raises(UsageError, match=r"must be found in every recording's name.*anything"):
        person_of("anything.edf", r"^(p\d+)-")
