"""Edges of lost contact: the first jump, and the end of what it leaves behind."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.features.edges import measures
from cleanspan.features.windows import CELL_S
from cleanspan.labelling.jumps import CLEAR, to_jumps
from cleanspan.labelling.runs import Runs

LENGTH_S = 20.0
EEG_UV = 20.0
"""Half of its extent in a cell."""


class Cells:
    def __init__(self, level_uv, half_extent_uv=EEG_UV):
        level = np.asarray(level_uv, dtype=np.float32)[None]
        self.values = measures(level + half_extent_uv, level - half_extent_uv)[0]

    def read(self, channel, first, last):
        return self.values[first:last]


def pops(*onsets_s, height_uv=1000.0, tau_s=0.5):
    """Cells of EEG of steady size with jumps that creep back."""
    time_s = CELL_S * np.arange(round(LENGTH_S / CELL_S))
    level = np.zeros(time_s.size)
    for onset_s in onsets_s:
        after_s = time_s - onset_s
        level += np.where(after_s >= 0, height_uv * np.exp(-np.maximum(after_s, 0) / tau_s), 0)
    half = np.full(time_s.size, EEG_UV)
    for onset_s in onsets_s:
        half[round(onset_s / CELL_S)] += height_uv / 2
    return Cells(level, half.astype(np.float32))


def settled(cells, *spans, refined=None):
    onset_s, end_s = np.array(spans, dtype=float).reshape(-1, 2).T
    coarse = Runs(onset_s, end_s, np.ones(onset_s.size))
    if refined is None:
        refined = spans
    begin_s, stop_s = np.array(refined, dtype=float).reshape(-1, 2).T
    found = to_jumps(
        coarse,
        Runs(begin_s, stop_s, coarse.confidence),
        cells,
        channel=0,
        first_cell=0,
        n_cells=round(LENGTH_S / CELL_S),
    )
    return list(zip(found.onset_s.tolist(), found.end_s.tolist(), strict=True))


@pytest.mark.parametrize("split_s", [9.5, 10.0, 10.75])
def test_a_pop_begins_at_its_jump_wherever_the_split_is(split_s):
    ((onset_s, _),) = settled(pops(10.0), (9.5, 12.0), refined=[(split_s, 12.0)])
    assert onset_s == 10.0


def test_the_first_of_several_jumps_counts_not_the_largest():
    small, large = pops(10.0, height_uv=200.0), pops(10.75, height_uv=2000.0)
    both = Cells(np.zeros(1))
    both.values = np.where(large.values[:, :1] > small.values[:, :1], large.values, small.values)
    ((onset_s, _),) = settled(both, (9.5, 12.0))
    assert onset_s == 10.0


def test_a_pop_lasts_until_what_is_left_of_it_is_no_clearer_than_the_eeg():
    ((_, end_s),) = settled(pops(10.0), (9.5, 11.5))
    left_uv = 1000 * np.exp(-(end_s - 10.0) / 0.5)
    # The level alone; the EEG's own extent adds to it.
    assert left_uv + EEG_UV == pytest.approx(CLEAR * EEG_UV, rel=0.2)


def test_edges_stay_where_nothing_stands_out():
    assert settled(pops(), (5.3, 9.1), refined=[(5.5, 9.0)]) == [(5.5, 9.0)]


def test_edges_at_the_ends_of_the_piece_stay():
    assert settled(pops(10.0), (0.0, LENGTH_S)) == [(0.0, LENGTH_S)]


def test_too_little_before_a_run_leaves_its_onset():
    ((onset_s, _),) = settled(pops(0.5), (0.25, 2.0))
    assert onset_s == 0.25


@given(
    st.lists(st.integers(8, 310), min_size=1, max_size=6, unique=True),
    st.lists(st.integers(1, 39), min_size=2, max_size=12, unique=True),
)
def test_runs_stay_ordered_and_apart_and_none_vanishes(jumps, edges):
    edges_s = [edge / 2 for edge in sorted(edges)[: len(edges) // 2 * 2]]
    spans = list(zip(edges_s[::2], edges_s[1::2], strict=True))
    found = settled(pops(*(CELL_S * jump for jump in jumps)), *spans)
    assert len(found) == len(spans)
    flat = [edge_s for span in found for edge_s in span]
    assert flat == sorted(flat)
    assert all(onset_s < end_s for onset_s, end_s in found)
