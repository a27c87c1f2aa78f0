"""The lost reference has the edges that the channels agree on."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.labelling.reference import agreed
from cleanspan.labelling.runs import Runs


def runs(*spans):
    onset_s, end_s = np.array(spans, dtype=float).reshape(-1, 2).T
    return Runs(onset_s, end_s, np.ones(onset_s.size))


def spans_of(found):
    return list(zip(found.onset_s.tolist(), found.end_s.tolist(), strict=True))


def settled(spans, own, *, whole=None):
    """As `agreed`, of channels of which some have no run; without ways back unless given."""
    pairs = zip(own, whole or own, strict=True)
    there = [(edged, back) for edged, back in pairs if edged is not None]
    return spans_of(agreed(spans, there, fewest=len(own) / 2))


def some_runs(edges):
    edges_s = [edge / 4 for edge in sorted(edges)[: len(edges) // 2 * 2]]
    return runs(*zip(edges_s[::2], edges_s[1::2], strict=True))


RUNS = st.lists(st.integers(0, 40), min_size=2, max_size=6, unique=True).map(some_runs)


@given(RUNS, st.lists(RUNS, min_size=1, max_size=6))
def test_spans_stay_ordered_and_apart_and_none_vanishes(spans, own):
    found = settled(spans, own)
    assert len(found) == spans.onset_s.size
    flat = [edge_s for span in found for edge_s in span]
    assert flat == sorted(flat)
    assert all(onset_s < end_s for onset_s, end_s in found)


def test_a_span_that_the_channels_would_turn_inside_out_keeps_its_edges():
    """Half of the channels begin near it, the others end near it: no two medians of one set."""
    own = [runs((5.75, 9.0)), runs((5.75, 9.0)), runs((1.0, 5.5)), runs((1.0, 5.5))]
    assert settled(runs((5.25, 6.0)), own) == [(5.25, 6.0)]


def test_the_median_channel_decides_not_the_first():
    own = [runs((9.0, 19.0)), *(runs((10.0, 20.25)) for _ in range(4)), None]
    assert settled(runs((10.5, 20.0)), own) == [(10.0, 20.25)]


def test_channels_that_were_off_long_before_have_no_say():
    own = [*(runs((0.0, 20.0)) for _ in range(3)), *(runs((10.0, 20.0)) for _ in range(4))]
    assert settled(runs((10.5, 20.0)), own) == [(10.0, 20.0)]


def test_too_few_channels_change_nothing():
    own = [runs((10.0, 20.25)), None, None]
    assert settled(runs((10.5, 20.0)), own) == [(10.5, 20.0)]


def test_two_spans_whose_edges_would_cross_meet():
    own = [runs((5.0, 21.0)) for _ in range(4)]
    (_, first_end), (second_begin, _) = settled(runs((5.0, 19.5), (20.5, 21.0)), own)
    assert first_end == second_begin


def test_the_way_back_is_the_channels_median_where_their_edges_agree():
    """The edges are near, what they became need not be."""
    edged = [runs((10.0, 20.0)) for _ in range(5)]
    whole = [runs((10.0 - back_s, 20.0 + back_s)) for back_s in (0.0, 4.0, 5.0, 6.0, 9.0)]
    assert settled(runs((10.5, 20.0)), edged, whole=whole) == [(5.0, 25.0)]
