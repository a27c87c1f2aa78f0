"""Arithmetic with spans, checked against a grid of whole seconds."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.labelling.spans import besides_s, common, union_s, united

LENGTH_S = 30
_span = st.tuples(st.integers(0, LENGTH_S - 1), st.integers(1, 12)).map(
    lambda pair: (float(pair[0]), float(min(pair[0] + pair[1], LENGTH_S)))
)
spans = st.lists(_span, max_size=8).map(
    lambda pairs: (np.array([a for a, _ in pairs]), np.array([b for _, b in pairs]))
)


def seconds(part):
    """Tell of each whole second whether a span covers it."""
    middle_s = np.arange(LENGTH_S) + 0.5
    return np.array([((part[0] <= at) & (at < part[1])).any() for at in middle_s])


@given(spans)
def test_united_spans_cover_the_same_time_and_stand_apart(part):
    onset_s, end_s = united(*part)
    np.testing.assert_array_equal(seconds((onset_s, end_s)), seconds(part))
    assert (onset_s[1:] > end_s[:-1]).all()
    assert union_s(*part) == seconds(part).sum()


@given(st.lists(spans, min_size=1, max_size=4))
def test_what_is_common_is_covered_by_every_part(parts):
    shared = common(parts)
    np.testing.assert_array_equal(seconds(shared), np.all([seconds(p) for p in parts], axis=0))
    assert (shared[0][1:] >= shared[1][:-1]).all()
    assert (shared[1] > shared[0]).all(), "spans that only touch have nothing in common"


@given(spans, spans)
def test_what_is_taken_away_does_not_count(part, away):
    assert besides_s(part, away) == (seconds(part) & ~seconds(away)).sum()
