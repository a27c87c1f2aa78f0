"""Segments of given probabilities, and of made recordings whose faults are known."""

import numpy as np
import pytest

from cleanspan.config import SegmentRule
from cleanspan.features.edges import measures
from cleanspan.features.windows import CELL_S
from cleanspan.labelling.segments import segment_table
from cleanspan.types import SEGMENT_COLUMNS


def rows_of(table, **which):
    for name, value in which.items():
        table = table[table[name] == value]
    return table


def test_columns_and_order(given):
    store, predictions = given(events_s=[(50.0, 50.4)])
    predictions.set("muscle", 2, 20, 40)
    predictions.set("line noise", 3, 10, 40)
    predictions.given[0] = 0.9
    made = segment_table(store, predictions, {})
    assert tuple(made.columns) == SEGMENT_COLUMNS
    assert made["onset_s"].is_monotonic_increasing
    for name in ("channel", "label", "kind"):
        assert made[name].dtype == "category"
    assert list(made["channel"].cat.categories) == [channel.label for channel in store.channels]


def test_windows_become_a_segment_of_the_cells_they_agree_on(given):
    """Windows 20-39 (10 to 20.5 s) at 0.9, others 0: cells 10-10.5 and 20-20.5 s are half theirs.

    Geometric means there: √(0.9·10⁻⁴) = 0.009; so 10.5 to 20 s stand.
    """
    store, predictions = given()
    predictions.set("muscle", 2, 20, 40)
    (row,) = segment_table(store, predictions, {}).itertuples()
    assert (row.channel, row.label, row.kind) == ("C3", "muscle", "")
    assert (row.onset_s, row.duration_s) == (10.5, 9.5)
    assert row.confidence == pytest.approx(0.9)


def test_rules_are_the_labels_own(given):
    store, predictions = given()
    predictions.set("muscle", 2, 20, 40, 0.55)
    predictions.set("line noise", 2, 20, 40, 0.55)
    strict = {"muscle": SegmentRule(begin_at=0.6, keep_above=0.5)}
    made = segment_table(store, predictions, strict)
    assert made["label"].tolist() == ["line noise"]


def test_no_probability_no_segment(given):
    store, predictions = given(events_s=[(5.0, 5.3)])
    made = segment_table(store, predictions, {})
    assert made.empty
    assert tuple(made.columns) == SEGMENT_COLUMNS


def test_an_event_has_one_onset_on_the_channels_that_show_it(given):
    """The first stands by its leads; the second does not, sure as others may be."""
    store, predictions = given(events_s=[(5.0, 5.3), (9.0, 9.4)])
    predictions.given[0, :, 0] = [0.9, 0.8, 0.6, 0.3, 0.0, 0.0]
    predictions.given[1, :, 0] = [0.3, 0.1, 0.9, 0.9, 0.9, 0.9]
    made = segment_table(store, predictions, {})
    assert made["channel"].tolist() == ["Fp1", "Fp2", "C3"]
    assert set(made["label"]) == {"blink"}
    assert made["onset_s"].tolist() == [5.0] * 3
    assert made["duration_s"].tolist() == pytest.approx([0.3] * 3)


@pytest.mark.parametrize(
    ("spans", "expected"),
    [
        ([(5.0, 5.26), (5.0, 5.54)], [(5.0, 5.26), (5.26, 5.54)]),
        ([(5.0, 5.6), (5.3, 5.7)], [(5.0, 5.5), (5.5, 5.7)]),
        ([(5.0, 5.3), (5.5, 5.8)], [(5.0, 5.3), (5.5, 5.8)]),
    ],
)
def test_no_event_of_a_channel_begins_before_the_one_before_it_is_over(given, spans, expected):
    """A double blink: both begin at once, or the first lasts until past the second's peak."""
    store, predictions = given(events_s=spans)
    predictions.given[:] = 0.9
    made = segment_table(store, predictions, {})
    assert len(made) == 2 * 6
    for _, rows in made.groupby("channel", observed=True):
        found = [(row.onset_s, row.onset_s + row.duration_s) for row in rows.itertuples()]
        assert np.array(found) == pytest.approx(np.array(expected))


def test_a_lead_without_contact_has_no_vote(given):
    """Fp2 is off: the blink stands by Fp1 alone, and is not said of Fp2."""
    store, predictions = given(events_s=[(5.0, 5.3)])
    predictions.given[0, :, 0] = [0.6, 0.0, 0.0, 0.0, 0.0, 0.0]  # 0.3 if Fp2 had a say
    predictions.set("contact loss", 1, 0, 119)
    blinks = rows_of(segment_table(store, predictions, {}), label="blink")
    assert blinks["channel"].tolist() == ["Fp1"]


@pytest.mark.parametrize(("first", "stands"), [(11, True), (8, False)])
def test_a_blink_just_before_contact_is_lost_stands(given, first, stands):
    """Windows of 1 s, two a second: the one around the blink has lost contact in it."""
    store, predictions = given(events_s=[(5.05, 5.35)])
    predictions.given[0, :2, 0] = 0.9
    for row in (0, 1):
        predictions.set("contact loss", row, 9, 40)
        predictions.set("contact loss", row, first, 40, 0.99)
        # The signal itself changes where contact is lost.
        store.cells.held[row, round(first / 2 / CELL_S) : round(20.5 / CELL_S), 0] = 3.0
    made = segment_table(store, predictions, {})
    assert ("blink" in set(made["label"])) is stands


def test_without_leads_no_event_stands(given):
    store, predictions = given(events_s=[(5.0, 5.3)], leads=())
    predictions.given[:] = 1.0
    assert segment_table(store, predictions, {}).empty


@pytest.mark.parametrize(("first", "kind", "onset_s"), [(18, "flat", 10.0), (10, "floating", 5.0)])
def test_what_windows_reach_into_a_standstill_for_is_flat_from_where_it_stands(
    given, first, kind, onset_s
):
    """Windows of 1 s, two a second; it stands still from 10 s on, and a heart beats at 9.3 s."""
    store, predictions = given(seconds=11)
    predictions.set("contact loss", 2, first, 21)
    store.cells.held[2, round(9.3 / CELL_S), 0] = 3.0
    store.cells.held[2, round(10 / CELL_S) :, 0] = -1.0
    (row,) = segment_table(store, predictions, {}).to_dict("records")
    assert (row["kind"], row["onset_s"]) == (kind, pytest.approx(onset_s, abs=0.8))
    if kind == "flat":
        assert row["onset_s"] == 10.0


def creep_from(store, row, *onsets_s, tau_s):
    """Let a channel jump by 1 mV and creep back."""
    time_s = CELL_S * np.arange(store.n_cells[0])
    level = sum(
        np.where(time_s >= at_s, 1000 * np.exp(-np.maximum(time_s - at_s, 0) / tau_s), 0)
        for at_s in onsets_s
    )
    level = np.asarray(level, dtype=np.float32)[None]
    store.cells.held[row] = measures(level + 10, level - 10)[0]


def test_a_pop_is_told_by_itself_and_lasts_until_the_trace_is_back(given):
    """Windows 20-21 (10 to 11.5 s) are sure, and jump; the four seconds after them creep back."""
    store, predictions = given()
    predictions.set("contact loss", 2, 20, 22)
    store.set_raw("jump_crest", 2, 20, 22, 1.0)
    creep_from(store, 2, 10.5, tau_s=1.0)
    (row,) = segment_table(store, predictions, {}).to_dict("records")
    assert row["kind"] == "popping"
    assert row["onset_s"] == 10.5
    assert row["onset_s"] + row["duration_s"] == pytest.approx(10.5 + np.log(1000 / 20), abs=0.2)


def test_pops_between_which_the_trace_does_not_come_back_are_one_segment(given):
    store, predictions = given()
    for first, sure in ((20, 0.9), (28, 0.7)):
        predictions.set("contact loss", 2, first, first + 2, sure)
        store.set_raw("jump_crest", 2, first, first + 2, 1.0)
    apart = segment_table(store, predictions, {})
    assert len(apart) == 2
    creep_from(store, 2, 10.5, 14.5, tau_s=3.0)
    (row,) = segment_table(store, predictions, {}).to_dict("records")
    assert row["kind"] == "popping"
    assert row["onset_s"] == 10.5
    assert row["onset_s"] + row["duration_s"] > 20
    # The first lasts to the second, four seconds; the rest of the time is the second's.
    confidence = (0.9 * 4.0 + 0.7 * (row["duration_s"] - 4.0)) / row["duration_s"]
    assert row["confidence"] == pytest.approx(confidence, abs=0.005)


def test_pops_between_which_the_trace_is_back_for_a_moment_are_two_segments(given):
    store, predictions = given()
    predictions.set("contact loss", 2, 20, 22)
    predictions.set("contact loss", 2, 23, 25)
    creep_from(store, 2, 10.5, 12.0, tau_s=0.3)
    first, second = segment_table(store, predictions, {}).itertuples()
    assert 0.1 < second.onset_s - (first.onset_s + first.duration_s) < 0.5


def test_only_lost_contact_has_a_way_back(given):
    store, predictions = given()
    predictions.set("muscle", 2, 20, 22)
    creep_from(store, 2, 10.5, tau_s=2.0)
    (row,) = segment_table(store, predictions, {}).itertuples()
    assert row.onset_s + row.duration_s < 12


def test_a_flat_stretch_lasts_until_the_trace_is_back(given):
    """Still from 10 to 15 s; then the trace is 1 mV off and creeps back."""
    store, predictions = given()
    predictions.set("contact loss", 2, 19, 31)
    store.set_raw("flat_share", 2, 20, 29, 1.0)
    creep_from(store, 2, 15.0, tau_s=1.0)
    store.cells.held[2, round(10 / CELL_S) : round(15 / CELL_S), 0] = -1.0
    (row,) = segment_table(store, predictions, {}).to_dict("records")
    assert (row["kind"], row["onset_s"]) == ("flat", 10.0)
    assert row["onset_s"] + row["duration_s"] == pytest.approx(15 + np.log(1000 / 20), abs=0.2)


@pytest.mark.parametrize(
    ("label", "first", "last"), [("muscle", 100, 200), ("contact loss", 108, 110)]
)
def test_what_lasts_to_the_last_cell_lasts_to_the_end_of_the_recording(given, label, first, last):
    """A twentieth of a second is left over, less than a cell; lost contact is on its way back."""
    store, predictions = given(seconds=60.05)
    predictions.set(label, 2, first, last)
    creep_from(store, 2, 54.5, tau_s=4.0)
    (row,) = segment_table(store, predictions, {}).itertuples()
    assert row.onset_s + row.duration_s == pytest.approx(60.05, abs=1e-9)


@pytest.mark.parametrize("tau_s", [0.3, 1.0, 2.0])
def test_a_reference_that_pops_and_creeps_back_is_one_mark_a_channel(given, tau_s):
    store, predictions = given()
    for channel in range(6):
        predictions.set("contact loss", channel, 20, 22)
        store.set_raw("jump_crest", channel, 20, 22, 1.0)
        creep_from(store, channel, 10.5, tau_s=tau_s)
    made = segment_table(store, predictions, {})
    assert made["kind"].tolist() == ["reference lost"] * 6
    end_s = made["onset_s"] + made["duration_s"]
    assert end_s.unique() == pytest.approx([10.5 + tau_s * np.log(1000 / 20)], abs=0.3)


def test_a_channel_that_comes_back_long_after_the_reference_keeps_its_own_row(given):
    store, predictions = given()
    for channel in range(6):
        predictions.set("contact loss", channel, 20, 22)
        creep_from(store, channel, 10.5, tau_s=2.0 if channel == 3 else 0.3)
    made = segment_table(store, predictions, {})
    (own,) = rows_of(made[made["kind"] != "reference lost"]).itertuples()
    assert own.channel == "C4"
    assert own.onset_s + own.duration_s > 17


def test_while_the_reference_is_lost_nothing_else_is_said(given):
    store, predictions = given(events_s=[(15.0, 15.3), (40.0, 40.3)])
    predictions.given[:] = 0.9
    for channel in range(6):
        predictions.set("contact loss", channel, 20, 40)
        predictions.set("muscle", channel, 22, 38)
    made = segment_table(store, predictions, {})
    inside = made[(made["onset_s"] >= 10) & (made["onset_s"] < 20)]
    assert set(inside["kind"]) == {"reference lost"}
    assert rows_of(made, label="blink")["onset_s"].unique().tolist() == [40.0]


def test_the_reference_is_lost_on_every_channel_at_once(given):
    """Five of six channels lose contact from 10 to 20.5 s, the sixth is not sure."""
    store, predictions = given()
    for channel in range(5):
        predictions.set("contact loss", channel, 20, 40)
    made = segment_table(store, predictions, {})
    assert set(made["kind"]) == {"reference lost"}
    assert made["channel"].tolist() == [channel.label for channel in store.channels]
    assert made["onset_s"].nunique() == made["duration_s"].nunique() == 1
    assert made["onset_s"].iloc[0] == pytest.approx(10.25, abs=0.26)


@pytest.mark.parametrize(("drowned", "end_s"), [((40, 60), 30), ((44, 60), 20), ((0, 0), 20)])
def test_mains_that_a_lost_reference_leaves_belong_to_it_and_others_do_not(given, drowned, end_s):
    """Contact is lost from 10 to 20 s; mains follow at once, two seconds later, never."""
    store, predictions = given()
    for channel in range(6):
        predictions.set("contact loss", channel, 20, 40)
    predictions.drowned[:5, slice(*drowned)] = True
    made = segment_table(store, predictions, {})
    assert set(made["kind"]) == {"reference lost"}
    assert made["onset_s"].unique() == pytest.approx([10], abs=0.51)
    stops_s = (made["onset_s"] + made["duration_s"]).unique()
    assert stops_s == pytest.approx([end_s], abs=0.51)


@pytest.mark.parametrize(("n_channels", "kinds"), [(6, {"reference lost"}), (4, set())])
def test_what_is_likely_on_nearly_all_channels_at_once_is_the_reference(given, n_channels, kinds):
    """Nowhere would it be marked: a step at 10.5 s, and windows of 0.6 around it."""
    store, predictions = given()
    rules = {"contact loss": SegmentRule(begin_at=0.75, keep_above=0.5)}
    for channel in range(n_channels):
        predictions.set("contact loss", channel, 20, 22, 0.6)
        creep_from(store, channel, 10.5, tau_s=1.0)
    made = segment_table(store, predictions, rules)
    assert set(made["kind"]) == kinds
    if kinds:
        assert len(made) == 6
        assert made["onset_s"].unique() == [10.5]
        end_s = (made["onset_s"] + made["duration_s"]).unique()
        assert end_s == pytest.approx([10.5 + np.log(1000 / 20)], abs=0.3)


def test_what_is_likely_everywhere_lies_where_the_windows_agree(given):
    """Windows from 10 to 11 and from 10.5 to 11.5 s, and nothing in the trace to move edges to."""
    store, predictions = given()
    for channel in range(6):
        predictions.set("contact loss", channel, 20, 22, 0.6)
    rules = {"contact loss": SegmentRule(begin_at=0.75, keep_above=0.5)}
    made = segment_table(store, predictions, rules)
    assert made["onset_s"].unique() == [10.5]
    assert made["duration_s"].unique() == [0.5]


def test_mains_everywhere_without_a_lost_reference_lose_none(given):
    store, predictions = given()
    predictions.drowned[:, 20:60] = True
    assert segment_table(store, predictions, {}).empty


def test_a_reference_that_sways_is_lost_though_channels_are_never_sure_together(given):
    """Each window another three of six channels are sure; all are marked from 10 to 30 s."""
    store, predictions = given()
    for channel in range(6):
        predictions.set("contact loss", channel, 20, 60, 0.6)
        for window in range(20, 60):
            if (window // 2 + channel) % 2:
                predictions.set("contact loss", channel, window, window + 1, 0.9)
    rules = {"contact loss": SegmentRule(0.7, 0.35, 0.25, 1.5)}
    made = segment_table(store, predictions, rules)
    assert set(made["kind"]) == {"reference lost"}
    assert len(made) == 6
    assert made["onset_s"].iloc[0] == pytest.approx(10.25, abs=0.51)
    assert made["duration_s"].iloc[0] == pytest.approx(20.0, abs=1.1)


@pytest.mark.parametrize(("n_still", "lost"), [(6, False), (5, False), (0, True)])
def test_the_edges_of_a_stopped_amplifier_are_no_lost_reference(given, n_still, lost):
    """Windows 20 to 39 stand still; the one before reaches into that, and looks lost."""
    store, predictions = given()
    predictions.stuck[:n_still, 20:40] = True
    for channel in range(6):
        predictions.set("contact loss", channel, 18, 19, 0.4)
        predictions.set("contact loss", channel, 19, 40)
    made = segment_table(store, predictions, {})
    assert len(made) >= 6
    assert ("reference lost" in set(made["kind"])) == lost


def test_most_but_not_nearly_all_channels_is_not_the_reference(given):
    store, predictions = given()
    for channel in range(4):
        predictions.set("contact loss", channel, 20, 40)
    made = segment_table(store, predictions, {})
    assert len(made) == 4
    assert "reference lost" not in set(made["kind"])


def test_three_channels_cannot_tell_a_lost_reference(given):
    store, predictions = given(("Fp1", "C3", "O1"), leads=(0,))
    for channel in range(3):
        predictions.set("contact loss", channel, 20, 40)
    assert "reference lost" not in set(segment_table(store, predictions, {})["kind"])


def test_an_electrode_lost_for_longer_keeps_its_own_row(given):
    """C3 is off from 5 to 40 s, the reference from 10 to 20.5 s: both are said."""
    store, predictions = given()
    for channel in range(6):
        predictions.set("contact loss", channel, 20, 40)
    predictions.set("contact loss", 2, 10, 80)
    made = segment_table(store, predictions, {})
    own = rows_of(made, channel="C3")
    assert set(own["kind"]) == {"reference lost", "floating"}
    assert rows_of(own, kind="floating")["duration_s"].iloc[0] > 30
    assert len(rows_of(made, channel="C4")) == 1


@pytest.mark.parametrize(("windows", "muscles"), [(60, ["C4"]), (20, ["C3", "C4"])])
def test_an_electrode_that_is_off_for_long_has_no_muscle(given, windows, muscles):
    """30 s off, and 10 s: a moment may be what a muscle shook off, and both are said."""
    store, predictions = given()
    predictions.set("contact loss", 2, 20, 20 + windows)
    for channel in (2, 3):
        predictions.set("muscle", channel, 20, 20 + windows)
    made = segment_table(store, predictions, {})
    assert rows_of(made, label="muscle")["channel"].tolist() == muscles
    assert rows_of(made, label="contact loss")["channel"].tolist() == ["C3"]


def test_muscle_over_an_hour_is_one_row(given):
    store, predictions = given(seconds=3600)
    predictions.set("muscle", 4, 0, 7199)
    (row,) = segment_table(store, predictions, {}).itertuples()
    assert (row.onset_s, row.duration_s) == (0.0, 3600.0)


def test_segments_on_one_channel_never_overlap_within_a_label(given):
    """Two runs 1 s apart over a signal that steps in between."""
    store, predictions = given()
    predictions.set("muscle", 2, 20, 30)
    predictions.set("muscle", 2, 33, 50)
    store.cells.held[2, 80:150, 0] = 2.0
    made = segment_table(store, predictions, {})
    onset_s = made["onset_s"].to_numpy()
    end_s = onset_s + made["duration_s"].to_numpy()
    assert len(made) >= 1
    assert (onset_s[1:] >= end_s[:-1]).all()


# ---- made recordings, screened with the model of plain thresholds


@pytest.fixture(scope="module")
def minute(invented, screen):
    samples = invented.background(19, 60, seed=4)
    row = invented.CAP.index
    time_s = np.arange(15000) / 250
    rng = np.random.default_rng(5)
    invented.add_blinks(samples, invented.CAP, [5.0, 12.3, 33.1])
    samples[row("Pz"), 2500:5000] = 40.0  # 10 to 20 s
    samples[row("F8"), 7500:8750] = invented.LIMIT_UV  # 30 to 35 s
    samples[row("O2")] += 30 * np.sin(2 * np.pi * 50 * time_s)
    samples[row("T7"), 10000:12500] += 60 * rng.normal(size=2500)  # 40 to 50 s
    samples[row("C3")] = -7.0
    return screen(samples)


def test_flat_and_railed_stretches_have_their_edges_to_an_eighth(minute):
    (flat,) = rows_of(minute.segments, channel="Pz", label="contact loss").itertuples()
    assert flat.kind == "flat"
    assert flat.onset_s == pytest.approx(10, abs=0.13)
    assert flat.onset_s + flat.duration_s == pytest.approx(20, abs=0.13)
    (railed,) = rows_of(minute.segments, channel="F8", label="contact loss").itertuples()
    assert railed.kind == "railed"
    assert railed.onset_s == pytest.approx(30, abs=0.13)
    assert railed.onset_s + railed.duration_s == pytest.approx(35, abs=0.13)


def test_a_dead_channel_is_one_row_from_start_to_end(minute):
    (dead,) = rows_of(minute.segments, channel="C3").itertuples()
    assert (dead.label, dead.kind) == ("contact loss", "flat")
    assert (dead.onset_s, dead.duration_s) == (0.0, 60.0)
    assert [f.channels for f in minute.findings if f.kind == "dead"] == [("C3",)]
    assert minute.channels.loc["C3", "verdict"] == "mend"


def test_line_noise_and_muscle_where_they_are(minute):
    (line,) = rows_of(minute.segments, label="line noise").itertuples()
    assert (line.channel, line.onset_s, line.duration_s) == ("O2", 0.0, 60.0)
    assert minute.mains_hz == 50
    (muscle,) = rows_of(minute.segments, label="muscle").itertuples()
    assert muscle.channel == "T7"
    assert muscle.onset_s == pytest.approx(40, abs=0.6)
    assert muscle.onset_s + muscle.duration_s == pytest.approx(50, abs=0.6)


def test_blinks_are_found_once_each_at_the_front(minute):
    blinks = rows_of(minute.segments, label="blink")
    at_front = rows_of(blinks, channel="Fp1")
    middles = at_front["onset_s"] + at_front["duration_s"] / 2
    assert middles.tolist() == pytest.approx([5.0, 12.3, 33.1], abs=0.1)
    assert not set(blinks["channel"]) & {"O1", "O2", "P3", "P4"}


def test_a_lost_ear_clip_is_said_once_a_channel(invented, screen):
    """12 s of the same large drift on all channels: 19 rows, one finding, nobody to mend."""
    samples = invented.background(19, 60, seed=6)
    samples[:, 5000:8000] += 2500 * np.sin(np.arange(3000) / 40)
    result = screen(samples)
    lost = rows_of(result.segments, label="contact loss")
    assert len(lost) == 19
    assert set(lost["kind"]) == {"reference lost"}
    assert lost["onset_s"].tolist() == pytest.approx([20.0] * 19, abs=0.3)
    assert lost["duration_s"].tolist() == pytest.approx([12.0] * 19, abs=0.6)
    assert [finding.kind for finding in result.findings] == ["reference lost"]
    assert set(result.channels["verdict"]) == {"good"}


def test_alpha_is_no_blink_for_plain_rules_either(invented, screen):
    """100 µV peak to peak of 10 Hz, all over the head."""
    samples = invented.background(19, 30, seed=7, rms_uv=4)
    samples += 50 * np.sin(2 * np.pi * 10 * np.arange(7500) / 250)
    assert rows_of(screen(samples).segments, label="blink").empty
