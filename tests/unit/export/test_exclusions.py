"""Plans on hand-made segments; the answers were worked out by hand, as the comments show."""

import pytest

from cleanspan.export.exclusions import apply_plan, apply_to
from cleanspan.export.plans import Plan, load_plan
from cleanspan.types import Piece

MINUTE = (Piece(0.0, 60.0),)


def plan(**values):
    return Plan(name="p", purpose="", rationale="", **values)


def spans(table):
    return [tuple(row) for row in table[["onset_s", "duration_s"]].itertuples(index=False)]


@pytest.fixture
def applied(fakes):
    def apply(*rows, plan, pieces=MINUTE, electrodes=fakes.ELECTRODES, **more):
        listed = fakes.channels(electrodes)
        return apply_plan(fakes.segments(*rows), listed, pieces, plan, **more)

    return apply


@pytest.fixture(autouse=True)
def _electrodes(fakes):
    fakes.ELECTRODES = ("Fp1", "Fp2", "C3", "C4", "O1", "O2")


def test_nothing_marked_keeps_everything(applied):
    result = applied(plan=plan())
    assert result.usable_s == 60.0
    assert spans(result.kept) == [(0.0, 60.0)]
    assert result.excluded.empty
    assert list(result.excluded.columns) == ["onset_s", "duration_s", "reason", "channels"]
    assert result.meets_minimum


def test_channel_that_must_be_good_takes_the_time_with_padding(applied):
    # 10..12 s padded by 0.5 s → 9.5..12.5 s
    result = applied(("C3", "muscle", 10, 2), plan=plan(must_be_good=("C3",), padding_s=0.5))
    assert spans(result.excluded) == [(9.5, 3.0)]
    assert result.excluded.iloc[0]["reason"] == "muscle"
    assert result.excluded.iloc[0]["channels"] == "EEG C3-A1A2"
    assert result.usable_s == 57.0


def test_more_channels_at_once_than_allowed(applied):
    # C3 10..14, C4 12..16, O1 13..20: three at once only in 13..14
    rows = [("C3", "muscle", 10, 4), ("C4", "muscle", 12, 4), ("O1", "line noise", 13, 7)]
    result = applied(*rows, plan=plan(most_bad_channels=2))
    assert spans(result.excluded) == [(13.0, 1.0)]
    assert set(result.excluded.iloc[0]["reason"].split(";")) == {"muscle", "line noise"}
    assert result.excluded.iloc[0]["channels"] == "EEG C3-A1A2;EEG C4-A1A2;EEG O1-A1A2"


def test_two_labels_on_one_channel_count_as_one_bad_channel(applied):
    rows = [("C3", "muscle", 10, 4), ("C3", "line noise", 10, 4)]
    assert applied(*rows, plan=plan(most_bad_channels=1)).excluded.empty


def test_reasons_begin_with_the_label_that_covers_most(applied):
    # union of C3 10..14: muscle 1 s, line noise 4 s
    rows = [("C3", "muscle", 10, 1), ("C3", "line noise", 10, 4)]
    result = applied(*rows, plan=plan(most_bad_channels=0))
    assert result.excluded.iloc[0]["reason"] == "line noise;muscle"


def test_only_what_led_to_the_exclusion_is_named(applied):
    # the blink alone takes 10..10.4; muscle on O1 at the same time is allowed and not a reason
    rows = [("Fp1", "blink", 10, 0.4), ("O1", "muscle", 9, 4)]
    result = applied(*rows, plan=plan(removes={"blink": ("Fp1",)}, most_bad_channels=2))
    assert spans(result.excluded) == [(10.0, 0.4)]
    assert result.excluded.iloc[0]["reason"] == "blink"
    assert result.excluded.iloc[0]["channels"] == "EEG Fp1-A1A2"


def test_usable_time_of_each_channel(applied):
    # 60 s − 5 s out for all (C3 is bad) = 55; O1 is bad 30..40 within kept time → 45
    rows = [("C3", "muscle", 10, 5), ("O1", "line noise", 30, 10)]
    result = applied(*rows, plan=plan(must_be_good=("C3",)))
    usable = dict(zip(result.channels["channel"], result.channels["usable_s"], strict=True))
    assert usable["EEG Fp1-A1A2"] == 55.0
    assert usable["EEG O1-A1A2"] == 45.0
    assert usable["EEG C3-A1A2"] == 55.0


def test_channel_bad_too_long_is_dropped_instead_of_the_time(applied):
    # O2 is bad for 45 of 60 s = 75 % (contact loss 30 s, mains 15 s)
    rows = [("O2", "contact loss", 0, 30), ("O2", "line noise", 30, 15), ("C3", "muscle", 50, 1)]
    result = applied(*rows, plan=plan(most_bad_channels=0, drop_channel_above=0.5))
    assert spans(result.excluded) == [(50.0, 1.0)]
    assert result.dropped["channel"].tolist() == ["EEG O2-A1A2"]
    assert result.dropped.iloc[0]["reason"] == "bad 75% of the time, mostly contact loss"
    assert result.dropped.iloc[0]["use"] == "leave out"
    assert result.dropped.iloc[0]["usable_s"] == 0.0


def test_padding_does_not_make_a_channel_bad_longer(applied):
    rows = [("O2", "muscle", 0, 29)]
    result = applied(*rows, plan=plan(drop_channel_above=0.5, padding_s=5.0))
    assert result.dropped.empty


def test_short_kept_spans_go_too(applied):
    # muscle 10..11 and 12..13: the second between is shorter than 2 s
    rows = [("C3", "muscle", 10, 1), ("C3", "muscle", 12, 1)]
    result = applied(*rows, plan=plan(most_bad_channels=0, shortest_kept_s=2.0))
    assert spans(result.excluded) == [(10.0, 3.0)]
    assert spans(result.kept) == [(0.0, 10.0), (13.0, 47.0)]


def test_piece_shorter_than_the_shortest_span_says_so(applied):
    pieces = (Piece(0.0, 60.0), Piece(100.0, 1.5))
    result = applied(plan=plan(shortest_kept_s=2.0), pieces=pieces)
    assert spans(result.excluded) == [(100.0, 1.5)]
    assert result.excluded.iloc[0]["reason"] == "too short to keep"
    assert result.duration_s == 61.5


def test_gap_is_neither_kept_nor_excluded(applied):
    # pieces 0..60 and 100..160; muscle 58..103 covers 2 s and 3 s of recorded time
    pieces = (Piece(0.0, 60.0), Piece(100.0, 60.0))
    result = applied(("C3", "muscle", 58, 45), plan=plan(most_bad_channels=0), pieces=pieces)
    assert spans(result.excluded) == [(58.0, 2.0), (100.0, 3.0)]
    assert spans(result.kept) == [(0.0, 58.0), (103.0, 57.0)]
    assert result.usable_s == 115.0


def test_padding_into_a_gap_is_lost(applied):
    pieces = (Piece(0.0, 60.0), Piece(60.5, 60.0))
    result = applied(
        ("C3", "muscle", 59, 1), plan=plan(most_bad_channels=0, padding_s=0.75), pieces=pieces
    )
    # 58.25..60.75 → 58.25..60 and 60.5..60.75
    assert spans(result.excluded) == [(58.25, 1.75), (60.5, 0.25)]


def test_lost_reference_is_said_once_and_plainly(applied, fakes):
    # the blink 19.5..20.5 runs into the lost reference 20..30: two spans, each with its reason
    rows = [*fakes.lost_reference(20, 10), ("Fp1", "blink", 19.5, 1)]
    result = applied(*rows, plan=plan(most_bad_channels=0))
    rows = list(result.excluded.itertuples(index=False, name=None))
    assert rows == [
        (19.5, 0.5, "blink", "EEG Fp1-A1A2"),
        (20.0, 10.0, "reference lost", "all"),
    ]


def test_lost_reference_drops_no_channel(applied, fakes):
    result = applied(*fakes.lost_reference(0, 40), plan=plan(drop_channel_above=0.3))
    assert result.dropped.empty
    assert result.usable_s == 20.0


def test_what_is_marked_while_the_reference_is_lost_is_not_the_channels_fault(applied, fakes):
    # mains on C3 10..30 s and 50..55 s, reference lost 10..40 s: 5 of 30 s are its own = 17 %
    rows = [
        *fakes.lost_reference(10, 30),
        ("C3", "line noise", 10, 20),
        ("C3", "line noise", 50, 5),
    ]
    assert applied(*rows, plan=plan(drop_channel_above=0.17)).dropped.empty
    dropped = applied(*rows, plan=plan(drop_channel_above=0.16)).dropped
    assert dropped["bad_s"].tolist() == [5.0]
    assert dropped.iloc[0]["reason"] == "bad 17% of the time, mostly line noise"


def test_all_channels_at_once_are_called_all(applied):
    everyone = [(name, "muscle", 5, 2) for name in ("Fp1", "Fp2", "C3", "C4", "O1", "O2")]
    result = applied(*everyone, plan=plan(most_bad_share=0.5))
    assert result.excluded.iloc[0]["channels"] == "all"


def test_unsure_segments_do_not_count(applied):
    rows = [
        ("C3", "muscle", 10, 1, 0.55),
        ("C3", "muscle", 20, 1, 0.8),
        ("C3", "muscle", 30, 1, float("nan")),
    ]
    result = applied(*rows, plan=plan(most_bad_channels=0, confidence=0.6))
    assert spans(result.excluded) == [(20.0, 1.0), (30.0, 1.0)]


def test_no_channel_left(applied):
    result = applied(
        ("C3", "muscle", 0, 60), plan=plan(drop_channel_above=0.5), electrodes=("C3",)
    )
    assert result.usable_s == 0.0
    assert result.excluded.iloc[0]["reason"] == "no channel left"
    assert spans(result.excluded) == [(0.0, 60.0)]


def test_shortfalls_say_what_must_hold_and_what_was_got(applied):
    rows = [("C3", "muscle", 0, 40), ("C4", "muscle", 0, 40)]
    wanted = plan(
        must_be_good=("C3", "Pz"),
        drop_channel_above=0.5,
        most_dropped_share=0.2,
        minimum_usable_s=120.0,
    )
    result = applied(*rows, plan=wanted)
    assert not result.meets_minimum
    assert result.shortfalls == (
        "120 s must be usable, got 60 s",
        "channels that must be good are not in the recording: Pz",
        "channels that must be good are bad too long: EEG C3-A1A2",
        "at most 20% of 6 channels may be dropped, got 2",
    )


def test_label_that_the_model_lacks_is_a_warning(applied):
    wanted = plan(labels=("all", "drool"), removes={"blink": ("Oz",)})
    result = applied(plan=wanted, labels=("blink", "muscle"))
    assert result.warnings == (
        "plan p: the model has no label drool (it has blink, muscle)",
        "plan p: none of the channels named for blink is in the recording",
    )


def test_channel_that_is_nowhere_is_a_warning_also_beside_known_ones(applied):
    wanted = plan(removes={"blink": ("Fp1", "Tx", "AF7"), "muscle": ("Tx",)})
    said = (
        "plan p: must_be_good or removes names what is no electrode and no channel of the "
        "recording: Tx"
    )
    assert said in applied(plan=wanted).warnings


def test_label_of_a_lab_works_like_any_other(applied):
    result = applied(
        ("C3", "gaze left", 5, 1), plan=plan(most_bad_channels=0), labels=("gaze left",)
    )
    assert result.excluded.iloc[0]["reason"] == "gaze left"


class TestShippedPlans:
    def test_resting(self, applied):
        # 6 channels: 25 % is one (1/6 = 17 %, 2/6 = 33 %). Blink on Fp1 and Fp2 10..10.4, padded
        # 0.1 → 9.9..10.5 goes. Muscle on C3 alone stays: C3 loses 20..23 padded = 3.2 s.
        rows = [("Fp1", "blink", 10, 0.4), ("Fp2", "blink", 10, 0.4), ("C3", "muscle", 20, 3)]
        result = applied(*rows, plan=load_plan("resting"))
        assert spans(result.excluded) == [(9.9, 0.6)]
        assert result.usable_s == 59.4
        usable = result.channels.set_index("channel")["usable_s"]
        assert usable["EEG C3-A1A2"] == 56.2
        assert result.shortfalls == ("180 s must be usable, got 59.4 s",)

    def test_event_related(self, applied):
        # one blink on Fp1 alone is enough (padding 0.05); muscle on two channels is not
        rows = [("Fp1", "blink", 10, 0.4), ("C3", "muscle", 20, 3), ("C4", "muscle", 20, 3)]
        result = applied(*rows, plan=load_plan("event-related"))
        assert spans(result.excluded) == [(9.95, 0.5)]

    def test_connectivity(self, applied):
        # any bad channel takes the time, padded 0.2: 9.8..10.6 and 12.8..13.6; the 2.2 s between
        # are shorter than 4 s. O2, bad for 15 s = 25 % > 20 %, is dropped: 1 of 6 = 17 % > 15 %.
        rows = [
            ("C3", "muscle", 10, 0.4),
            ("O1", "muscle", 13, 0.4),
            ("O2", "contact loss", 30, 15),
        ]
        result = applied(*rows, plan=load_plan("connectivity"))
        assert spans(result.excluded) == [(9.8, 3.8)]
        assert result.dropped["channel"].tolist() == ["EEG O2-A1A2"]
        assert result.shortfalls == (
            "120 s must be usable, got 56.2 s",
            "at most 15% of 6 channels may be dropped, got 1",
        )

    def test_long(self, applied):
        # blinks are tolerated on all channels; muscle on 4 of 6 (more than half) 40..42 goes and
        # leaves 18 s, shorter than 30 s
        everyone = ("Fp1", "Fp2", "C3", "C4", "O1", "O2")
        rows = [(name, "blink", 10, 0.4) for name in everyone]
        rows += [(name, "muscle", 40, 2) for name in everyone[:4]]
        result = applied(*rows, plan=load_plan("long"))
        assert spans(result.kept) == [(0.0, 40.0)]
        assert spans(result.excluded) == [(40.0, 20.0)]


def test_screened_recording_can_be_given_whole(fakes):
    screened = fakes.screened(("C3", "muscle", 10, 2))
    result = apply_to(screened, screened.recording.pieces, plan(most_bad_channels=0))
    assert spans(result.excluded) == [(10.0, 2.0)]
