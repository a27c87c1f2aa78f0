"""What all other channels say about one, and what all have in common."""

import numpy as np
import pytest
from sklearn.linear_model import LinearRegression, Ridge

from cleanspan.features import whole_head
from cleanspan.features.registry import SNAPS, WHOLE_HEAD, WINDOW_NAMES

CAP = ("Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8", "C3", "Cz", "C4", "Pz", "O1")
RATE_HZ = 200.0
SECONDS = 20


@pytest.fixture
def mixed():
    """Ten channels that mix six sources and have a little of their own."""
    rng = np.random.default_rng(5)
    sources = rng.normal(size=(6, 250))
    own = 0.5 * rng.normal(size=(10, 250))
    return 20 * (rng.normal(size=(10, 6)) @ sources + own)


def scalp(seed=3):
    """Twelve channels that see eight slow sources each in its own way; nothing of their own."""
    rng = np.random.default_rng(seed)
    n_samples = int(SECONDS * RATE_HZ)
    walk = np.cumsum(rng.normal(size=(8, n_samples)), axis=1)
    sources = walk - np.array([np.convolve(row, np.ones(101) / 101, "same") for row in walk])
    gains = rng.uniform(0.2, 1.5, size=(len(CAP), 8)) * rng.choice([-1, 1], size=(1, 8))
    samples = gains @ sources
    return 15 * samples / samples.std() + 0.5 * rng.normal(size=samples.shape)


def column(invented, samples, name):
    table = invented.features_of(invented.in_memory(samples, CAP[: len(samples)], rate_hz=RATE_HZ))
    return table.windows[..., WINDOW_NAMES.index(name)]


def test_unexplained_without_ridge_is_one_minus_r2_of_a_regression(monkeypatch, mixed):
    """Marquardt 1970: the inverse correlation matrix's diagonal is 1 / (1 - R²)."""
    monkeypatch.setattr(whole_head, "RIDGE", 0.0)
    ours = whole_head.unexplained(np.cov(mixed)[None])[0]
    for row, channel in enumerate(mixed):
        others = np.delete(mixed, row, axis=0).T
        r2 = LinearRegression().fit(others, channel).score(others, channel)
        assert ours[row] == pytest.approx(1 - r2, rel=1e-6)


def test_unexplained_is_what_a_ridge_regression_pays(mixed):
    """Hoerl & Kennard 1970: squares left over, and the penalty, at their least."""
    ours = whole_head.unexplained(np.cov(mixed)[None])[0]
    scaled = (mixed - mixed.mean(axis=1, keepdims=True)) / mixed.std(axis=1, keepdims=True)
    n_samples = mixed.shape[1]
    for row, channel in enumerate(scaled):
        others = np.delete(scaled, row, axis=0).T
        fit = Ridge(alpha=whole_head.RIDGE * n_samples, fit_intercept=False).fit(others, channel)
        left = np.mean((channel - fit.predict(others)) ** 2)
        paid = left + whole_head.RIDGE * np.sum(fit.coef_**2)
        assert ours[row] == pytest.approx(paid, rel=1e-6)


def test_a_still_channel_is_unexplained_and_explains_nothing(mixed):
    without = whole_head.unexplained(np.cov(mixed)[None])[0]
    still = np.vstack((mixed, np.full(mixed.shape[1], 7.0)))
    ours = whole_head.unexplained(np.cov(still)[None])[0]
    assert ours[-1] == 1
    np.testing.assert_allclose(ours[:-1], without)


def test_size_does_not_matter(mixed):
    """One channel a thousand times larger than the others explains as much as before."""
    gains = np.ones(10)
    gains[3] = 1000
    one, other = (
        whole_head.unexplained(np.cov(samples)[None])
        for samples in (mixed, gains[:, None] * mixed)
    )
    np.testing.assert_allclose(one, other)


def test_muscle_leaves_the_slow_part_explained_and_a_loose_electrode_does_not(invented):
    """What neighbours cannot tell apart: noise on top of the scalp's signal, and instead of it."""
    rng = np.random.default_rng(9)
    samples = scalp()
    covered, loose = samples.copy(), samples.copy()
    covered[6] += 10 * rng.normal(size=samples.shape[1])
    loose[6] = scalp(seed=44)[6]
    of_covered, of_loose = (
        column(invented, changed, "unexplained")[6] for changed in (covered, loose)
    )
    assert np.median(of_covered) < np.median(of_loose) - 0.3
    assert np.median(of_loose) > -0.5


def test_a_lost_reference_is_even_and_the_brain_is_not(invented):
    samples = scalp()
    lost = samples + 60 * scalp(seed=71)[0] / 15
    for kind in ("", "_fast"):
        before, after = (column(invented, part, f"uneven{kind}")[0] for part in (samples, lost))
        assert np.median(after) < np.median(before) - 0.5
        before, after = (column(invented, part, f"shared{kind}")[0] for part in (samples, lost))
        assert np.median(after) > np.median(before) + 0.3


@pytest.mark.parametrize(
    ("window", "begin_s", "end_s"), [(0, 0, 3.5), (16, 6.5, 11.5), (17, 6.5, 11.5), (38, 17.5, 20)]
)
def test_shared_is_the_median_against_what_is_left(invented, window, begin_s, end_s):
    """From 1.5 s before each whole second to 3.5 s after it, as far as there are samples."""
    samples = scalp()
    value = column(invented, samples, "shared")[0]
    slow = samples.reshape(len(CAP), -1, 4).mean(axis=2)
    middle = np.median(slow, axis=0)
    span = slice(int(begin_s * 50), int(end_s * 50))
    left = np.median((slow - middle)[:, span].std(axis=1))
    assert value[window] == pytest.approx(np.log10(middle[span].std() / left), abs=2e-3)


def test_muscle_does_not_reach_what_lies_below_6_hz(invented):
    samples = scalp()
    samples[6] += 20 * np.random.default_rng(9).normal(size=samples.shape[1])
    whole, slowest = (
        np.median(column(invented, samples, f"unexplained{kind}")[6]) for kind in ("", "_slowest")
    )
    assert slowest < whole - 0.2


def test_an_offset_of_100_mv_changes_nothing(invented):
    """Electrodes sit where they like; sums in single precision would not bear it."""
    samples = scalp()
    away = samples + 100_000 * np.linspace(-1, 1, len(CAP))[:, None]
    for name in ("unexplained", "unexplained_fast", "unexplained_slowest"):
        one, other = (column(invented, part, name) for part in (samples, away))
        np.testing.assert_allclose(one, other, atol=0.03)


@pytest.mark.parametrize("n_channels", [1, 2, 5])
def test_of_fewer_than_six_channels_it_is_told_only_that_they_are_few(invented, n_channels):
    samples = scalp()[:n_channels]
    table = invented.features_of(invented.in_memory(samples, CAP[:n_channels], rate_hz=RATE_HZ))
    for feature in WHOLE_HEAD[:-1]:
        assert np.isnan(table.windows[..., WINDOW_NAMES.index(feature.name)]).all(), feature.name
    few = table.windows[..., WINDOW_NAMES.index("few_channels")]
    np.testing.assert_allclose(few, np.log2(6 / n_channels), rtol=1e-6)
    if n_channels == 1:
        for feature in SNAPS:
            assert np.isnan(table.windows[..., WINDOW_NAMES.index(feature.name)]).any()


@pytest.mark.parametrize("n_channels", [6, 12])
def test_six_channels_are_not_few(invented, n_channels):
    samples = scalp()[:n_channels]
    assert not column(invented, samples, "few_channels").any()
    assert np.isfinite(column(invented, samples, "unexplained")).all()
