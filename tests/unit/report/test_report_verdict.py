from dataclasses import replace

import pytest

from cleanspan.export.report import verdict


@pytest.fixture
def screened(invented):
    return invented.invented_screened(duration_s=1000)


def test_headline_gives_time_share_and_plan(screened):
    said = verdict.headline(screened, 750.0, "resting")
    assert said == "12 min 30 s of 16 min 40 s (75 %) are usable under the plan “resting”."


def test_headline_counts_recorded_time_only(invented):
    screened = invented.invented_screened(duration_s=1000, gap=(400.0, 500.0))
    assert "of 15 min 00 s (50 %)" in verdict.headline(screened, 450.0, "resting")


def test_headline_without_a_plan(screened):
    assert "carries no mark" in verdict.headline(screened, None, "")


def test_what_took_most_is_said_first_with_its_channels(screened):
    said = verdict.what_was_wrong(screened)
    assert said[0].startswith("Line noise, mostly on EEG T5-A1A2 (62 %)")
    assert any(one.startswith("Contact loss, mostly on EEG T3-A1A2 (41 %)") for one in said)


def test_a_trouble_of_all_channels_is_not_listed_channel_by_channel(screened):
    table = screened.channels.copy()
    table["muscle_share"] = 0.2
    said = verdict.what_was_wrong(replace(screened, channels=table))
    assert "Muscle on nearly all channels: 20 % of the time on average." in said


def test_a_clean_recording_is_called_so(screened):
    table = screened.channels.copy()
    for label in screened.labels:
        table[verdict.share_column(label)] = 0.001
    assert verdict.what_was_wrong(replace(screened, channels=table)) == [
        "No label covers a noticeable part of any channel."
    ]


def test_no_screened_channel(screened):
    table = screened.channels.copy()
    table["verdict"] = "not screened"
    said = verdict.what_was_wrong(replace(screened, channels=table))
    assert said == ["No label covers a noticeable part of any channel."]


def test_of_few_channels_the_mend_list_says_to_look_first(screened):
    """Five can hardly be compared; six can."""
    for few, said in ((5, True), (6, False)):
        told = dict(verdict.to_mend(replace(screened, eeg=screened.eeg[:few])))
        assert ("look at the traces first" in told["EEG T3-A1A2"]) == said


def test_mend_list_carries_the_notes(screened):
    assert verdict.to_mend(screened) == [
        ("EEG T3-A1A2", "wet the sponge; it dried out"),
        ("EEG T5-A1A2", "wet the sponge; it dried out"),
    ]


def test_mend_list_says_why_where_there_is_no_note(screened):
    table = screened.channels.assign(note="")
    assert verdict.to_mend(replace(screened, channels=table)) == [
        ("EEG T3-A1A2", "contact loss for 41 % of the time"),
        ("EEG T5-A1A2", "line noise for 62 % of the time"),
    ]


def test_the_mend_list_does_not_blame_an_electrode_for_the_ear_clips(screened):
    notes = ["reference lost" if kept else "" for kept in screened.channels["note"].astype(str)]
    told = dict(verdict.to_mend(replace(screened, channels=screened.channels.assign(note=notes))))
    assert told["EEG T3-A1A2"] == "contact loss for 41 % of the time, the lost reference included"
    assert "reference" not in told["EEG T5-A1A2"]
    both = screened.channels.assign(note="reference lost; drying")
    assert set(dict(verdict.to_mend(replace(screened, channels=both))).values()) == {"drying"}


@pytest.mark.parametrize("kind", ["line noise everywhere", "stopped"])
def test_what_all_channels_share_is_no_reason_to_mend_one(screened, kind):
    told = dict(verdict.to_mend(replace(screened, channels=screened.channels.assign(note=kind))))
    assert told["EEG T3-A1A2"] == "contact loss for 41 % of the time"
    assert all(kind not in said for said in told.values())


def test_a_long_list_to_watch_is_cut(screened):
    table = screened.channels.assign(verdict="watch")
    assert verdict.to_watch(replace(screened, channels=table)).endswith("T3-A1A2 and 12 more")


def test_where_every_channel_is_to_be_watched_none_stands_out(screened):
    every = screened.channels["channel"].isin([channel.label for channel in screened.eeg])
    table = screened.channels[every].assign(verdict="watch")
    assert verdict.to_watch(replace(screened, channels=table)) == ""


def test_missing_cells_are_no_trouble():
    assert verdict.text(None) == ""
    assert verdict.text(float("nan")) == ""
    assert verdict.number("") != verdict.number("")
