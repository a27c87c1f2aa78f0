"""Statistical features against scipy.stats and against values worked out by hand."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from cleanspan.features.registry import STATISTICAL
from cleanspan.features.statistical import (
    cell_extremes,
    largest_step,
    shape_features,
    step_features,
    stuck_features,
)

NAMES = [feature.name for feature in STATISTICAL]


def shapes(windows):
    return dict(zip(NAMES, shape_features(windows.copy(), 160.0)[0].T, strict=False))


@pytest.mark.parametrize("draw", ["normal", "exponential", "laplace"])
@pytest.mark.parametrize("offset", [0.0, 5000.0])
def test_moments_equal_scipys(draw, offset):
    rng = np.random.default_rng(7)
    windows = (getattr(rng, draw)(size=(1, 20, 160)) * 20 + offset).astype(np.float32)
    values, plain = shapes(windows), windows[0].astype(float)
    np.testing.assert_allclose(10 ** values["rms"], plain.std(axis=1), rtol=1e-3)
    np.testing.assert_allclose(10 ** values["peak_to_peak"], np.ptp(plain, axis=1), rtol=1e-4)
    np.testing.assert_allclose(values["skewness"] ** 3, stats.skew(plain, axis=1), atol=5e-3)
    np.testing.assert_allclose(
        10 ** values["kurtosis"], stats.kurtosis(plain, axis=1, fisher=False), rtol=5e-3
    )
    length = np.abs(np.diff(plain, axis=1)).sum(axis=1)
    np.testing.assert_allclose(10 ** values["line_length"], length, rtol=1e-3)


def test_a_burst_in_one_quarter_shows_in_the_busiest_length():
    """160 Hz: 159 changes; those of the third quarter (80 to 119) are 5 µV each, no others."""
    trace = np.zeros(160)
    trace[80:120] = 5 * np.arange(1, 41)
    trace[120:] = trace[119]
    values = shapes(trace[None, None].astype(np.float32))
    length = np.abs(np.diff(trace))
    quarters = [part.sum() for part in np.split(length, [40, 80, 120])]
    assert 10 ** values["line_length"][0] == pytest.approx(length.sum())
    assert 10 ** values["busiest_length"][0] == pytest.approx(4 * max(quarters))


def test_steps_of_a_staircase():
    """50 Hz: 40 ms are two samples. 0 µV, then 30 µV from the middle of the window on."""
    slow = np.zeros((1, 1, 50), dtype=np.float32)
    slow[..., 25:] = 30
    fast, lasting = 10 ** step_features(slow, slow, 50.0)[0, 0]
    assert fast == pytest.approx(30)
    # quarters of 12 samples: 0, 11/12 of 30, 30, 30
    assert lasting == pytest.approx(27.5, abs=2.6)


def test_a_step_right_at_the_window_s_edge_is_seen():
    """The wide window begins 40 ms (two samples at 50 Hz) earlier."""
    wide = np.full((1, 1, 52), 30, dtype=np.float32)
    wide[..., :2] = 0
    fast, lasting = 10 ** step_features(wide[..., 2:], wide, 50.0)[0, 0]
    assert fast == pytest.approx(30)
    assert lasting == pytest.approx(0.01)


def test_a_ramp_has_the_same_step_everywhere():
    ramp = np.arange(50, dtype=np.float32)[None]
    assert largest_step(ramp, 50.0)[0] == 2.0
    assert largest_step(-ramp, 50.0)[0] == 2.0


@given(
    lengths=st.lists(st.integers(1, 70), min_size=1, max_size=30),
    seed=st.integers(0, 1000),
)
def test_the_extremes_of_cells_are_those_of_their_samples(lengths, seed):
    """numpy's own maximum and minimum of each cell, of equal lengths or not."""
    cells = np.concatenate(([0], np.cumsum(lengths)))
    samples = np.random.default_rng(seed).normal(size=(2, cells[-1] + 3)).astype(np.float32)
    high, low = cell_extremes(samples, cells)
    for place, (begin, end) in enumerate(itertools.pairwise(cells)):
        assert (high[:, place] == samples[:, begin:end].max(axis=1)).all()
        assert (low[:, place] == samples[:, begin:end].min(axis=1)).all()


def test_flat_and_railed_shares_in_eighths_of_a_second():
    """80 Hz: an eighth is ten samples. The last three eighths are held, the first two railed."""
    samples = np.random.default_rng(0).uniform(-50, 50, (1, 80)).astype(np.float32)
    samples[0, 50:] = samples[0, 50]
    samples[0, [3, 17]] = 99.9
    high, low = cell_extremes(samples, np.arange(0, 81, 10))
    limits = np.array([[-100.0, 100.0]], dtype=np.float32)
    flat, railed = stuck_features(high, low, np.arange(8)[None], limits_uv=limits)[0, 0]
    assert flat == pytest.approx(3 / 8)
    assert railed == pytest.approx(2 / 8)


@pytest.mark.parametrize("side", [-1, 1])
def test_a_channel_held_at_the_limit_is_flat_and_railed(side):
    held = np.full((1, 8), side * 3276.7, dtype=np.float32)
    limits = np.array([[-3276.8, 3276.7]], dtype=np.float32)
    shares = stuck_features(held, held, np.arange(8)[None], limits_uv=limits)[0, 0]
    assert shares.tolist() == [1.0, 1.0]


def test_without_known_limits_nothing_is_railed():
    held = np.full((1, 8), 5000, dtype=np.float32)
    limits = np.full((1, 2), np.nan, dtype=np.float32)
    flat, railed = stuck_features(held, held, np.arange(8)[None], limits_uv=limits)[0, 0]
    assert (flat, railed) == (1.0, 0.0)
