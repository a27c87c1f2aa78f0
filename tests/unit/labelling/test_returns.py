"""The way back after lost contact, and the way off before it."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.features.edges import measures
from cleanspan.features.windows import CELL_S
from cleanspan.labelling.returns import CLEAR, LONGEST_S, with_returns
from cleanspan.labelling.runs import Runs

LENGTH_S = 60.0
EEG_UV = 20.0
"""Half of its extent in a cell."""
TIME_S = CELL_S * np.arange(round(LENGTH_S / CELL_S))


class Cells:
    def __init__(self, level_uv):
        level = np.asarray(level_uv, dtype=np.float32)[None]
        self.values = measures(level + EEG_UV, level - EEG_UV)[0]

    def read(self, channel, first, last):
        return self.values[first:last]


def creep(onset_s, *, height_uv=1000.0, tau_s=2.0):
    """What a pop leaves: a jump that comes back through a high-pass."""
    since_s = TIME_S - onset_s
    return np.where(since_s >= 0, height_uv * np.exp(-np.maximum(since_s, 0) / tau_s), 0)


def found(level_uv, *spans):
    onset_s, end_s = np.array(spans, dtype=float).T
    runs = Runs(onset_s, end_s, np.ones(onset_s.size))
    whole = with_returns(runs, Cells(level_uv), channel=0, first_cell=0, n_cells=TIME_S.size)
    return list(zip(whole.onset_s.tolist(), whole.end_s.tolist(), strict=True))


@pytest.mark.parametrize("tau_s", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("height_uv", [-400.0, 1000.0])
def test_a_pop_lasts_until_the_trace_is_back(tau_s, height_uv):
    level = creep(20, height_uv=height_uv, tau_s=tau_s)
    ((onset_s, end_s),) = found(level, (20.0, 20.25))
    assert onset_s == 20.0
    expected_s = 20 + tau_s * np.log(abs(height_uv) / (CLEAR * EEG_UV))
    assert end_s == pytest.approx(expected_s, abs=0.2)


def test_a_pull_begins_when_the_trace_begins_to_creep_away():
    level = creep(LENGTH_S - 40, height_uv=500.0)[::-1]
    ((onset_s, end_s),) = found(level, (39.75, 40.0))
    expected_s = 40 - 2 * np.log(500 / (CLEAR * EEG_UV))
    assert onset_s == pytest.approx(expected_s, abs=0.2)
    assert end_s == 40.0


def test_a_step_that_stays_is_no_way_back():
    """An amplifier without a high-pass keeps it, and the electrode has contact again."""
    level = np.where(TIME_S >= 20, 500.0, 0)
    assert found(level, (20.0, 20.25)) == [(20.0, 20.25)]


@pytest.mark.parametrize("every_s", [2.0, 4.0])
def test_in_a_series_the_trace_is_followed_to_where_it_was_before_the_first(every_s):
    onsets_s = [20 + every_s * number for number in range(5)]
    level = sum(creep(onset_s, tau_s=3.0) for onset_s in onsets_s)
    spans = found(level, *((onset_s, onset_s + 0.25) for onset_s in onsets_s))
    assert [end_s for _, end_s in spans[:-1]] == onsets_s[1:]
    assert spans[-1][1] > onsets_s[-1] + 5


@pytest.mark.parametrize(("left", "followed"), [(0.6, True), (0.9, False)])
def test_a_trace_that_goes_on_being_off_goes_to_its_old_rest_only_if_it_is_on_its_way(
    left, followed
):
    """It creeps back from 500 µV, and after 1.75 s the next loss begins, this much still left."""
    level = creep(20, height_uv=500.0, tau_s=-1.75 / np.log(left))
    (_, end_s), _ = found(level, (20.0, 20.25), (21.75, 22.0))
    assert (end_s == 21.75) == followed


@pytest.mark.parametrize(("away_s", "followed"), [(1.5, True), (4.0, False)])
def test_what_stays_away_for_long_and_comes_no_nearer_drifts(away_s, followed):
    level = np.where((TIME_S >= 20) & (away_s + 20 > TIME_S), 150.0, 0)
    ((_, end_s),) = found(level, (20.0, 20.25))
    assert (end_s == pytest.approx(20 + away_s, abs=0.2)) == followed


def test_waves_on_the_way_back_do_not_end_it():
    """Theta of 4 Hz: its troughs come near the rest long before the trace does.

    Cells meet it at 0, 60, 0 and -60 µV: it usually reaches half as far.
    """
    wave = 60 * np.sin(2 * np.pi * 4 * TIME_S)
    ((_, end_s),) = found(creep(20, height_uv=400.0) + wave, (20.0, 20.25))
    usual_uv = EEG_UV + 30
    assert end_s == pytest.approx(20 + 2 * np.log(400 / (CLEAR * usual_uv)), abs=0.3)


def test_the_rest_before_a_loss_is_forgotten_once_the_trace_has_come_to_another():
    """A step that stays, and much later a pop that creeps back to where the step had left it."""
    level = np.where(TIME_S >= 10, 500.0, 0) + creep(40)
    (_, first_s), (_, second_s) = found(level, (10.0, 10.25), (40.0, 40.25))
    assert first_s == 10.25
    assert second_s == pytest.approx(40 + 2 * np.log(1000 / (CLEAR * EEG_UV)), abs=0.2)


def test_the_cells_of_its_own_piece_are_looked_at():
    quiet, creeping = Cells(np.zeros(TIME_S.size)), Cells(creep(20))
    both = Cells(np.zeros(1))
    both.values = np.concatenate((quiet.values, creeping.values))
    runs = Runs(np.array([20.0]), np.array([20.25]), np.ones(1))
    ends_s = [
        with_returns(runs, both, channel=0, first_cell=first, n_cells=TIME_S.size).end_s[0]
        for first in (0, TIME_S.size)
    ]
    assert ends_s[0] == 20.25
    assert ends_s[1] > 25


def test_a_way_back_beyond_the_longest_is_not_followed():
    level = creep(20, height_uv=20_000.0, tau_s=4.0)
    ((_, end_s),) = found(level, (20.0, 21.0))
    assert end_s == 21.0 + LONGEST_S


def test_alpha_and_drift_beside_a_run_are_no_way_back():
    wave = 60 * np.sin(2 * np.pi * 10 * TIME_S) + 30 * np.sin(2 * np.pi * 0.05 * TIME_S)
    assert found(wave, (20.0, 21.0), (40.0, 45.0)) == [(20.0, 21.0), (40.0, 45.0)]


def test_what_lasts_from_end_to_end_stays():
    level = np.full(TIME_S.size, 300.0)
    assert found(level, (0.0, LENGTH_S)) == [(0.0, LENGTH_S)]


spans = st.lists(st.integers(0, 960), min_size=2, max_size=12, unique=True).map(
    lambda cells: [
        (a * CELL_S, b * CELL_S)
        for a, b in zip(sorted(cells)[::2], sorted(cells)[1::2], strict=False)
    ]
)


@given(spans, st.integers(0, 2**32 - 1))
def test_runs_only_grow_and_stay_ordered_and_apart(given_spans, seed):
    rng = np.random.default_rng(seed)
    level = np.cumsum(rng.normal(0, 30, TIME_S.size)) + 500 * (rng.random(TIME_S.size) < 0.02)
    whole = found(level, *given_spans)
    for (onset_s, end_s), (begin_s, stop_s) in zip(given_spans, whole, strict=True):
        assert begin_s <= onset_s < end_s <= stop_s
    for (_, stop_s), (begin_s, _) in pairwise(whole):
        assert stop_s <= begin_s
    assert whole[0][0] >= 0
    assert whole[-1][1] <= LENGTH_S
