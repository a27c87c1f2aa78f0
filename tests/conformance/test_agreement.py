"""Agreement measures against worked values and against scikit-learn."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn import metrics
from sklearn.calibration import calibration_curve

from cleanspan.training.scores import (
    Counts,
    calibration,
    cohen_kappa,
    count_cells,
    macro_f1,
)

FIVE_BY_FIVE = [
    [50, 2, 1, 1, 1],
    [3, 40, 2, 0, 0],
    [2, 1, 35, 2, 0],
    [1, 0, 2, 30, 2],
    [1, 0, 0, 1, 25],
]


def spread_out(matrix):
    """Two judges' classes that give this confusion matrix."""
    pairs = [(r, c) for r, row in enumerate(matrix) for c, n in enumerate(row) for _ in range(n)]
    return np.array(pairs).T


def test_kappa_of_a_five_class_matrix():
    first, second = spread_out(FIVE_BY_FIVE)
    assert cohen_kappa(FIVE_BY_FIVE) == pytest.approx(0.861936, abs=5e-7)
    assert cohen_kappa(FIVE_BY_FIVE) == pytest.approx(metrics.cohen_kappa_score(first, second))


def test_macro_f1_of_a_five_class_matrix():
    first, second = spread_out(FIVE_BY_FIVE)
    assert macro_f1(FIVE_BY_FIVE) == pytest.approx(0.891121, abs=5e-7)
    assert macro_f1(FIVE_BY_FIVE) == pytest.approx(
        metrics.f1_score(first, second, average="macro")
    )


def test_kappa_is_one_for_full_agreement_and_nought_for_chance():
    assert cohen_kappa([[7, 0], [0, 3]]) == 1
    assert cohen_kappa([[25, 25], [25, 25]]) == 0
    assert np.isnan(cohen_kappa([[9, 0], [0, 0]]))


cells = st.lists(
    st.tuples(st.sampled_from([0, 1]), st.sampled_from([0, 1])), min_size=2, max_size=60
)


@given(cells)
def test_counts_agree_with_scikit_learn(pairs):
    marked, truth = np.array(pairs).T
    counts = count_cells(marked, truth)
    both = marked.any() and truth.any()
    if both:
        assert counts.precision == pytest.approx(metrics.precision_score(truth, marked))
        assert counts.recall == pytest.approx(metrics.recall_score(truth, marked))
        assert counts.f1 == pytest.approx(metrics.f1_score(truth, marked))
    if len(set(marked)) > 1 or len(set(truth)) > 1:
        assert counts.kappa == pytest.approx(metrics.cohen_kappa_score(truth, marked))


def test_unknown_cells_never_count():
    marked, truth = np.array([1, 1, 0, 0, 1]), np.array([1, -1, -1, 0, 0])
    assert count_cells(marked, truth) == Counts(hit=1, false=1, missed=0, clear=1)


@pytest.fixture
def forecast():
    rng = np.random.default_rng(11)
    probability = rng.uniform(0, 1, 4000)
    return probability, (rng.uniform(0, 1, 4000) < probability**1.5).astype(int)


def test_reliability_and_brier_agree_with_scikit_learn(forecast):
    probability, truth = forecast
    result = calibration(probability, truth, bins=10)
    share, mean = calibration_curve(truth, probability, n_bins=10)
    assert result.table["observed_share"].to_numpy() == pytest.approx(share)
    assert result.table["mean_probability"].to_numpy() == pytest.approx(mean)
    assert result.brier == pytest.approx(metrics.brier_score_loss(truth, probability))


def test_expected_calibration_error_is_the_weighted_gap(forecast):
    probability, truth = forecast
    result = calibration(probability, truth)
    by_hand = 0.0
    for low in np.arange(10) / 10:
        inside = (probability >= low) & (probability < low + 0.1)
        by_hand += inside.mean() * abs(probability[inside].mean() - truth[inside].mean())
    assert result.expected_error == pytest.approx(by_hand, rel=1e-6)


def test_a_perfect_forecast_has_no_error():
    truth = np.array([0, 1, 1, 0])
    result = calibration(truth.astype(float), truth)
    assert (result.expected_error, result.brier) == (0, 0)


def test_nothing_known_gives_no_number():
    result = calibration(np.array([0.3, 0.7]), np.array([-1, -1]))
    assert np.isnan(result.brier)
    assert result.table["count"].sum() == 0
