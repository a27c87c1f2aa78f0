"""Shares of events in one recording: against made mixtures whose share is known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanspan.labelling.prevalence import reweighed, share_of

USUAL = 0.13


def candidates(share, count=4000, seed=1):
    """Scores of two normal populations, with calibrated probabilities for the usual share."""
    rng = np.random.default_rng(seed)
    true = rng.random(count) < share
    score = rng.normal(np.where(true, 1.5, -1.5), 1.0)
    ratio = np.exp(3 * score)  # of the two densities
    return USUAL * ratio / (USUAL * ratio + 1 - USUAL), true, ratio


@pytest.mark.parametrize("share", [0.01, 0.05, 0.13, 0.4, 0.8])
def test_the_share_of_a_known_mixture_is_found(share):
    probability, true, _ = candidates(share)
    assert share_of(probability, USUAL) == pytest.approx(true.mean(), abs=0.015)


@pytest.mark.parametrize("share", [0.02, 0.5])
def test_reweighing_is_bayes_rule(share):
    """Equal to the posterior computed from the two densities and the new share."""
    probability, _, ratio = candidates(share, 200)
    expected = share * ratio / (share * ratio + 1 - share)
    np.testing.assert_allclose(reweighed(probability, share, USUAL), expected, rtol=1e-9)


def test_fewer_are_wrong_than_before():
    for share in (0.01, 0.6):
        probability, true, _ = candidates(share)
        new = reweighed(probability, share_of(probability, USUAL), USUAL)
        assert ((new >= 0.5) != true).sum() < ((probability >= 0.5) != true).sum()


def test_no_candidate_leaves_the_usual_share():
    assert share_of(np.empty(0), USUAL) == pytest.approx(USUAL)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 1), max_size=50), st.floats(0.01, 0.99))
def test_shares_and_probabilities_stay_between_nought_and_one_in_order(values, usual):
    probability = np.array(sorted(values))
    share = share_of(probability, usual)
    assert 0 < share < 1
    new = reweighed(probability, share, usual)
    assert ((new >= 0) & (new <= 1)).all()
    assert (np.diff(new) >= -1e-12).all()
