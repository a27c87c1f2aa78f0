"""Candidate blinks: found where they are, with their shape, and not outside the recording."""

import numpy as np
import pytest

from cleanspan.features.events import LOWEST_UV, lead_channels
from cleanspan.features.registry import EVENT_NAMES

RATE_HZ = 250.0
TWENTY_PERCENT = np.arccos(-0.6) / np.pi
"""Where a raised cosine has fallen to a fifth, as a share of its half length."""


def feature(table, name):
    return table.events[..., EVENT_NAMES.index(name)]


def nearest_to(table, peak_s):
    place = int(np.argmin(np.abs(table.times.peak_s - peak_s)))
    assert abs(table.times.peak_s[place] - peak_s) < 0.05
    return place


@pytest.mark.parametrize("width_s", [0.2, 0.3, 0.45])
@pytest.mark.parametrize("height_uv", [60.0, 120.0, 250.0])
def test_a_blink_is_found_within_50_ms(invented, width_s, height_uv):
    samples = invented.background(8, 12, seed=1, rms_uv=height_uv / 20)
    peaks_s = [3.013, 6.5, 9.207]
    invented.add_blinks(samples, invented.SMALL_CAP, peaks_s, width_s=width_s, height_uv=height_uv)
    table = invented.features_of(invented.in_memory(samples, invented.SMALL_CAP))
    for peak_s in peaks_s:
        place = nearest_to(table, peak_s)
        rise_s, fall_s = width_s / 3 * TWENTY_PERCENT, 2 * width_s / 3 * TWENTY_PERCENT
        assert table.times.onset_s[place] == pytest.approx(peak_s - rise_s, abs=0.05)
        assert table.times.end_s[place] == pytest.approx(peak_s + fall_s, abs=0.05)


def test_a_blinks_features_are_its_own(invented):
    """120 µV at Fp1 and Fp2, 5 % at the back, on a quiet background."""
    samples = invented.background(19, 12, seed=2, rms_uv=3)
    invented.add_blinks(samples, invented.CAP, [6.0])
    table = invented.features_of(invented.in_memory(samples))
    place = nearest_to(table, 6.0)
    value = {name: feature(table, name)[place] for name in EVENT_NAMES}
    row = invented.CAP.index
    assert 10 ** value["lead_height"][0] == pytest.approx(120, rel=0.12)
    assert 10 ** value["lead_width"][0] == pytest.approx(0.15, abs=0.03)  # half of the 0.3 s
    assert value["lead_balance"][0] == pytest.approx(0, abs=0.08)
    assert value["lead_alike"][0] > 0.95
    assert value["shape_match"][0] > 0.95
    assert value["own_share"][row("Fp1")] == pytest.approx(1, abs=0.1)
    assert value["own_share"][row("F3")] == pytest.approx(0.5, abs=0.12)
    assert value["own_share"][row("O1")] == pytest.approx(0.05, abs=0.12)
    assert value["frontal_share"][0] > value["central_share"][0]
    assert value["own_frontness"][row("Fp1")] > 0.8 > 0 > value["own_frontness"][row("O1")]
    assert value["is_lead"].tolist() == [1, 1] + [0] * 17
    assert value["crowd"][0] == 0


def test_crowded_candidates_know_each_other_across_a_chunks_edge(invented):
    samples = invented.background(8, 14, seed=3, rms_uv=3)
    invented.add_blinks(samples, invented.SMALL_CAP, [4.8, 5.2, 10.0], width_s=0.2)
    table = invented.features_of(invented.in_memory(samples, invented.SMALL_CAP), block_s=5.0)
    crowd = [feature(table, "crowd")[nearest_to(table, peak), 0] for peak in (4.8, 5.2, 10.0)]
    assert crowd == [1, 1, 0]


@pytest.mark.parametrize("peak_s", [0.05, 0.12, 5.9, 5.97])
def test_a_blink_cut_off_by_the_ends_stays_inside(invented, peak_s):
    samples = invented.background(8, 6, seed=4, rms_uv=2)
    invented.add_blinks(samples, invented.SMALL_CAP, [peak_s, 3.0], width_s=0.5)
    table = invented.features_of(invented.in_memory(samples, invented.SMALL_CAP))
    nearest_to(table, 3.0)
    assert (table.times.onset_s >= 0).all()
    assert (table.times.end_s <= 6.0 + 1e-6).all()
    assert (table.times.onset_s <= table.times.peak_s).all()
    assert (table.times.peak_s <= table.times.end_s).all()


def test_negative_humps_and_small_ones_are_no_candidates(invented):
    samples = np.zeros((8, 3000))
    invented.add_blinks(samples, invented.SMALL_CAP, [4.0], height_uv=-120)
    invented.add_blinks(samples, invented.SMALL_CAP, [8.0], height_uv=LOWEST_UV * 0.8)
    table = invented.features_of(invented.in_memory(samples, invented.SMALL_CAP))
    assert not (np.abs(table.times.peak_s - 4.0) < 0.05).any()
    assert not (np.abs(table.times.peak_s - 8.0) < 0.05).any()


@pytest.mark.parametrize("frequency_hz", [8.0, 10.0, 13.0])
def test_candidates_in_alpha_are_told_by_their_surroundings(invented, frequency_hz):
    """Alpha of 100 µV may give candidates, for they are found with a low bar: busy, crowded."""
    time_s = np.arange(5000) / RATE_HZ
    alpha = 50 * np.sin(2 * np.pi * frequency_hz * time_s)
    samples = invented.background(8, 20, seed=5, rms_uv=3) + alpha
    table = invented.features_of(invented.in_memory(samples, invented.SMALL_CAP))
    inside = (table.times.peak_s > 1) & (table.times.peak_s < 19)
    if inside.any():
        assert np.median(feature(table, "alpha_share")[inside]) > 0.6
        assert np.median(feature(table, "crowd")[inside]) >= 3


@pytest.mark.parametrize(
    ("names", "leads"),
    [
        (("C3", "Fp2", "Fp1"), ("Fp1", "Fp2")),
        (("Fp2", "F3", "F4"), ("Fp2",)),
        (("F3", "AF7", "F7", "AF8"), ("AF7", "AF8")),
        (("F3", "Cz", "F7"), ("F7",)),
        (("Fz", "Cz"), ("Fz",)),
        (("Cz", "O1"), ()),
    ],
)
def test_leads_are_the_foremost_electrodes(names, leads):
    assert tuple(names[row] for row in lead_channels(names)) == leads


def test_without_a_frontal_channel_there_is_no_event(invented):
    samples = invented.background(3, 10, seed=6)
    samples += invented.hump(np.arange(2500) / RATE_HZ, 5.0)
    table = invented.features_of(invented.in_memory(samples, ("Cz", "O1", "O2")))
    assert len(table.times.peak_s) == 0
    assert table.events.shape == (0, 3, len(EVENT_NAMES))
