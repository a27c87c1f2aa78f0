"""Spatial features against numpy and against values worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from cleanspan.features.registry import SPATIAL
from cleanspan.features.spatial import (
    correlations,
    covariances,
    nearest,
    relative_to_quiet,
    smoothed,
    spatial_features,
)
from cleanspan.recording.electrodes import position

NAMES = [feature.name for feature in SPATIAL]
ELECTRODES = ("Fp1", "Fp2", "F3", "F4", "C3", "C4", "O1", "O2")
RATE_HZ = 50.0


@pytest.fixture
def near():
    return nearest(np.array([position(name) for name in ELECTRODES]))


@pytest.fixture
def slow():
    rng = np.random.default_rng(2)
    common = rng.normal(size=(1, 6, 50))
    return (10 * rng.normal(size=(8, 6, 50)) + 15 * common).astype(np.float32)


def table(slow, near):
    values = spatial_features(slow, slow, RATE_HZ, near=near)
    return {name: values[..., place] for place, name in enumerate(NAMES[: values.shape[-1]])}


def test_nearest_electrodes_lie_beside(near):
    """10-20 geometry: F3 is next to Fp1 and C3; O1's nearest is O2."""
    names = {
        name: [ELECTRODES[i] for i in row] for name, row in zip(ELECTRODES, near, strict=True)
    }
    assert set(names["F3"][:3]) == {"Fp1", "C3", "F4"} or set(names["F3"][:2]) == {"Fp1", "C3"}
    assert names["O1"][0] == "O2"
    assert all(name not in row for name, row in names.items())


def test_correlations_equal_numpys(slow, near):
    ours = correlations(covariances(slow.transpose(1, 0, 2)), near)
    for window in range(slow.shape[1]):
        theirs = np.corrcoef(slow[:, window])
        for channel, neighbours in enumerate(near):
            np.testing.assert_allclose(
                ours[window, channel], theirs[channel, neighbours], atol=1e-4
            )


def test_neighbour_features_are_middle_and_best(slow, near):
    values = table(slow, near)
    for window in range(slow.shape[1]):
        r = np.corrcoef(slow[:, window])
        fast_r = np.corrcoef(np.diff(slow[:, window], axis=1))
        for channel, neighbours in enumerate(near):
            expected = np.sort(r[channel, neighbours])
            assert values["neighbour_r"][channel, window] == pytest.approx(expected[2], abs=1e-4)
            assert values["neighbour_r_best"][channel, window] == pytest.approx(
                expected[-1], abs=1e-4
            )
            assert values["neighbour_r_fast"][channel, window] == pytest.approx(
                np.median(fast_r[channel, neighbours]), abs=1e-4
            )


def test_slowest_agreement_is_of_running_means_over_a_sixth_of_a_second(slow, near):
    """At 50 Hz eight samples; pandas' rolling mean is the outside check."""
    values = table(slow, near)
    for window in range(slow.shape[1]):
        means = pd.DataFrame(slow[:, window].T).rolling(8).mean().dropna().to_numpy().T
        np.testing.assert_allclose(
            smoothed(slow[:, window], RATE_HZ),
            means - slow[:, window].mean(axis=1, keepdims=True),
            atol=1e-3,
        )
        r = np.corrcoef(means)
        for channel, neighbours in enumerate(near):
            middle = np.median(r[channel, neighbours])
            best = r[channel, neighbours].max()
            assert values["neighbour_r_slowest"][channel, window] == pytest.approx(
                middle, abs=1e-3
            )
            assert values["neighbour_r_slowest_best"][channel, window] == pytest.approx(
                best, abs=1e-3
            )


def test_every_channel_knows_how_well_the_others_agree(slow, near):
    values = table(slow, near)
    for name in ("", "_slowest"):
        own, others = values[f"neighbour_r{name}"], values[f"others_r{name}"]
        np.testing.assert_allclose(others, np.tile(np.median(own, axis=0), (8, 1)), rtol=1e-6)


def test_muscle_leaves_the_slowest_agreement_and_a_loose_electrode_does_not(near):
    """Both are three times the scalp's slow waves; muscle lies above 15 Hz (20 at 50 Hz)."""
    rng = np.random.default_rng(4)
    time_s = np.arange(50) / RATE_HZ
    scalp = 20 * np.sin(2 * np.pi * (2 * time_s + rng.uniform(size=(8, 1))))
    slow = np.tile(scalp[None], (8, 1, 1)) + rng.normal(size=(8, 8, 50))
    muscle, loose = slow.copy(), slow.copy()
    muscle[2] += 60 * np.sin(2 * np.pi * (19 * time_s + rng.uniform(size=(8, 1))))
    loose[2] += np.cumsum(rng.normal(0, 15, (8, 50)), axis=1)
    with_muscle, when_loose = (
        table(made.astype(np.float32), near)["neighbour_r_slowest"][2] for made in (muscle, loose)
    )
    assert with_muscle.min() > 0.9
    assert np.median(when_loose) < 0.7


def test_windows_shorter_than_the_mean_still_give_a_value():
    assert smoothed(np.ones((2, 3), dtype=np.float32), RATE_HZ).shape == (2, 2)


def test_electrical_distance_is_the_variance_of_the_difference(slow, near):
    """Tenke & Kayser 2001."""
    values = table(slow, near)
    for channel, neighbours in enumerate(near):
        apart = np.sort(
            [(slow[channel] - slow[other]).std(axis=1) for other in neighbours], axis=0
        )
        np.testing.assert_allclose(10 ** values["distance_best"][channel], apart[0], rtol=1e-3)
        np.testing.assert_allclose(10 ** values["distance_mid"][channel], apart[2], rtol=1e-3)


def test_size_and_common_part(slow, near):
    values = table(slow, near)
    rms = slow.std(axis=2)
    np.testing.assert_allclose(
        values["slow_size"], np.log10(rms / np.median(rms, axis=0)), atol=0.02
    )
    for window in range(slow.shape[1]):
        mean = slow[:, window].mean(axis=0)
        with_mean = [np.corrcoef(row, mean)[0, 1] for row in slow[:, window]]
        np.testing.assert_allclose(values["common_r"][:, window], np.median(with_mean), atol=1e-3)


def test_common_share_is_the_mean_of_all_against_what_is_left(slow, near):
    values = table(slow, near)
    mean = slow.mean(axis=0)
    left = np.median((slow - mean).std(axis=2), axis=0)
    np.testing.assert_allclose(
        values["common_share"], np.tile(np.log10(mean.std(axis=1) / left), (8, 1)), atol=1e-3
    )


def test_a_lost_reference_is_told_from_a_blink_by_the_common_share(near):
    """Both agree between all channels; only what the reference brings is equally large."""
    rng = np.random.default_rng(3)
    eeg = rng.normal(0, 10, (8, 6, 50))
    pulse = 200 * np.hanning(50)
    lost = eeg + pulse
    blink = eeg + np.linspace(1, 0.3, 8)[:, None, None] * pulse
    of_lost, of_blink = (table(made.astype(np.float32), near) for made in (lost, blink))
    assert of_blink["common_r"].min() > 0.9
    assert of_lost["common_share"].min() > of_blink["common_share"].max() + 0.2


def test_a_flat_channel_agrees_with_no_neighbour(slow, near):
    slow[3] = 17.0
    values = table(slow, near)
    np.testing.assert_array_equal(values["neighbour_r_best"][3], 0)
    assert all(np.isfinite(column).all() for column in values.values())


def test_a_step_on_one_channel_is_its_own(near):
    """100 µV on F3 alone: its neighbours keep theirs, their own step is a fifth at most."""
    slow = np.zeros((8, 1, 50), dtype=np.float32)
    slow[2, 0, 25:] = 100
    values = table(slow, near)
    assert 10 ** values["step_alone"][2, 0] == pytest.approx(100, rel=1e-3)
    others = [10 ** values["step_alone"][row, 0] for row in range(8) if row != 2]
    assert max(others) <= 20.1
    assert values["step_lead"][2, 0] > 0.6
    assert max(values["step_lead"][row, 0] for row in range(8) if row != 2) <= 0.01


def test_a_step_on_every_channel_is_nobodys_own(near):
    slow = np.zeros((8, 1, 50), dtype=np.float32)
    slow[:, 0, 25:] = 100
    assert (10 ** table(slow, near)["step_alone"] < 1).all()


@pytest.mark.parametrize(
    ("shape", "balance"),
    [
        (lambda n: 100 * (n >= 25) * np.exp(-(n - 25) / 20.0), (0.9, 1.0)),  # a pop
        (lambda n: 100.0 * (n == 25), (0.0, 0.01)),  # a spike
        (lambda n: 100.0 * ((n >= 25) & (n < 30)), (0.0, 0.01)),  # up, and down again as fast
    ],
    ids=["pop", "spike", "box"],
)
def test_a_jump_is_told_from_a_spike_by_what_takes_it_back(near, shape, balance):
    slow = np.zeros((8, 1, 50), dtype=np.float32)
    slow[2, 0] = shape(np.arange(50))
    values = table(slow, near)
    assert balance[0] <= values["jump_balance"][2, 0] <= balance[1]
    change = np.diff(slow[2, 0])
    crest = np.abs(change).max() / np.sqrt(np.mean(change**2))
    assert 10 ** values["jump_crest"][2, 0] == pytest.approx(crest, rel=1e-3)


def test_noise_has_no_jump(slow, near):
    """Of 49 normal steps the largest stays below four standard deviations, mostly."""
    assert np.median(10 ** table(slow, near)["jump_crest"]) < 4


def test_one_channel_has_no_neighbours():
    alone = np.ones((1, 4, 50), dtype=np.float32)
    values = spatial_features(alone, alone, RATE_HZ, near=np.empty((1, 0), dtype=np.int64))
    assert np.isnan(values).all()


def test_quiet_quarter():
    levels = np.array([[0.0], [1.0], [2.0], [3.0], [8.0]], dtype=np.float32)
    np.testing.assert_allclose(relative_to_quiet(levels)[:, 0], [-1, 0, 1, 2, 7])


def test_flat_channels_do_not_make_the_others_loud():
    """Two of five are dead (1e-6 µV²/Hz): the quietest living one is the measure."""
    levels = np.array([[-6.0], [1.0], [-6.0], [1.5], [2.0]], dtype=np.float32)
    above = relative_to_quiet(levels)[[1, 3, 4], 0]
    assert (above <= 0.5).all()
    assert above[0] <= 0 <= above[2]
    np.testing.assert_array_equal(relative_to_quiet(np.full((4, 1), -6, dtype=np.float32)), 0)
