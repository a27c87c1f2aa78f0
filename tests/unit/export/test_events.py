"""Button presses and epochs."""

from pathlib import Path

import numpy as np
import pytest

from cleanspan.export.events import find_presses, judge_events
from cleanspan.export.exclusions import apply_plan
from cleanspan.export.plans import Plan
from cleanspan.recording.opening import open_recording
from cleanspan.types import Note, Piece, Role

RATE = 256
MINUTE = (Piece(0, 60),)


def pressed(fakes, *pieces, onsets=None):
    spans = tuple(
        Piece(start, len(values) / RATE)
        for start, values in zip(onsets or [0.0], pieces, strict=True)
    )
    recording = fakes.FakeRecording(
        extra=(fakes.button_channel(),), pieces=spans, samples={6: pieces}
    )
    return find_presses(recording, 6)


def signal(*presses, seconds=100, rest=0.0, level=1000.0, noise=5.0, seed=3):
    values = rest + np.random.default_rng(seed).normal(0, noise, seconds * RATE)
    for onset_s, length_s in presses:
        values[int(onset_s * RATE) : int((onset_s + length_s) * RATE)] += level - rest
    return values


def times(notes):
    return [(note.onset_s, note.duration_s) for note in notes]


def test_presses_are_found_to_the_sample(fakes):
    found = pressed(fakes, signal((10, 0.25), (50, 0.5)))
    assert times(found) == [(10.0, 0.25), (50.0, 0.5)]
    assert {note.text for note in found} == {"button"}


@pytest.mark.parametrize(("rest", "level"), [(0, -800), (3000, 0), (-500, 700)])
def test_either_polarity_and_any_rest(fakes, rest, level):
    assert times(pressed(fakes, signal((10, 0.25), rest=rest, level=level))) == [(10.0, 0.25)]


def test_bounce_is_one_press(fakes):
    values = signal((10, 0.02), (10.04, 0.2))
    (note,) = pressed(fakes, values)
    assert note.onset_s == 10.0
    assert note.duration_s == pytest.approx(0.24, abs=2 / RATE)


def test_press_over_the_edge_of_a_block_is_one(fakes):
    assert times(pressed(fakes, signal((19.75, 0.5)))) == [(19.75, 0.5)]


def test_press_longer_than_blocks(fakes):
    assert times(pressed(fakes, signal((15, 30), seconds=200))) == [(15.0, 30.0)]


def test_glitch_far_above_does_not_move_the_threshold(fakes):
    values = signal((10, 0.25), (50, 0.25), (90, 0.25))
    values[30 * RATE] = 30_000  # one sample: neither a press nor a level
    assert times(pressed(fakes, values)) == [(10.0, 0.25), (50.0, 0.25), (90.0, 0.25)]


@pytest.mark.parametrize("noise", [0.0, 0.05, 5.0, 300.0])
def test_nothing_pressed_nothing_found(fakes, noise):
    assert pressed(fakes, signal(noise=noise)) == []


def test_toggling_channel_is_no_button(fakes):
    values = np.where(np.arange(100 * RATE) % 32 < 12, 1000.0, 0.0)  # 8 times a second
    assert pressed(fakes, values) == []


def test_gap_counts_in_the_time_of_a_press(fakes):
    found = pressed(fakes, signal((5, 0.25)), signal((8, 0.25), seed=4), onsets=[0.0, 500.0])
    assert times(found) == [(5.0, 0.25), (508.0, 0.25)]


def test_presses_of_the_demo_recording():
    """The scenario presses at these seconds (`training.demo`), to the sample."""
    path = Path(__file__).parents[3] / "demo_data" / "harbour-street-p02-listening.edf"
    recording = open_recording(path)
    (button,) = (item for item in recording.channels if item.role is Role.BUTTON)
    found = find_presses(recording, button.index)
    recording.close()
    pressed_s = [10.1, 14.6, 19.9, 25.3, 30.2, 36.4, 62.7, 69.0, 74.8, 81.5, 88.1, 94.3]
    assert [note.onset_s for note in found] == pytest.approx(pressed_s, abs=1 / 250)


class TestJudging:
    @pytest.fixture
    def applied(self, fakes):
        rows = [("Fp1", "blink", 10, 0.4), ("C3", "muscle", 10.6, 1), *fakes.lost_reference(30, 5)]
        plan = Plan(name="p", purpose="", rationale="", most_bad_channels=0)
        return apply_plan(fakes.segments(*rows), fakes.channels(), (Piece(0, 60),), plan)

    def judge(self, applied, *onsets, epoch_s=(-0.2, 0.8), pieces=MINUTE):
        events = [Note(onset_s, 0.0, "tone") for onset_s in onsets]
        return judge_events(events, epoch_s, applied, pieces=pieces)

    def test_verdict_and_reasons(self, applied):
        # epochs: 4.8..5.8 clean; 9.3..10.3 blink; 10.0..11.0 both; 31.8..32.8 lost reference
        table = self.judge(applied, 5, 9.5, 10.2, 32)
        assert table["verdict"].tolist() == ["keep", "drop", "drop", "drop"]
        assert table["reason"].tolist() == ["", "blink", "blink;muscle", "reference lost"]
        assert table["channels"].tolist() == [
            "",
            "EEG Fp1-A1A2",
            "EEG Fp1-A1A2;EEG C3-A1A2",
            "all",
        ]

    def test_touching_is_not_overlapping(self, applied):
        # blink 10..10.4: an epoch 9.0..10.0 ends where it begins, 10.4..10.6 begins where it ends
        assert self.judge(applied, 9.2)["verdict"].tolist() == ["keep"]
        assert self.judge(applied, 10.4, epoch_s=(0.0, 0.2))["verdict"].tolist() == ["keep"]

    def test_epoch_must_lie_within_the_recording(self, applied):
        table = self.judge(applied, 0.1, 59.5, 20, pieces=(Piece(0, 20.5), Piece(21, 39)))
        assert table["onset_s"].tolist() == [0.1, 20.0, 59.5]
        assert table["reason"].tolist() == ["the epoch leaves the recording"] * 3

    def test_no_events(self, applied):
        assert self.judge(applied).empty
