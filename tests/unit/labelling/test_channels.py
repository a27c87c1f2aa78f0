"""The table of channels, worked out by hand."""

import numpy as np
import pytest

from cleanspan.labelling.channels import (
    channel_table,
    few_compared,
    reference_is_to_mend,
    without_front,
)
from cleanspan.labelling.spans import union_s
from cleanspan.types import LABELS, Channel, Finding, Role

NAMES = ("Fp1", "Fp2", "C3", "C4", "O1", "O2")


def channels():
    scalp = [Channel(row, name, Role.EEG, name, 250.0) for row, name in enumerate(NAMES)]
    return [*scalp, Channel(6, "Button", Role.BUTTON, None, 250.0)]


def made(segments, findings=(), duration_s=100.0):
    table = channel_table(channels(), segments, LABELS, duration_s=duration_s, findings=findings)
    return table.set_index("channel")


def test_too_few_channels_to_compare_are_said():
    """By sampling rate, for channels of two rates are not compared."""
    scalp = channels()[:6]
    assert few_compared([scalp]) == []
    (said,) = few_compared([scalp, scalp[:2]])
    assert "6 channels or more" in said
    assert "got 2 (Fp1, Fp2)" in said


def test_where_no_electrode_is_frontal_it_is_said_that_no_blink_is_found(screen, invented):
    samples = invented.background(2, 20, seed=1)
    invented.add_blinks(samples, ("Fz", "Fz"), (5, 9, 13))
    told = "blinks are looked for at the frontmost electrode of Fp1, Fp2 to F3, Fz, F4"
    behind = screen(samples, ("C3", "C4"))
    assert f"{told}, got none of them (C3, C4): no blink is marked there" in behind.warnings
    assert "blink" not in set(behind.segments["label"])
    front = screen(samples, ("Fz", "C4"))
    assert not [text for text in front.warnings if text.startswith(told)]


def test_groups_without_a_frontal_electrode_are_told_one_by_one():
    """Channels of two rates are screened apart."""
    front = [Channel(0, "Fp1", Role.EEG, "Fp1", 250.0)]
    sites = ("C3", "C4", "P3", "P4", "O1", "O2", "Pz")
    back = [Channel(row, name, Role.EEG, name, 500.0) for row, name in enumerate(sites)]
    (said,) = without_front([front, back])
    assert "(C3, C4, P3, P4, O1, O2 and 1 more)" in said


def test_union_counts_overlap_once():
    onset_s, end_s = np.array([5.0, 0.0, 8.0, 1.0]), np.array([7.0, 2.0, 9.0, 1.5])
    assert union_s(onset_s, end_s) == pytest.approx(2 + 2 + 1)
    assert union_s(np.empty(0), np.empty(0)) == 0
    assert union_s(np.array([0.0, 1.0]), np.array([10.0, 2.0])) == 10


def test_shares_and_what_is_clean(table):
    rows = made(
        table(
            ("C3", "muscle", "", 0, 20),
            ("C3", "line noise", "", 10, 30),  # 10 s of it under muscle too
            ("Fp1", "blink", "", 5, 0.4),
        )
    )
    assert rows.loc["C3", "muscle_share"] == pytest.approx(0.2)
    assert rows.loc["C3", "line_noise_share"] == pytest.approx(0.3)
    assert rows.loc["C3", "clean_share"] == pytest.approx(0.6)
    assert rows.loc["Fp1", "blink_share"] == pytest.approx(0.004)
    assert rows.loc["O2", "clean_share"] == 1


def test_channels_that_were_not_screened_have_no_share(table):
    row = made(table(("C3", "muscle", "", 0, 20))).loc["Button"]
    assert (row["role"], row["verdict"]) == ("button", "not screened")
    assert np.isnan(row["clean_share"])
    assert np.isnan(row["muscle_share"])


@pytest.mark.parametrize(
    ("label", "kind", "seconds", "verdict"),
    [
        ("contact loss", "floating", 1.9, "good"),
        ("contact loss", "floating", 2.1, "watch"),
        ("contact loss", "flat", 10.1, "mend"),
        ("contact loss", "reference lost", 60, "good"),
        ("line noise", "", 49, "good"),
        ("line noise", "", 51, "watch"),
        ("muscle", "", 49, "good"),
        ("muscle", "", 51, "watch"),
        ("muscle", "", 100, "watch"),
        ("blink", "", 49, "good"),
        ("blink", "", 51, "watch"),
    ],
)
def test_verdicts(table, label, kind, seconds, verdict):
    assert made(table(("C3", label, kind, 0, seconds))).loc["C3", "verdict"] == verdict


@pytest.mark.parametrize(
    ("rows", "verdict"),
    [
        ([("muscle", "", 0, 30), ("line noise", "", 30, 30)], "watch"),
        ([("muscle", "", 0, 30), ("line noise", "", 0, 30)], "good"),
        ([("contact loss", "reference lost", 0, 100)], "watch"),
        ([("contact loss", "reference lost", 0, 60), ("muscle", "", 60, 40)], "watch"),
        ([("contact loss", "reference lost", 0, 60), ("muscle", "", 60, 19)], "good"),
        ([("contact loss", "reference lost", 0, 60), ("muscle", "", 0, 60)], "good"),
    ],
    ids=["half by turns", "half at once", "no reference", "never clean", "clean since", "both"],
)
def test_a_channel_is_good_only_if_half_of_its_time_with_a_reference_is_clean(
    table, rows, verdict
):
    assert made(table(*(("C3", *row) for row in rows))).loc["C3", "verdict"] == verdict


def test_no_electrode_is_to_blame_for_what_all_lost_at_once(table):
    """The amplifier stopped for the last 20 s; O1 had been off for 12 s before."""
    stopped = [(name, "contact loss", "flat", 80, 20) for name in NAMES]
    rows = made(table(*stopped, ("O1", "contact loss", "floating", 68, 12)))
    assert rows.loc["C3", "contact_loss_share"] == pytest.approx(0.2)
    verdicts = rows.loc[list(NAMES), "verdict"].to_dict()
    assert verdicts == {**dict.fromkeys(NAMES, "good"), "O1": "mend"}
    but_one = made(table(*stopped[1:]))
    assert but_one.loc["C3", "verdict"] == "mend", "while one has contact the others are to blame"


def test_marks_around_a_stop_are_its_doing_too(table):
    """The amplifier drops out for a second every five; C3's marks begin earlier and end later."""
    drops = [
        (name, "contact loss", "flat", at - 0.4 * (name == "C3"), 1 + 0.8 * (name == "C3"))
        for name in NAMES
        for at in range(2, 97, 5)
    ]
    rows = made(table(*drops))
    assert rows.loc["C3", "contact_loss_share"] > 0.3
    assert set(rows.loc[list(NAMES), "verdict"]) == {"good"}


def test_where_nothing_was_ever_on_the_head_nothing_speaks_for_an_electrode(table):
    rows = made(table(*((name, "contact loss", "flat", 0, 100) for name in NAMES)))
    assert set(rows.loc[list(NAMES), "verdict"]) == {"watch"}


@pytest.mark.parametrize(("seconds", "to_mend"), [(0, False), (1.9, False), (2.0, True)])
def test_clips_are_to_be_mended_from_a_fiftieth_of_the_session_on(table, seconds, to_mend):
    """A single pop of the ear clip is told as a finding and calls for nothing."""
    lost = [(name, "contact loss", "reference lost", 5, seconds) for name in NAMES if seconds]
    other = ("C3", "contact loss", "floating", 20, 50)
    assert reference_is_to_mend(table(*lost, other), 100.0) == to_mend


def test_findings_stand_in_the_note(table):
    findings = [Finding("salt bridge", ("C3", "C4"), "…"), Finding("drying", ("C3",), "…")]
    rows = made(table(), findings)
    assert rows.loc["C3", "note"] == "salt bridge; drying"
    assert rows.loc["C4", "note"] == "salt bridge"
    twice = made(table(), [*findings, Finding("salt bridge", ("C3", "Cz"), "…")])
    assert twice.loc["C3", "note"] == "salt bridge; drying"
    assert rows.loc["O1", "note"] == ""


def test_what_salt_water_joins_is_to_be_watched_and_what_is_to_be_mended_stays_so(table):
    findings = [Finding("salt bridge", ("C3", "C4"), "…"), Finding("drying", ("O1",), "…")]
    rows = made(table(("C4", "contact loss", "floating", 0, 50)), findings)
    verdicts = rows.loc[["C3", "C4", "O1"], "verdict"]
    assert list(verdicts) == ["watch", "mend", "good"]


def test_columns_follow_the_contract(table):
    assert list(made(table()).reset_index().columns) == [
        "channel", "role", "verdict", "clean_share", "blink_share", "muscle_share",
        "line_noise_share", "contact_loss_share", "note",
    ]  # fmt: skip
