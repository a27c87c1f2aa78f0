"""Kinds of contact loss, from feature rows given by hand."""

import numpy as np
import pytest

from cleanspan.features.edges import measures
from cleanspan.labelling.contact import FLAT, FLOATING, POPPING, RAILED, contact_kind

# 10 to 20 s at hop 0.5 s: windows 20 to 38 lie wholly inside
WINDOWS = (20, 39)


def kind(store, onset_s=10.0, end_s=20.0):
    return contact_kind(store, 2, 0, onset_s, end_s)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({"flat_share": 1.0}, FLAT),
        ({"railed_share": 1.0}, RAILED),
        ({"railed_share": 0.3, "rms": 3.0}, RAILED),
        ({"railed_share": 0.1, "rms": 2.5}, FLOATING),
        ({"flat_share": 1.0, "railed_share": 1.0}, RAILED),
        ({"flat_share": 0.4, "rms": 2.0}, FLOATING),
        ({"rms": -0.5}, FLAT),
        ({"rms": 2.5, "step_alone": 2.5}, FLOATING),
    ],
)
def test_kind_of_ten_seconds(given, values, expected):
    store, _ = given()
    for name, value in values.items():
        store.set_raw(name, 2, *WINDOWS, value)
    assert kind(store) == expected


def test_jumps_here_and_there_are_pops(given):
    """Every third window holds a jump of seven times the usual change, between them is EEG."""
    store, _ = given()
    store.set_raw("jump_crest", 2, *WINDOWS, 0.4)
    store.set_raw("neighbour_r_fast", 2, *WINDOWS, 0.6)
    for window in range(20, 39, 3):
        store.set_raw("jump_crest", 2, window, window + 1, 0.85)
    assert kind(store) == POPPING


@pytest.mark.parametrize("unknown", [1, 10, 19])
def test_windows_in_which_no_other_channel_lives_do_not_tell(given, unknown):
    store, _ = given()
    store.set_raw("jump_crest", 2, *WINDOWS, 0.9)
    store.set_raw("neighbour_r_fast", 2, *WINDOWS, 0.6)
    for name in ("jump_crest", "neighbour_r_fast"):
        store.set_raw(name, 2, 20, 20 + unknown, np.nan)
    assert kind(store) == (POPPING if unknown < 19 else FLOATING)


def test_drift_that_jumps_no_more_than_noise_does_is_floating(given):
    """However large its steps."""
    store, _ = given()
    store.set_raw("step_alone", 2, *WINDOWS, 3.0)
    store.set_raw("jump_crest", 2, *WINDOWS, 0.45)
    store.set_raw("neighbour_r_fast", 2, *WINDOWS, 0.0)
    assert kind(store) == FLOATING


def test_a_single_pop_within_a_second(given):
    store, _ = given()
    store.set_raw("jump_crest", 2, 20, 22, 0.9)
    assert kind(store, 10.2, 11.2) == POPPING


def test_windows_outside_the_segment_do_not_count(given):
    store, _ = given()
    store.set_raw("flat_share", 2, 0, 20, 1.0)
    store.set_raw("flat_share", 2, 39, 119, 1.0)
    store.set_raw("rms", 2, *WINDOWS, 2.5)
    assert kind(store) == FLOATING


def test_a_whole_recording_and_its_last_window(given):
    store, _ = given()
    store.set_raw("flat_share", 2, 0, 119, 1.0)
    assert kind(store, 0.0, 60.0) == FLAT
    assert kind(store, 59.1, 60.0) == FLAT


def test_without_neighbours_pops_are_not_guessed(given):
    store, _ = given()
    store.set_raw("jump_crest", 2, 0, 119, float("nan"))
    assert kind(store) == FLOATING


def with_samples(store, samples_uv):
    """Cells of channel 2 as these samples at 256 Hz give them: 16 a cell."""
    cells = samples_uv.astype(np.float32).reshape(1, -1, 16)
    store.cells.held[2] = measures(cells.max(axis=-1), cells.min(axis=-1))[0]


TIME_S = np.arange(60 * 256) / 256
INSIDE = (TIME_S >= 10) & (TIME_S < 20)


@pytest.mark.parametrize(
    ("fault_uv", "expected"),
    [
        (np.full(TIME_S.size, 5000.0), RAILED),
        (np.clip(9000 * np.sin(2 * np.pi * 50.3 * TIME_S), -4000, 4000), RAILED),
        (np.clip(3000 * np.sin(2 * np.pi * 0.4 * TIME_S), -2000, 2000), RAILED),
        (3000 * np.sin(2 * np.pi * 0.4 * TIME_S), FLOATING),
        (
            1500 * np.sin(2 * np.pi * 50 * TIME_S)
            + np.random.default_rng(2).normal(0, 0.7, TIME_S.size),
            FLOATING,
        ),
        (np.cumsum(np.random.default_rng(1).normal(0, 40, TIME_S.size)), FLOATING),
        (np.clip(90 * np.sin(2 * np.pi * 0.4 * TIME_S), -60, 60), FLOATING),
    ],
    ids=["stuck", "mains cut off", "swing cut off", "swing", "steady mains", "walk", "small"],
)
def test_a_limit_that_the_header_does_not_tell(given, fault_uv, expected):
    """What comes back to one and the same extreme far away is cut off there."""
    store, _ = given()
    store.set_raw("rms", 2, *WINDOWS, 2.5)
    eeg_uv = 20 * np.sin(2 * np.pi * 9 * TIME_S) + 300
    with_samples(store, np.where(INSIDE, fault_uv, eeg_uv))
    assert kind(store) == expected
