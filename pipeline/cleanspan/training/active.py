"""Third study: spans picked by a model's doubt against spans drawn at random, same budget.

A model of simulation only scores 10 s spans of the people it may learn from. The readers' marks
of the spans picked are revealed, and nothing else of those people; a model is fitted on them and
judged on people left out.
"""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.recording.electrodes import neighbours
from cleanspan.review.picking import Pick, SpanScores, choose, score_spans, span_onsets, unlikeness
from cleanspan.training.dataset import Table, Tables, of_people
from cleanspan.training.judging import Panels, answers, fold_of_people
from cleanspan.training.open_recordings import READ_S, SYSTEM_10_20
from cleanspan.training.trials import SEED, Material, Tally, tallies, trial_panels
from cleanspan.types import BLINK, CONTACT_LOSS, MUSCLE, Piece

log = logging.getLogger(__name__)

SPAN_S = 10.0
WINDOW_S, HOP_S = 1.0, 0.5
BUDGETS = (5, 10, 20, 40)
FOLDS = 4
DRAWS = 6
PICKED, RANDOM, EVERY = "picked", "random", "every span"
_LABELS = (BLINK, MUSCLE, CONTACT_LOSS)
_TINY_S = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What models reached that learned from so many spans.

    Attributes
    ----------
    way : str
        `PICKED`, `RANDOM` or `EVERY`.
    spans : tuple of int
        Numbers of spans revealed, smallest and largest over the groups of people.
    draws : tuple of mapping of str to Tally
        For each draw, each person left out.
    """

    way: str
    spans: tuple[int, int]
    draws: tuple[Mapping[str, Tally], ...]


def compare_picking(
    material: Material,
    *,
    budgets: Sequence[int] = BUDGETS,
    draws: int = DRAWS,
    folds: int = FOLDS,
) -> list[Outcome]:
    """Fit and judge for every budget and both ways of choosing.

    Parameters
    ----------
    material : Material
    budgets : sequence of int
        Numbers of spans.
    draws : int
        They differ by the model that picks, by the random spans, and by the fit.
    folds : int

    Returns
    -------
    list of Outcome
        By budget, picked before random; at the end every span of the people learned from.
    """
    group_of = fold_of_people(material.people, folds, seed=SEED)
    wanted = [(way, budget) for budget in budgets for way in (PICKED, RANDOM)]
    found: dict[tuple[str, int], list[dict[str, Tally]]] = {place: [] for place in wanted}
    every: dict[str, Tally] = {}
    sizes: list[int] = []
    for draw in range(draws):
        first = trial_panels(None, material.simulated, seed=draw)
        given: dict[tuple[str, int], dict[str, Tally]] = {place: {} for place in wanted}
        for fold in range(folds):
            left_out = [person for person, group in group_of.items() if group == fold]
            others = [person for person in material.people if person not in left_out]
            pool = Pool.of(of_people(material.read, others), first)
            for way, budget in wanted:
                picks = pool.picks(budget, way=way, seed=draw)
                panels = trial_panels(pool.revealed(picks), material.simulated, seed=draw)
                given[way, budget] |= tallies(panels, material, left_out)
            if draw == 0:
                sizes.append(pool.size)
                panels = trial_panels(pool.tables, material.simulated, seed=draw)
                every |= tallies(panels, material, left_out)
        for place, one in given.items():
            found[place].append(one)
        log.info("picking: draw %d of %d", draw + 1, draws)
    outcomes = [Outcome(way, (budget, budget), tuple(one)) for (way, budget), one in found.items()]
    return [*outcomes, Outcome(EVERY, (min(sizes), max(sizes)), (every,))]


@dataclass(frozen=True, slots=True, eq=False)
class Pool:
    """Spans to choose from.

    Attributes
    ----------
    tables : Tables
        Readers' marks of all of them, hidden until they are picked.
    recordings : tuple of str
    scores : tuple of SpanScores
        By recording.
    unlike : ndarray of shape (n_recordings,)
    """

    tables: Tables
    recordings: tuple[str, ...]
    scores: tuple[SpanScores, ...]
    unlike: npt.NDArray[np.float64]

    @classmethod
    def of(cls, tables: Tables, panels: Panels) -> "Pool":
        """Score the spans of all recordings by a model's answers."""
        recordings = tuple(sorted({str(name) for name in tables.windows.recording}))
        values = [answer_grid(tables, name, panels) for name in recordings]
        scores = tuple(_scored(one) for one in values)
        profiles = [
            [*(one >= 0.5).mean(axis=(0, 1)).tolist(), float(own.doubt.mean())]
            for one, own in zip(values, scores, strict=True)
        ]
        return cls(tables, recordings, scores, unlikeness(np.array(profiles)))

    @property
    def size(self) -> int:
        """How many spans there are."""
        return sum(len(own.onset_s) for own in self.scores)

    def picks(self, count: int, *, way: str, seed: int) -> list[Pick]:
        """Choose spans; at random means the whole budget is drawn as a control share is."""
        share = 1.0 if way == RANDOM else 0.0
        return choose(
            self.scores, self.unlike.tolist(), count=count, control_share=share, seed=seed
        )

    def revealed(self, picks: Sequence[Pick]) -> Tables:
        """Give the rows of the spans picked: windows wholly inside, events by their peak."""
        windows, events = self.tables.windows, self.tables.events
        return Tables(
            windows.rows(self._inside(windows, picks, longest_s=WINDOW_S)),
            events.rows(self._inside(events, picks, longest_s=0.0)),
        )

    def _inside(
        self, table: Table, picks: Sequence[Pick], *, longest_s: float
    ) -> npt.NDArray[np.bool_]:
        keep = np.zeros(len(table), dtype=bool)
        for pick in picks:
            begin_s, end_s = pick.onset_s - _TINY_S, pick.onset_s + SPAN_S + _TINY_S
            own = table.recording == self.recordings[pick.recording]
            keep |= own & (table.time_s >= begin_s) & (table.time_s + longest_s <= end_s)
        return keep


def _scored(values: npt.NDArray[np.float32]) -> SpanScores:
    """Score the spans of the minute that was read."""
    rows = {name: row for row, name in enumerate(SYSTEM_10_20)}
    return score_spans(
        values,
        np.arange(values.shape[1], dtype=np.float64) * HOP_S + WINDOW_S / 2,
        onset_s=span_onsets([Piece(0.0, READ_S)], SPAN_S),
        span_s=SPAN_S,
        neighbours=[[rows[other] for other in neighbours(name, rows)] for name in rows],
    )


def answer_grid(tables: Tables, recording: str, panels: Panels) -> npt.NDArray[np.float32]:
    """Lay a model's answers on channels and windows of one recording.

    A blink's probability counts in every window that holds its peak.

    Returns
    -------
    ndarray of shape (n_channels, n_windows, n_labels), 0 where nothing was asked
    """
    windows = tables.windows.rows(tables.windows.recording == recording)
    events = tables.events.rows(tables.events.recording == recording)
    given = answers(panels, Tables(windows, events))
    n_windows = int((READ_S - WINDOW_S) / HOP_S) + 1
    values = np.zeros((len(SYSTEM_10_20), n_windows, len(_LABELS)), dtype=np.float32)
    place = np.round(windows.time_s / HOP_S).astype(int)
    for column, label in enumerate(_LABELS):
        if label != BLINK:
            values[_rows_of(windows), place, column] = given[label].probability
    values[:, :, _LABELS.index(BLINK)] = _blinks(events, given[BLINK].probability, n_windows)
    return values


def _blinks(
    events: Table, probability: npt.NDArray[np.float32], n_windows: int
) -> npt.NDArray[np.float32]:
    """Give each channel-window the most likely blink whose peak it holds."""
    highest = np.zeros(len(SYSTEM_10_20) * n_windows, dtype=np.float32)
    last = np.floor(events.time_s / HOP_S).astype(np.int64)
    for step in range(round(WINDOW_S / HOP_S)):
        holding = np.clip(last - step, 0, n_windows - 1)
        np.maximum.at(highest, _rows_of(events) * n_windows + holding, probability)
    return highest.reshape(len(SYSTEM_10_20), n_windows)


def _rows_of(table: Table) -> npt.NDArray[np.int64]:
    """Find each row's channel in the 10-20 order."""
    rows = {name: row for row, name in enumerate(SYSTEM_10_20)}
    return np.array([rows[str(name)] for name in table.channel], dtype=np.int64)
