"""From probabilities to runs, worked out by hand."""

import numpy as np
import pytest

from cleanspan.config import SegmentRule
from cleanspan.labelling.runs import cell_probabilities, find_runs

RULE = SegmentRule(begin_at=0.6, keep_above=0.4, shortest_s=1.0, join_s=1.0)


def spans(cells, rule=RULE, hop_s=0.5):
    runs = find_runs(np.array(cells, dtype=np.float32), rule, hop_s)
    return list(zip(runs.onset_s.tolist(), runs.end_s.tolist(), strict=True))


def test_cells_are_geometric_means_of_the_windows_over_them():
    """Hop 0.5 s: windows 0-1, 0.5-1.5, 1-2 s; cell k is covered by windows k-1 and k."""
    cells = cell_probabilities(np.array([0.9, 0.4, 0.1], dtype=np.float32), 0.5)
    np.testing.assert_allclose(cells, [0.9, 0.6, 0.2, 0.1], rtol=1e-5)


def test_cells_at_a_hop_of_a_second_are_the_windows():
    given = np.array([0.9, 0.4, 0.1], dtype=np.float32)
    np.testing.assert_allclose(cell_probabilities(given, 1.0), given, rtol=1e-5)


def test_cells_at_a_quarter_second():
    """Cell 3 (0.75-1 s) lies in all four windows; the first cell in the first window alone."""
    given = np.array([0.8, 0.4, 0.2, 0.1], dtype=np.float32)
    cells = cell_probabilities(given, 0.25)
    assert cells.size == 7
    assert cells[0] == pytest.approx(0.8, rel=1e-5)
    assert cells[3] == pytest.approx((0.8 * 0.4 * 0.2 * 0.1) ** 0.25, rel=1e-5)


def test_hysteresis():
    """Begins where 0.6 is reached, reaches as far as 0.4 holds on both sides."""
    assert spans([0.1, 0.45, 0.7, 0.5, 0.4, 0.3, 0.1]) == [(0.5, 2.5)]


def test_what_never_reaches_the_beginning_is_no_run():
    assert spans([0.1, 0.5, 0.59, 0.5, 0.1]) == []


def test_gaps_up_to_join_s_are_joined_and_longer_ones_not():
    high, low = [0.9, 0.9], [0.1]
    assert spans(high + low * 2 + high) == [(0.0, 3.0)]
    assert spans(high + low * 3 + high) == [(0.0, 1.0), (2.5, 3.5)]


def test_short_runs_are_dropped_after_joining():
    assert spans([0.9, 0.1, 0.1, 0.1, 0.1]) == []
    assert spans([0.9, 0.1, 0.9, 0.1, 0.1, 0.1, 0.1]) == [(0.0, 1.5)]


def test_confidence_is_the_mean_over_the_run():
    runs = find_runs(np.array([0.9, 0.7, 0.5, 0.1], dtype=np.float32), RULE, 0.5)
    np.testing.assert_allclose(runs.confidence, [0.7], rtol=1e-5)


def test_a_label_over_an_hour_is_one_run_in_spite_of_short_gaps():
    cells = np.full(7201, 0.9, dtype=np.float32)
    for gap in range(500, 7000, 900):
        cells[gap : gap + 8] = 0.05  # 4 s, longer than join_s
    assert spans(cells) == [(0.0, 3600.5)]


def test_a_long_gap_parts_even_what_covers_nearly_everything():
    cells = np.full(7201, 0.9, dtype=np.float32)
    cells[3000:3012] = 0.05  # 6 s
    assert spans(cells) == [(0.0, 1500.0), (1506.0, 3600.5)]


@pytest.mark.parametrize("hop_s", [0.25, 0.5, 1.0])
def test_none_and_all(hop_s):
    assert spans(np.zeros(50), hop_s=hop_s) == []
    assert spans(np.ones(50), hop_s=hop_s) == [(0.0, 50 * hop_s)]
    assert spans([], hop_s=hop_s) == []
