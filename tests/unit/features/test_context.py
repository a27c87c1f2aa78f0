"""Context: middles over the whole recording, surroundings, the mains frequency."""

import warnings

import numpy as np
import pytest
from scipy import ndimage

from cleanspan.features.context import (
    BIN,
    COUNTED,
    SCALE,
    Middles,
    outstanding,
    relate_events,
    running_largest,
    running_mean,
)
from cleanspan.features.registry import COMPARED, EVENT_NAMES, RAW_NAMES, WINDOW_NAMES


def rows_of(n_channels=3, n_windows=400, seed=0):
    rng = np.random.default_rng(seed)
    rows = rng.normal(0.5, 1, (n_channels, n_windows, len(RAW_NAMES))).astype(np.float32)
    rows[..., RAW_NAMES.index("mobility")] = rng.uniform(3, 40, (n_channels, n_windows))
    rows[..., RAW_NAMES.index("rms")] = rng.uniform(0.2, 2, (n_channels, n_windows))
    for name in ("flat_share", "railed_share"):
        rows[..., RAW_NAMES.index(name)] = rng.uniform(0, 0.2, (n_channels, n_windows))
    return rows


@pytest.mark.parametrize(("name", "value"), [("flat_share", 1), ("railed_share", 1), ("rms", -1)])
def test_what_is_usual_is_told_by_the_windows_in_which_the_electrode_lived(name, value):
    rows = rows_of()
    rows[1, 60:, RAW_NAMES.index(name)] = value
    rows[2, :, RAW_NAMES.index(name)] = value
    middles = Middles(3)
    middles.add(rows)
    others = [other for other in COUNTED if other != name]
    for other in others:
        alive = rows[1, :60, RAW_NAMES.index(other)]
        plain = np.quantile(alive, 0.5, method="inverted_cdf")
        at_most = 0.51 * BIN / SCALE.get(other, 1)
        assert middles.medians()[other][1] == pytest.approx(plain, abs=at_most)
    assert np.isnan([middles.medians()[other][2] for other in others]).all()


def test_middles_are_medians_to_a_bin():
    rows = rows_of()
    middles = Middles(3)
    for part in np.split(rows, [7, 160, 161], axis=1):
        middles.add(part)
    for name, values in middles.medians().items():
        column = rows[..., RAW_NAMES.index(name)]
        plain = np.quantile(column, 0.5, axis=1, method="inverted_cdf")
        np.testing.assert_allclose(
            values, plain, atol=0.51 * BIN / SCALE.get(name, 1), err_msg=name
        )


def test_a_value_that_is_not_known_is_not_counted():
    rows = rows_of()
    place = RAW_NAMES.index("rms")
    rows[1, 10:, place] = np.nan
    rows[2, :, place] = np.nan
    middles = Middles(3)
    middles.add(rows)
    values = middles.medians()["rms"]
    assert values[1] == pytest.approx(np.median(rows[1, :10, place]), abs=0.3)
    assert np.isnan(values[2])
    assert np.isfinite([middles.medians()[name][1] for name in COUNTED if name != "rms"]).all()


def test_an_hour_long_fault_does_not_move_a_middle_that_is_counted_before_it(invented):
    """Values above the baseline are counted from the channel's own median."""
    samples = invented.background(8, 40, seed=1)
    samples[3, 7000:] *= 30  # the last 12 s
    table = invented.features_of(invented.in_memory(samples, invented.SMALL_CAP))
    above = invented.column(table, "rms_above")
    assert np.median(above[3, :50]) == pytest.approx(0, abs=0.1)
    assert np.median(above[3, 58:]) == pytest.approx(np.log10(30), abs=0.15)


def test_around_is_the_mean_over_eight_seconds(invented):
    table = invented.features_of(
        invented.in_memory(invented.background(8, 30, seed=2), invented.SMALL_CAP)
    )
    plain, smooth = invented.column(table, "rms"), invented.column(table, "rms_around")
    for window in (20, 30):
        expected = plain[:, window - 8 : window + 9].mean(axis=1)
        np.testing.assert_allclose(smooth[:, window], expected, atol=1e-4)


MAINS = [
    (50.0, (7,), 40.0),
    (60.0, (7,), 40.0),
    (50.0, range(8), 8.0),
    (60.0, range(8), 8.0),
    (None, (), 0.0),
    (None, (2,), 1.0),
]


@pytest.mark.parametrize(("mains_hz", "rows", "amplitude_uv"), MAINS)
def test_the_mains_frequency_is_named_where_it_stands_out(invented, mains_hz, rows, amplitude_uv):
    samples = invented.background(8, 20, seed=3)
    time_s = np.arange(samples.shape[1]) / 250
    for row in rows:
        samples[row] += amplitude_uv * np.sin(2 * np.pi * (mains_hz or 50) * time_s)
    around = invented.features_of(invented.in_memory(samples, invented.SMALL_CAP)).around
    assert around.mains_hz == mains_hz
    if mains_hz:
        assert around.mains_column == f"mains_{mains_hz:.0f}"


def test_one_noisy_channel_has_its_mains_whatever_the_others_show(invented):
    for mains_hz in (50, 60):
        samples = invented.background(19, 20, seed=4)
        time_s = np.arange(samples.shape[1]) / 250
        samples[18] += 30 * np.sin(2 * np.pi * mains_hz * time_s)
        table = invented.features_of(invented.in_memory(samples))
        around = invented.column(table, "mains_around")
        assert (around[18] > np.log10(0.6)).all()
        assert (around[:18] < np.log10(0.35)).all()


def test_hum_that_comes_and_goes_is_above_the_channels_own_and_hum_that_stays_is_not(invented):
    samples = invented.background(8, 40, seed=5)
    time_s = np.arange(samples.shape[1]) / 250
    hum = 30 * np.sin(2 * np.pi * 50 * time_s)
    samples[0] += hum
    samples[1] += hum * ((time_s >= 20) & (time_s < 30))
    table = invented.features_of(invented.in_memory(samples, invented.SMALL_CAP))
    above = invented.column(table, "hum_above")
    inside = (table.onset_s >= 20) & (table.onset_s < 29)
    assert np.abs(above[0]).max() < 0.5
    assert (above[1, inside] > 0.6).all()
    away = (table.onset_s < 19) | (table.onset_s >= 30)
    assert (above[1, away] == 0).all()


def test_event_heights_are_related_to_each_channels_level():
    features = np.ones((2, 3, len(EVENT_NAMES)), dtype=np.float32)
    level = np.array([0.5, 0.25, 2.0], dtype=np.float32)
    related = relate_events(features, level, [0, 1])
    lead, own = (EVENT_NAMES.index(f"{name}_height_above") for name in ("lead", "own"))
    np.testing.assert_allclose(related[..., lead], 0.75)
    np.testing.assert_allclose(related[..., own], [[0.5, 0.75, -1.0]] * 2)
    untouched = [i for i in range(len(EVENT_NAMES)) if i not in (lead, own)]
    np.testing.assert_array_equal(related[..., untouched], 1)
    np.testing.assert_array_equal(features, 1)


@pytest.mark.parametrize(("n_rows", "size"), [(1, 17), (5, 17), (400, 17), (400, 9), (30, 1)])
def test_the_running_mean_is_that_of_scipy(n_rows, size):
    values = np.random.default_rng(n_rows + size).normal(2, 1, (n_rows, 3)).astype(np.float32)
    expected = ndimage.uniform_filter1d(values, size, axis=0, mode="nearest")
    assert np.allclose(running_mean(values, size), expected, rtol=0, atol=1e-6)


@pytest.mark.parametrize(("n_rows", "reach"), [(1, 4), (3, 4), (200, 4), (50, 1)])
def test_the_running_largest_is_that_of_scipy(n_rows, reach):
    values = np.random.default_rng(n_rows).normal(size=(n_rows, 2)).astype(np.float32)
    around = ndimage.maximum_filter1d(values, 2 * reach + 1, axis=0, mode="nearest")
    np.testing.assert_array_equal(running_largest(values, reach, reach), around)
    before = [values[max(row - reach, 0) : row + 1].max(axis=0) for row in range(n_rows)]
    np.testing.assert_array_equal(running_largest(values, reach, 0), before)


@pytest.mark.parametrize("seed", range(5))
def test_what_is_unknown_does_not_count_around_it(seed):
    """Against loops with numpy's functions for arrays with missing values."""
    rng = np.random.default_rng(seed)
    values = rng.normal(2, 1, (60, 3)).astype(np.float32)
    values[rng.random(values.shape) < 0.4] = np.nan
    values[20:45, 0] = np.nan
    padded = np.pad(values, ((8, 8), (0, 0)), mode="edge")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of spans in which nothing is known
        means = [np.nanmean(padded[row : row + 17], axis=0) for row in range(60)]
        largest = [np.nanmax(padded[row + 4 : row + 13], axis=0) for row in range(60)]
    assert np.isnan(means).any()
    np.testing.assert_allclose(running_mean(values, 17), means, atol=1e-6)
    np.testing.assert_array_equal(running_largest(values, 4, 4), largest)


def test_a_level_beside_unknown_ones_is_told_by_what_is_known():
    level_uv = np.zeros(60, dtype=np.float32)
    level_uv[30:34] = 80
    level_uv[36:39] = np.nan
    found = outstanding(level_uv, 0.5)
    # Of the seven windows on one side as few as four are known, two of them in the bump.
    assert (10 ** found[30:34] >= 80 * 2 / 4 - 0.1).all()
    assert np.isnan(found[36:39]).all()
    level_uv[34:] = np.nan
    assert (10 ** outstanding(level_uv, 0.5)[33:34] < 1).all()  # nothing is known after it


@pytest.mark.parametrize("noise_uv", [0.0, 0.05, 0.3])
def test_an_electrode_among_dead_ones_is_as_alone_as_the_only_one(invented, noise_uv):
    """Two electrodes, one dead from 20 to 40 s: the other is compared with nothing there."""
    samples = invented.background(2, 60, seed=5)
    noise = np.random.default_rng(5).normal(0, noise_uv, 5000)
    samples[1, 5000:10_000] = samples[1, 5000] + noise
    pair = invented.features_of(invented.in_memory(samples, ("C3", "C4"))).windows
    single = invented.features_of(invented.in_memory(samples[:1], ("C3",))).windows
    compared = [WINDOW_NAMES.index(name) for name in COMPARED]
    unknown = np.isnan(single[0]).all(axis=0)
    assert unknown[compared].all()
    raw = unknown[: len(RAW_NAMES)]
    assert {RAW_NAMES[place] for place in np.flatnonzero(raw)} == set(COMPARED)
    assert np.isnan(pair[0, 41:78, compared]).all()
    sizes = [WINDOW_NAMES.index(name) for name in ("fast_size", "faster_size")]
    assert (single[0][:, sizes] == 0).all()
    assert (pair[0, 41:78, sizes] == 0).all()
    assert (pair[0, :36, sizes] != 0).any()
    whole_head = [name for name in COMPARED if "unexplained" in name or "shared" in name]
    known = [
        WINDOW_NAMES.index(name)
        for name in COMPARED
        if name not in (*whole_head, "uneven", "uneven_fast")
    ]
    assert np.isfinite(pair[0, :36][:, known]).all()
    assert np.isfinite(pair[0, 84:][:, known]).all()
    # The dead one is compared all the same: its neighbour lives.
    assert np.isfinite(pair[1][:, known]).all()
    # What its neighbours in time know is not lost.
    around = [place for place, name in enumerate(WINDOW_NAMES) if name == "neighbour_r_around"]
    assert np.isfinite(pair[0, 84:][:, around]).all()


def test_a_level_stands_out_from_both_sides_or_not_at_all():
    """Windows half a second apart: a bump of 2 s does, a step and a steady drift do not."""
    bump, step = np.zeros(60, dtype=np.float32), np.zeros(60, dtype=np.float32)
    bump[30:34], step[30:] = 80, 80
    found = 10 ** outstanding(bump, 0.5)
    # Each side's mean is over the seven windows 1 to 4 s away, at most two of them in the bump.
    assert (found[30:34] >= 80 * 5 / 7 - 0.1).all()
    assert found[:20].max() < 1
    assert found[45:].max() < 1
    assert (10 ** outstanding(step, 0.5) < 1).all()
    assert (10 ** outstanding(np.arange(60, dtype=np.float32), 0.5) < 1).all()
    assert np.isnan(outstanding(np.full(5, np.nan, dtype=np.float32), 0.5)).all()


def test_a_jump_is_remembered_for_two_seconds_and_foreseen_by_near_only(invented):
    """A step of 300 µV at 10.2 s that creeps back: windows up to 2 s later know of it."""
    samples = invented.background(19, 20, seed=4, rms_uv=5)
    time_s = np.arange(samples.shape[1]) / 250
    samples[3] += np.where(time_s < 10.2, 0, 300 * np.exp(-(time_s - 10.2) / 0.8))
    found = invented.features_of(invented.in_memory(samples))
    step, before, near = (
        found.windows[3][:, WINDOW_NAMES.index(f"step_alone{kind}")]
        for kind in ("", "_before", "_near")
    )
    first = int(np.argmax(step))
    assert step[first] == pytest.approx(np.log10(300), abs=0.1)
    late = first + 5  # two seconds later by half-second windows, and the last to hold the jump
    assert step[late] < 2
    assert (before[first : first + 5] == step[first]).all()
    assert (near[first - 4 : first + 5] == step[first]).all()
    assert (before[: first - 1] < 2).all()
