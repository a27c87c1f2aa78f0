"""Kinds of contact loss, from feature rows given by hand."""

import pytest

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
