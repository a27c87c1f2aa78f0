"""Channels of different rates behind one numbering."""

import numpy as np
import pytest

from cleanspan.config import Config
from cleanspan.recording.in_memory import ArrayRecording
from cleanspan.screen import screened
from cleanspan.types import Block

NAMES = ("Fp1", "C3", "Pz")
FAST = ("Fp2", "C4", "O1", "O2")


class TwoRates(ArrayRecording):
    """Three channels at 250 Hz, four at 500 Hz, as EDF allows."""

    def __init__(self, slow, fast):
        super().__init__(slow.samples_uv, slow.channels, name="two-rates.edf")
        self.parts = (slow, fast)
        moved = [
            type(item)(item.index + 3, item.label, item.role, item.electrode, item.rate_hz)
            for item in fast.channels
        ]
        self.channels = (*slow.channels, *moved)

    def blocks(self, channels, *, block_s=20.0):
        part, offset = (self.parts[0], 0) if channels[0] < 3 else (self.parts[1], 3)
        for block in part.blocks([row - offset for row in channels], block_s=block_s):
            yield Block(0, block.first_sample, block.samples_uv)


@pytest.fixture(scope="module")
def result(invented):
    slow = invented.background(3, 30, seed=1)
    slow[2, 2500:5000] = 4.0  # Pz flat from 10 to 20 s
    fast = invented.background(4, 30, rate_hz=500.0, seed=2)
    fast[3] += 40 * np.sin(2 * np.pi * 50 * np.arange(15000) / 500)
    fast[1, 10000:12500] = invented.LIMIT_UV  # C4 railed from 20 to 25 s
    recording = TwoRates(
        invented.in_memory(slow, NAMES), invented.in_memory(fast, FAST, rate_hz=500.0)
    )
    with screened(recording, config=Config(), model=invented.rule_model()) as made:
        rows = [made.probabilities.channel(row) for row in range(7)]
        yield made, rows


def test_all_channels_are_screened_the_larger_group_first(result):
    made, rows = result
    assert [channel.label for channel in made.eeg] == [*FAST, *NAMES]
    assert {row.shape for row in rows} == {(59, 4)}
    assert made.spectra.density_uv2_hz.shape[0] == 7
    assert made.channels["channel"].tolist() == [*NAMES, *FAST]


def test_segments_of_both_groups_stand_in_one_table(result):
    made, _ = result
    found = {
        (row.channel, row.label): (row.onset_s, row.duration_s)
        for row in made.segments.itertuples()
        if row.label != "muscle"
    }
    assert found["Pz", "contact loss"] == pytest.approx((10, 10), abs=0.2)
    assert found["C4", "contact loss"] == pytest.approx((20, 5), abs=0.2)
    assert found["O2", "line noise"] == (0, 30)
    assert made.segments["onset_s"].is_monotonic_increasing
    assert made.segments["channel"].dtype == "category"


def test_probabilities_follow_the_channels(result):
    made, rows = result
    contact = made.labels.index("contact loss")
    places = {channel.label: row for row, channel in enumerate(made.eeg)}
    assert rows[places["Pz"]][22:36, contact].min() > 0.9
    assert rows[places["O1"]][:, contact].max() < 0.5
