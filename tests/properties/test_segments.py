"""Runs and their edges, for any probabilities."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from cleanspan.config import SegmentRule
from cleanspan.features.windows import CELL_S
from cleanspan.labelling.edges import INWARD_S, REACH_S, refine
from cleanspan.labelling.runs import NEARLY_ALL, Runs, cell_probabilities, find_runs

HOPS = st.sampled_from([0.25, 0.5, 1.0])
PROBABILITIES = hnp.arrays(
    np.float32,
    st.integers(0, 200),
    elements=st.sampled_from([0.0, 0.2, 0.4, 0.6, 0.8, 1.0]) | st.floats(0, 1, width=32),
)
PLAIN = settings(deadline=None)


@st.composite
def rules(draw):
    begin_at = draw(st.floats(0.05, 0.95))
    return SegmentRule(
        begin_at=begin_at,
        keep_above=draw(st.floats(0.02, begin_at)),
        shortest_s=draw(st.floats(0, 5)),
        join_s=draw(st.floats(0, 5)),
    )


@PLAIN
@given(cells=PROBABILITIES, rule=rules(), hop_s=HOPS)
def test_runs_are_ordered_apart_and_inside(cells, rule, hop_s):
    runs = find_runs(cells, rule, hop_s)
    assert (runs.end_s > runs.onset_s).all()
    assert (runs.onset_s[1:] > runs.end_s[:-1]).all()
    if runs.onset_s.size:
        assert runs.onset_s[0] >= 0
        assert runs.end_s[-1] <= len(cells) * hop_s
    assert (runs.end_s - runs.onset_s >= rule.shortest_s - 1e-6).all()
    assert ((runs.confidence >= 0) & (runs.confidence <= 1)).all()


@PLAIN
@given(cells=PROBABILITIES, rule=rules(), hop_s=HOPS)
def test_runs_are_joined_if_and_only_if_their_gap_is_short(cells, rule, hop_s):
    anything = SegmentRule(rule.begin_at, rule.keep_above, 0.0, 0.0)
    apart = find_runs(cells, anything, hop_s)
    joined = find_runs(cells, SegmentRule(rule.begin_at, rule.keep_above, 0.0, rule.join_s), hop_s)
    covered = float((apart.end_s - apart.onset_s).sum())
    if covered >= NEARLY_ALL * len(cells) * hop_s * 0.9:
        return  # what covers nearly everything is one run by another rule
    gaps = apart.onset_s[1:] - apart.end_s[:-1]
    keep = gaps > rule.join_s + 1e-6
    doubtful = np.abs(gaps - rule.join_s) < 1e-5
    if doubtful.any():
        return
    assert joined.onset_s.size == (apart.onset_s.size and 1 + np.count_nonzero(keep))
    assert (joined.onset_s[1:] - joined.end_s[:-1] > rule.join_s).all()


@PLAIN
@given(cells=PROBABILITIES, rule=rules(), hop_s=HOPS)
def test_every_run_reaches_the_beginning_and_nothing_that_does_is_lost(cells, rule, hop_s):
    kept = SegmentRule(rule.begin_at, rule.keep_above, 0.0, rule.join_s)
    runs = find_runs(cells, kept, hop_s)
    inside = np.zeros(len(cells), dtype=bool)
    for onset_s, end_s in zip(runs.onset_s, runs.end_s, strict=True):
        first, last = round(onset_s / hop_s), round(end_s / hop_s)
        assert cells[first:last].max() >= rule.begin_at
        inside[first:last] = True
    assert inside[cells >= rule.begin_at].all()


@pytest.mark.parametrize("hop_s", [0.25, 0.5, 1.0])
@PLAIN
@given(n_windows=st.integers(1, 400), rule=rules())
def test_no_probability_no_run_full_probability_one_run(hop_s, n_windows, rule):
    zeros = cell_probabilities(np.zeros(n_windows, dtype=np.float32), hop_s)
    ones = cell_probabilities(np.ones(n_windows, dtype=np.float32), hop_s)
    plain = SegmentRule(rule.begin_at, rule.keep_above, 0.0, rule.join_s)
    assert find_runs(zeros, plain, hop_s).onset_s.size == 0
    runs = find_runs(ones, plain, hop_s)
    whole_s = (n_windows - 1) * hop_s + 1
    assert (runs.onset_s.tolist(), runs.end_s.tolist()) == ([0.0], [whole_s])


@PLAIN
@given(values=PROBABILITIES.filter(len), hop_s=HOPS)
def test_cells_lie_between_the_windows_that_cover_them(values, hop_s):
    cells = cell_probabilities(values, hop_s)
    cover = round(1 / hop_s)
    assert len(cells) == len(values) + cover - 1
    for place, cell in enumerate(cells):
        windows = values[max(place - cover + 1, 0) : place + 1]
        assert max(windows.min(), 1e-4) - 1e-5 <= cell <= max(windows.max(), 1e-4) + 1e-5


class Cells:
    def __init__(self, values):
        self.values = values

    def read(self, channel, first, last):
        return self.values[first:last]


@PLAIN
@given(
    flags=hnp.arrays(bool, st.integers(1, 80)),
    seed=st.integers(0, 1000),
    level=st.floats(0, 50),
)
def test_moved_edges_stay_ordered_apart_and_near(flags, seed, level):
    """Half-second runs over any signal, the piece ending on a whole window or a little later."""
    runs = find_runs(flags.astype(np.float32), SegmentRule(shortest_s=0.0, join_s=0.0), 0.5)
    n_cells = round(flags.size / 2 / CELL_S) + seed % 3
    rng = np.random.default_rng(seed)
    values = rng.normal(size=(n_cells, 2)) + level * (rng.random((n_cells, 1)) < 0.5)
    moved = refine(
        Runs(runs.onset_s, runs.end_s, runs.confidence),
        Cells(values.astype(np.float32)),
        channel=0,
        first_cell=0,
        n_cells=n_cells,
    )
    assert (moved.end_s > moved.onset_s).all()
    assert (moved.onset_s[1:] >= moved.end_s[:-1]).all()
    assert (moved.onset_s >= 0).all()
    assert (moved.end_s <= n_cells * CELL_S + 1e-9).all()
    reach_s = max(REACH_S, INWARD_S)
    assert (np.abs(moved.onset_s - runs.onset_s) <= reach_s).all()
    assert (np.abs(moved.end_s - runs.end_s) <= reach_s).all()
