"""How sure a difference between two models is: resampling people, not windows.

Windows of one person are alike, so counting them as independent makes any difference look sure.
Whole people are drawn with replacement (the cluster bootstrap; Efron & Tibshirani 1993, *An
Introduction to the Bootstrap*, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.training.scores import Counts

DRAWS = 2000
FEWEST_PEOPLE = 5
"""With fewer people the interval is not trusted: too few different draws (common practice)."""

BETTER, WORSE, ALIKE, UNKNOWN = "better", "worse", "not distinguishable", "not judged"
FEW = "too few people"


@dataclass(frozen=True, slots=True)
class Difference:
    """F1 of a new model minus F1 of an old one, over the same people.

    Attributes
    ----------
    new_f1, old_f1 : float
        Over all people pooled.
    low, high : float
        95 % interval of the difference.
    people : int
        People who had anything to find or a mark.
    """

    new_f1: float
    old_f1: float
    low: float
    high: float
    people: int

    @property
    def change(self) -> float:
        """New minus old."""
        return self.new_f1 - self.old_f1

    @property
    def verdict(self) -> str:
        """Say whether the new one is better, worse, or not distinguishable; or why not."""
        if not np.isfinite(self.change):
            return UNKNOWN
        if self.people < FEWEST_PEOPLE:
            return FEW
        if self.low <= 0 <= self.high:
            return ALIKE
        return BETTER if self.low > 0 else WORSE


def compare_f1(
    new: Sequence[Counts], old: Sequence[Counts], *, seed: int = 0, draws: int = DRAWS
) -> Difference:
    """Compare two models' F1 with an interval over people.

    Parameters
    ----------
    new, old : sequence of Counts
        One a person, in the same order.
    seed : int
        Same seed, same interval.
    draws : int
        How many resamples.
    """
    first, second = _array(new), _array(old)
    used = (first[:, :3].sum(axis=1) + second[:, :3].sum(axis=1)) > 0
    first, second = first[used], second[used]
    if not len(first):
        nan = float("nan")
        return Difference(nan, nan, nan, nan, 0)
    rng = np.random.default_rng(seed)
    picks = rng.integers(0, len(first), size=(draws, len(first)))
    changes = _f1(first[picks].sum(axis=1)) - _f1(second[picks].sum(axis=1))
    changes = changes[np.isfinite(changes)]
    low, high = np.quantile(changes, (0.025, 0.975)) if len(changes) else (np.nan, np.nan)
    whole_new, whole_old = _f1(first.sum(axis=0)), _f1(second.sum(axis=0))
    return Difference(float(whole_new), float(whole_old), float(low), float(high), len(first))


def _array(counts: Sequence[Counts]) -> npt.NDArray[np.float64]:
    """Lay counts out as (n_people, 4): hit, false, missed, clear."""
    rows = [(c.hit, c.false, c.missed, c.clear) for c in counts]
    return np.array(rows, dtype=float).reshape(-1, 4)


def _f1(counts: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Compute F1 along the last axis; NaN where there was nothing."""
    hit, false, missed = counts[..., 0], counts[..., 1], counts[..., 2]
    with np.errstate(invalid="ignore"):
        return np.asarray(2 * hit / (2 * hit + false + missed))
