"""The lost reference has the edges that the channels agree on."""

import numpy as np

from cleanspan.labelling.reference import agreed
from cleanspan.labelling.runs import Runs


def runs(*spans):
    onset_s, end_s = np.array(spans, dtype=float).reshape(-1, 2).T
    return Runs(onset_s, end_s, np.ones(onset_s.size))


def spans_of(found):
    return list(zip(found.onset_s.tolist(), found.end_s.tolist(), strict=True))


def test_the_median_channel_decides_not_the_first():
    own = [runs((9.0, 19.0)), *(runs((10.0, 20.25)) for _ in range(4)), None]
    assert spans_of(agreed(runs((10.5, 20.0)), own)) == [(10.0, 20.25)]


def test_channels_that_were_off_long_before_have_no_say():
    own = [*(runs((0.0, 20.0)) for _ in range(3)), *(runs((10.0, 20.0)) for _ in range(4))]
    assert spans_of(agreed(runs((10.5, 20.0)), own)) == [(10.0, 20.0)]


def test_too_few_channels_change_nothing():
    own = [runs((10.0, 20.25)), None, None]
    assert spans_of(agreed(runs((10.5, 20.0)), own)) == [(10.5, 20.0)]


def test_two_spans_whose_edges_would_cross_meet_half_way():
    own = [runs((5.0, 21.0)) for _ in range(4)]
    (_, first_end), (second_begin, _) = spans_of(agreed(runs((5.0, 19.5), (20.5, 21.0)), own))
    assert first_end == second_begin
