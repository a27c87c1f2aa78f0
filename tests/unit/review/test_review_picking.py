import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanspan.review import picking
from cleanspan.review.picking import CONTROL, SpanScores, choose
from cleanspan.types import Piece


def scores(doubt, dispute=None, label=None):
    doubt = np.asarray(doubt, dtype=float)
    return SpanScores(
        10.0 * np.arange(len(doubt)),
        doubt,
        np.zeros(len(doubt)) if dispute is None else np.asarray(dispute, dtype=float),
        np.zeros(len(doubt), dtype=int) if label is None else np.asarray(label),
    )


def test_entropy_of_a_fair_coin_is_one_bit():
    """Shannon (1948): H(1/2) = 1; H(0.11) = 0.4999 is the worked example of his equivocation."""
    got = picking.entropy_bits(np.array([0.5, 0.0, 1.0, 0.11]))
    np.testing.assert_allclose(got, [1.0, 0.0, 0.0, 0.4999], atol=2e-4)


def test_spans_lie_within_pieces():
    pieces = [Piece(0.0, 25.0), Piece(40.0, 10.0), Piece(60.0, 9.0)]
    assert picking.span_onsets(pieces, 10.0).tolist() == [0.0, 10.0, 40.0]
    assert picking.span_onsets([], 10.0).tolist() == []


def probabilities(n_channels=4, n_windows=200):
    return np.full((n_channels, n_windows, 2), 0.02)


CENTRES = 0.5 + 0.5 * np.arange(200)
RING = [[1, 3], [0, 2], [1, 3], [0, 2]]


def score(values, neighbours=RING):
    return picking.score_spans(
        values, CENTRES, onset_s=10.0 * np.arange(10), span_s=10.0, neighbours=neighbours
    )


def test_doubt_is_found_on_one_channel_and_names_its_label():
    values = probabilities()
    values[2, 44:54, 1] = 0.5  # centres 22.5 to 27 s
    got = score(values)
    assert int(got.doubt.argmax()) == 2
    assert got.doubt[2] == pytest.approx(1.0, abs=0.01)
    assert got.label[2] == 1


def test_certainty_is_not_doubt():
    values = probabilities()
    values[:, 44:54, 0] = 0.999
    assert score(values).doubt[2] < 0.2


def test_dispute_is_news_not_habit():
    values = probabilities()
    values[0, :, 0] = 0.9  # this channel always differs
    values[2, 120:135, 0] = 0.9  # this one only for a while
    got = score(values)
    assert int(got.dispute.argmax()) == 6
    assert got.dispute[1] < 0.05


def test_missing_probabilities_and_lonely_channels_are_no_trouble():
    values = probabilities()
    values[1] = np.nan
    got = score(values, neighbours=[[], [], [], []])
    assert np.isfinite(got.doubt).all()
    assert (got.dispute == 0).all()
    assert len(score(values[:0], neighbours=[]).doubt) == 10


def test_unlikeness_counts_robust_deviations():
    """1.4826 times the median absolute deviation estimates σ of a normal distribution."""
    rng = np.random.default_rng(0)
    profiles = rng.normal(5, 2, (4001, 1))
    far = picking.unlikeness(np.vstack((profiles, [[11.0]])))[-1]
    assert far == pytest.approx(3.0, rel=0.06)
    assert picking.unlikeness(np.zeros((2, 3))).tolist() == [0, 0]
    assert np.isfinite(picking.unlikeness(np.ones((5, 3)))).all()


def test_control_share_ignores_the_scores():
    """The same seed draws the same control spans whatever the model thinks."""
    rng = np.random.default_rng(4)
    drawn = []
    for _ in range(2):
        own = [scores(rng.random(200)), scores(rng.random(300))]
        picks = choose(own, [0, 1], count=100, control_share=0.3, seed=9)
        drawn.append({(p.recording, p.onset_s) for p in picks if p.reason == CONTROL})
    assert len(drawn[0]) == 30
    assert drawn[0] == drawn[1]


def test_control_share_is_uniform_over_all_spans():
    counts = Counter()
    for seed in range(400):
        picks = choose(
            [scores(np.zeros(10)), scores(np.ones(30))],
            [0, 5],
            count=10,
            control_share=1.0,
            seed=seed,
        )
        counts.update((p.recording, p.onset_s) for p in picks)
    expected = 400 * 10 / 40
    chi2 = sum((counts[place] - expected) ** 2 / expected for place in counts)
    assert len(counts) == 40
    # 99.9 % point of chi-square with 39 degrees of freedom is 72.05 (tables); without
    # replacement the spread is smaller still.
    assert chi2 < 72.05


def test_no_control_and_only_control():
    own = [scores(np.linspace(0, 1, 50))]
    for share, expected in ((0.0, 0), (1.0, 20)):
        picks = choose(own, [0.0], count=20, control_share=share, seed=1)
        assert sum(p.reason == CONTROL for p in picks) == expected


def test_all_reasons_get_their_turn_and_what_scores_highest_is_taken():
    rng = np.random.default_rng(2)
    doubt, dispute = rng.random(200) * 0.5, rng.random(200) * 0.5
    doubt[40], dispute[80] = 1.0, 1.0
    own = [scores(doubt, dispute), scores(rng.random(200) * 0.4), scores(rng.random(200) * 0.4)]
    picks = choose(own, [0, 0, 7], count=30, control_share=0.0, seed=0)
    reasons = Counter(p.reason for p in picks)
    assert set(reasons) == set(picking.REASONS)
    assert max(reasons.values()) - min(reasons.values()) <= 1
    places = {(p.recording, p.onset_s): p.reason for p in picks}
    assert (0, 400.0) in places
    assert (0, 800.0) in places
    unlike = [p.recording for p in picks if p.reason == picking.UNLIKE]
    assert unlike[0] == 2 or 2 in unlike


def test_labels_take_turns():
    label = np.array([0] * 50 + [1] * 50)
    doubt = np.where(label == 0, 0.9, 0.3)
    places = picking._by_doubt([scores(doubt, label=label)])
    assert Counter(int(label[span]) for _, span in places[:10]) == {0: 5, 1: 5}


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=5),
    st.integers(1, 60),
    st.floats(0, 1),
    st.integers(0, 1000),
)
def test_never_twice_never_too_many_and_reproducible(sizes, count, share, seed):
    rng = np.random.default_rng(seed)
    own = [scores(rng.random(size), rng.random(size), rng.integers(0, 3, size)) for size in sizes]
    picks = choose(
        own, rng.random(len(sizes)).tolist(), count=count, control_share=share, seed=seed
    )
    assert len(picks) == min(count, sum(sizes))
    assert len({(p.recording, p.onset_s) for p in picks}) == len(picks)
    again_rng = np.random.default_rng(seed)
    again = [
        scores(again_rng.random(size), again_rng.random(size), again_rng.integers(0, 3, size))
        for size in sizes
    ]
    assert picks == choose(
        again, again_rng.random(len(sizes)).tolist(), count=count, control_share=share, seed=seed
    )


def test_neighbouring_spans_are_not_picked_while_others_remain():
    picks = choose([scores(np.linspace(1, 0, 100))], [0.0], count=30, control_share=0.0, seed=0)
    onsets = sorted(p.onset_s for p in picks)
    assert min(np.diff(onsets)) >= 20


def test_order_tells_nothing_about_the_reason():
    own = [scores(np.linspace(1, 0, 500))]
    picks = choose(own, [0.0], count=200, control_share=0.5, seed=3)
    control = np.array([p.reason == CONTROL for p in picks])
    places = np.flatnonzero(control)
    # Rank-sum statistic of a random order: mean n1 (N + 1) / 2, variance n1 n2 (N + 1) / 12.
    mean, sd = 100 * 201 / 2, math.sqrt(100 * 100 * 201 / 12)
    assert abs((places + 1).sum() - mean) < 4 * sd
