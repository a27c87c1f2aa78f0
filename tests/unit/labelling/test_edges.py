"""Edges move to where the signal changes, to a cell."""

from types import SimpleNamespace

import numpy as np
import pytest

from cleanspan.features.windows import CELL_S
from cleanspan.labelling import edges
from cleanspan.labelling.edges import best_splits, refine
from cleanspan.labelling.runs import Runs
from cleanspan.types import CONTACT_LOSS


class Cells:
    def __init__(self, values):
        self.values = np.asarray(values, dtype=np.float32)

    def read(self, channel, first, last):
        return self.values[first:last]


def stepped(*spans_s, high=3.0, low=1.0):
    """20 s with extent `high` inside spans of seconds, `low` outside; level zero."""
    extent = np.full(round(20 / CELL_S), low)
    for onset_s, end_s in spans_s:
        extent[round(onset_s / CELL_S) : round(end_s / CELL_S)] = high
    return Cells(np.stack((extent, np.zeros(extent.size)), axis=1))


def refined(cells, *spans):
    n_cells = len(cells.values)
    onset_s, end_s = np.array(spans, dtype=float).reshape(-1, 2).T
    runs = refine(
        Runs(onset_s, end_s, np.ones(onset_s.size)),
        cells,
        channel=0,
        first_cell=0,
        n_cells=n_cells,
    )
    return list(zip(runs.onset_s.tolist(), runs.end_s.tolist(), strict=True))


def test_split_of_a_step():
    values = np.zeros((10, 2), dtype=np.float32)
    values[7:, 0] = 1
    later = np.zeros((10, 2), dtype=np.float32)
    later[9:, 1] = -5
    assert best_splits(np.stack((values, later))).tolist() == [7, 9]


def test_no_split_where_nothing_changes_or_nothing_explains():
    assert best_splits(np.ones((1, 10, 2), dtype=np.float32)).tolist() == [0]
    noise = np.random.default_rng(0).normal(size=(1, 40, 2)).astype(np.float32)
    assert best_splits(noise).tolist() == [0]


@pytest.mark.parametrize(("onset_s", "end_s"), [(5.0, 10.0), (5.5, 9.5), (4.5, 10.5), (4.5, 9.5)])
def test_edges_find_a_step_half_a_second_away(onset_s, end_s):
    assert refined(stepped((5, 10)), (onset_s, end_s)) == [(5.0, 10.0)]


def test_edges_stay_where_nothing_changes():
    assert refined(stepped(), (5.3, 9.1)) == [(5.3, 9.1)]


def test_edges_at_the_ends_of_the_piece_stay():
    assert refined(stepped((0, 20)), (0.0, 20.0)) == [(0.0, 20.0)]


def test_neighbouring_runs_never_overlap():
    """Two runs 0.5 s apart that are one stretch to the eye: they may meet, no more."""
    (_, first_end), (second_begin, _) = refined(stepped((4.75, 12.5)), (5.0, 8.0), (8.5, 12.0))
    assert first_end <= second_begin


def test_a_short_run_is_not_turned_inside_out():
    ((onset_s, end_s),) = refined(stepped((4.5, 5)), (5.0, 5.5))
    assert onset_s < end_s


@pytest.mark.parametrize(
    ("onset_s", "expected"),
    [
        (10.0, (10.0, 10.25)),  # a blip of one cell
        (19.875, (19.875, 20.0)),  # the piece ends first
    ],
)
def test_contact_is_lost_for_a_moment_at_least(onset_s, expected):
    cells = stepped((onset_s, onset_s + CELL_S))
    store = SimpleNamespace(
        cells=cells,
        first_cell=[0],
        n_cells=[len(cells.values)],
        pieces=[SimpleNamespace(duration_s=20.0)],
        hop_s=0.03125,
    )
    coarse = Runs(np.array([onset_s - 0.5]), np.array([min(onset_s + 0.5, 20.0)]), np.ones(1))
    found = edges.refined(coarse, store, row=0, piece=0, label=CONTACT_LOSS)
    assert (found.onset_s[0], found.end_s[0]) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("still_s", "span_s", "expected"),
    [
        ((10.0, 10.75), (9.0, 10.75), True),  # windows reach into it for a second
        ((10.0, 10.75), (8.5, 10.75), False),
        ((10.0, 10.75), (10.0, 12.0), False),
        ((10.0, 10.75), (9.5, 11.25), True),
        ((10.0, 10.0625), (9.5, 10.0625), False),  # two alike samples are no standstill
        ((9.0, 10.75), (9.0, 10.75), False),  # nothing stands still, or all does
        ((9.5, 29.5), (9.0, 30.0), False),  # long ones are told by their windows
    ],
)
def test_what_windows_reach_into_a_standstill_for_is_no_lost_contact(still_s, span_s, expected):
    assert edges.reached_only(still_s, span_s) is expected
