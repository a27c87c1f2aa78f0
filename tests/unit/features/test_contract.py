"""One contract for every registered feature, and what must not change any of them."""

import dataclasses
import re

import numpy as np
import pytest

from cleanspan.config import Config
from cleanspan.features.context import COUNTED
from cleanspan.features.registry import (
    EVENT_FEATURES,
    EVENT_NAMES,
    RAW_NAMES,
    SNAPS,
    SPATIAL,
    WHOLE_HEAD,
    WINDOW_FEATURES,
    WINDOW_NAMES,
)
from cleanspan.screen import screened
from cleanspan.types import Channel, Role

TOLERANCE = 2e-3
"""Of the features' own (mostly logarithmic) units: single precision sums up in another order."""
UNITS = (
    "log10",
    "log2",
    "r",
    "ratio",
    "share",
    "Hz",
    "cube root",
    "count",
    "0 or 1",
    "unit sphere",
)


@pytest.fixture(scope="module")
def minute(invented, busy_minute):
    return invented.features_of(invented.in_memory(busy_minute))


@pytest.mark.parametrize("feature", WINDOW_FEATURES + EVENT_FEATURES, ids=lambda f: f.name)
def test_every_feature_says_what_it_is(feature):
    assert feature.name.isidentifier()
    assert feature.unit.startswith(UNITS)
    assert len(feature.meaning) > 5
    assert feature.source == "common practice" or any(c.isdigit() for c in feature.source)


def test_names_are_unique_and_registered():
    assert len(set(WINDOW_NAMES)) == len(WINDOW_NAMES)
    assert len(set(EVENT_NAMES)) == len(EVENT_NAMES)
    assert WINDOW_NAMES[: len(RAW_NAMES)] == RAW_NAMES
    assert set(COUNTED) <= set(RAW_NAMES)


@pytest.mark.parametrize("name", WINDOW_NAMES)
def test_every_window_feature_is_finite_and_tells_windows_apart(minute, invented, name):
    values = invented.column(minute, name)
    assert values.shape == (19, 113)
    assert np.isfinite(values).all()
    # Of one cap, its size is the same in every window (`test_whole_head`).
    assert (np.ptp(values) > 0) != (name == "few_channels")


@pytest.mark.parametrize("name", EVENT_NAMES)
def test_every_event_feature_is_finite(minute, name):
    values = minute.events[..., EVENT_NAMES.index(name)]
    assert values.shape[0] >= 9
    assert np.isfinite(values).all()


@pytest.mark.parametrize("block_s", [5.0, 7.3, 120.0])
@pytest.mark.parametrize("hop_s", [0.25, 0.5, 1.0])
def test_streaming_equals_the_whole(invented, busy_minute, block_s, hop_s):
    recording = invented.in_memory(busy_minute)
    whole = invented.features_of(recording, hop_s=hop_s, block_s=60.0)
    streamed = invented.features_of(recording, hop_s=hop_s, block_s=block_s)
    np.testing.assert_array_equal(streamed.onset_s, whole.onset_s)
    np.testing.assert_allclose(streamed.windows, whole.windows, atol=TOLERANCE)
    np.testing.assert_allclose(streamed.times.peak_s, whole.times.peak_s, atol=1e-9)
    np.testing.assert_allclose(streamed.times.onset_s, whole.times.onset_s, atol=1e-9)
    np.testing.assert_allclose(streamed.times.end_s, whole.times.end_s, atol=1e-9)
    np.testing.assert_allclose(streamed.events, whole.events, atol=TOLERANCE)


@pytest.mark.parametrize("rate_hz", [128.0, 250.5, 512.0, 2048.0])
def test_streaming_equals_the_whole_at_odd_rates(invented, rate_hz):
    names = invented.SMALL_CAP
    samples = invented.background(8, 23.4, rate_hz=rate_hz, seed=5)
    invented.add_blinks(samples, names, [4.9, 5.3, 10.1, 15.0, 22.9], rate_hz=rate_hz)
    recording = invented.in_memory(samples, names, rate_hz=rate_hz)
    whole = invented.features_of(recording, block_s=120.0)
    streamed = invented.features_of(recording, block_s=5.0)
    np.testing.assert_allclose(streamed.windows, whole.windows, atol=TOLERANCE)
    np.testing.assert_allclose(streamed.events, whole.events, atol=TOLERANCE)


def test_features_of_one_channel_do_not_depend_on_the_others(invented, busy_minute, minute):
    """Features of the neighbours and of the whole head compare channels, and so does the choice
    of 50 or 60 Hz; nothing else."""
    changed = busy_minute.copy()
    changed[1:-1] = 3 * changed[1:-1][::-1, ::-1] + 400
    other = invented.features_of(invented.in_memory(changed))
    compared = {feature.name for feature in (*SPATIAL, *WHOLE_HEAD, *SNAPS)}
    own = [
        place
        for place, feature in enumerate(WINDOW_FEATURES)
        if re.sub("_(above|middle|around|before|near)$", "", feature.name) not in compared
    ]
    assert len(own) > 40
    assert other.around.mains_column == minute.around.mains_column == "mains_50"
    np.testing.assert_array_equal(other.windows[0][:, own], minute.windows[0][:, own])


def test_units_scale_as_they_should(invented, busy_minute, minute):
    """Twice the amplitude: sizes in µV rise by log10 2, densities by log10 4, shares stay."""
    double = invented.features_of(invented.in_memory(busy_minute * 2, limit_uv=2 * 3276.7))
    rise = {"log10 µV": np.log10(2), "log10 µV²/Hz": np.log10(4), "log10 µV/s": np.log10(2)}
    calm = invented.column(minute, "flat_share") == 0
    with_line = calm & (np.array(invented.CAP) == "O2")[:, None]
    for place, feature in enumerate(WINDOW_FEATURES):
        if feature.name.startswith("mains_60"):
            continue  # nothing of 60 Hz there to be doubled
        rows = with_line if feature.name.startswith("mains") else calm
        change = (double.windows - minute.windows)[..., place][rows]
        wanted = rise.get(feature.unit, 0.0)
        assert np.median(change) == pytest.approx(wanted, abs=0.02), feature.name


def beside_the_cap(rate_hz, n_samples, seed=0):
    """A marker button (mV), a trigger line, a heart lead, thirteen inputs without electrode."""
    rng = np.random.default_rng(seed)
    roles = [("Button", Role.BUTTON), ("STATUS", Role.TRIGGER), ("ECG", Role.HEART)]
    roles += [(f"Input {number}", Role.UNUSED) for number in range(20, 33)]
    extra = tuple(
        Channel(19 + place, label, role, None, rate_hz)
        for place, (label, role) in enumerate(roles)
    )
    samples = rng.normal(size=(len(roles), n_samples)) * 3000
    samples[0] = 5_000_000 * (rng.random(n_samples) < 0.001)
    samples[1] = rng.integers(0, 65536, n_samples)
    return extra, samples


def test_other_inputs_change_no_feature_and_no_segment(invented, busy_minute, minute):
    plain = invented.in_memory(busy_minute)
    extra, more = beside_the_cap(250.0, busy_minute.shape[1])
    full = invented.in_memory(np.concatenate((busy_minute, more)), (*invented.CAP, *"x" * 16))
    full.channels = (*plain.channels, *extra)
    beside = invented.features_of(full)
    np.testing.assert_array_equal(beside.windows, minute.windows)
    np.testing.assert_array_equal(beside.events, minute.events)
    tables = []
    for recording in (plain, full):
        with screened(recording, config=Config(), model=invented.rule_model()) as result:
            tables.append(result.segments)
            rows = result.channels.set_index("channel")
    assert tables[0].equals(tables[1])
    assert len(tables[0]) > 10
    assert set(rows.loc[[item.label for item in extra], "verdict"]) == {"not screened"}


def test_a_recording_may_name_its_channels_in_any_order(invented, busy_minute, minute):
    order = np.random.default_rng(1).permutation(19)
    recording = invented.in_memory(busy_minute[order], [invented.CAP[place] for place in order])
    shuffled = invented.features_of(recording)
    np.testing.assert_allclose(shuffled.windows, minute.windows[order], atol=TOLERANCE)
    np.testing.assert_allclose(shuffled.events, minute.events[:, order], atol=TOLERANCE)


def test_what_the_header_hides_is_unknown(invented, busy_minute):
    """A low-pass of 34 Hz in the header: no band above it has a value, nor what builds on it."""
    recording = invented.in_memory(busy_minute, low_pass_hz=34.0)
    table = invented.features_of(recording)
    unknown = {name for name in WINDOW_NAMES if np.isnan(invented.column(table, name)).all()}
    assert {"band_30_45", "band_65_78", "fast_size", "faster_size", "slope_high"} <= unknown
    assert "band_13_20" not in unknown
    some = {name for name in WINDOW_NAMES if np.isnan(invented.column(table, name)).any()}
    assert some == unknown


@pytest.mark.parametrize("low_pass_hz", [35.0, 40.0])
def test_a_few_hertz_of_30_to_45_will_do(invented, busy_minute, low_pass_hz):
    """Many files end at 35 or 40 Hz: muscle is told by what is left, 65-78 Hz stays unknown."""
    table = invented.features_of(invented.in_memory(busy_minute, low_pass_hz=low_pass_hz))
    assert np.isfinite(invented.column(table, "band_30_45")).all()
    assert np.isnan(invented.column(table, "band_65_78")).all()


def test_an_upper_band_that_was_filtered_away_is_unknown(invented):
    """No low-pass in the header, but the samples end at 50 Hz: a filter, not calm muscles."""
    from scipy import signal

    samples = invented.background(19, 20, seed=3)
    low = signal.butter(8, 45, fs=250.0, output="sos")
    table = invented.features_of(invented.in_memory(signal.sosfiltfilt(low, samples, axis=1)))
    assert np.isnan(invented.column(table, "band_65_78")).all()
    assert np.isfinite(invented.column(table, "band_30_45")).all()
    plain = invented.features_of(invented.in_memory(samples))
    assert np.isfinite(invented.column(plain, "band_65_78")).all()


def test_channel_records_are_enough(invented, busy_minute, minute):
    """Neither label, unit, nor position in the file matters: electrode and rate do."""
    recording = invented.in_memory(busy_minute)
    recording.channels = tuple(
        dataclasses.replace(item, label=f"EEG {item.label}-A1A2", unit="mV")
        for item in recording.channels
    )
    np.testing.assert_array_equal(invented.features_of(recording).windows, minute.windows)
