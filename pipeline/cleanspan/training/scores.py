"""Counts of right and wrong marks, and the numbers made of them."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.floating[Any]]
IntArray = npt.NDArray[np.integer[Any]]


def ratio(part: float, whole: float) -> float:
    """Divide, with NaN where there is nothing to divide by."""
    return part / whole if whole else float("nan")


def harmonic_mean(precision: float, recall: float) -> float:
    """Combine precision and recall; NaN where one is not known, or both are 0."""
    return ratio(2 * precision * recall, precision + recall)


@dataclass(frozen=True, slots=True)
class Counts:
    """Cells by what the truth and the marks say.

    Attributes
    ----------
    hit, false, missed, clear : int
        Marked and true, marked only, true only, neither.
    unread : int
        Hits in recordings where nobody said what was read: no mark can be false there, so they
        count for recall alone.
    """

    hit: int = 0
    false: int = 0
    missed: int = 0
    clear: int = 0
    unread: int = 0

    def __add__(self, other: "Counts") -> "Counts":
        """Pool two sets of cells."""
        return Counts(
            self.hit + other.hit,
            self.false + other.false,
            self.missed + other.missed,
            self.clear + other.clear,
            self.unread + other.unread,
        )

    @property
    def known(self) -> int:
        """Number of cells with a known truth."""
        return self.hit + self.false + self.missed + self.clear

    @property
    def precision(self) -> float:
        """Share of the marked cells that are true, where somebody said what was read."""
        read = self.hit - self.unread
        return ratio(read, read + self.false)

    @property
    def recall(self) -> float:
        """Share of the true cells that are marked."""
        return ratio(self.hit, self.hit + self.missed)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        if self.unread:
            return harmonic_mean(self.precision, self.recall)
        return ratio(2 * self.hit, 2 * self.hit + self.false + self.missed)

    @property
    def kappa(self) -> float:
        """Cohen's kappa; NaN where some hits lie where nobody said what was read."""
        if self.unread:
            return float("nan")
        return cohen_kappa([[self.hit, self.missed], [self.false, self.clear]])


@dataclass(frozen=True, slots=True)
class EventCounts:
    """Events of one label and their marks.

    Attributes
    ----------
    true, found : int
        Events there were, and those with a mark.
    marks, right : int
        Marks there were, and those with an event. In one-to-one matching found equals right.
    unread : int
        Marks that are right in recordings where nobody said what was read; see `Counts`.
    """

    true: int = 0
    found: int = 0
    marks: int = 0
    right: int = 0
    unread: int = 0

    def __add__(self, other: "EventCounts") -> "EventCounts":
        """Pool two sets of events."""
        return EventCounts(
            self.true + other.true,
            self.found + other.found,
            self.marks + other.marks,
            self.right + other.right,
            self.unread + other.unread,
        )

    @property
    def precision(self) -> float:
        """Share of the marks that are right, where somebody said what was read."""
        return ratio(self.right - self.unread, self.marks - self.unread)

    @property
    def recall(self) -> float:
        """Share of the events that were found."""
        return ratio(self.found, self.true)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall; 0 where marks and events never meet."""
        if self.true + self.marks == 0:
            return float("nan")
        if self.right == 0 or self.found == 0:
            return 0.0
        return harmonic_mean(self.precision, self.recall)


def count_cells(marked: IntArray, truth: IntArray) -> Counts:
    """Count cells where both sides are known (1 or 0, not -1).

    Parameters
    ----------
    marked, truth : ndarray of equal shape
        1 there, 0 not there, below 0 unknown.
    """
    known = (marked >= 0) & (truth >= 0)
    there, true = marked[known] == 1, truth[known] == 1
    hit = int((there & true).sum())
    return Counts(hit, int(there.sum()) - hit, int(true.sum()) - hit, int((~there & ~true).sum()))


def cohen_kappa(matrix: npt.ArrayLike) -> float:
    """Compute Cohen's kappa of a confusion matrix (Cohen 1960).

    Parameters
    ----------
    matrix : array-like of shape (n_classes, n_classes)
        Counts; rows one judge, columns the other.

    Returns
    -------
    float
        1 for full agreement, 0 for chance; NaN where both judges used one and the same class.
    """
    counts = np.asarray(matrix, dtype=float)
    total = counts.sum()
    if total == 0:
        return float("nan")
    observed = np.trace(counts) / total
    expected = float(counts.sum(axis=0) @ counts.sum(axis=1)) / total**2
    return float(ratio(observed - expected, 1 - expected))


def macro_f1(matrix: npt.ArrayLike) -> float:
    """Average the classes' F1 over a confusion matrix; classes that never occur do not count."""
    counts = np.asarray(matrix, dtype=float)
    both = counts.sum(axis=0) + counts.sum(axis=1)
    present = both > 0
    return float(np.mean(2 * np.diag(counts)[present] / both[present]))


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """How well probabilities agree with what happened.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a bin: low, high, count, mean_probability, observed_share.
    expected_error : float
        Expected calibration error: bins' gaps weighted by their counts (Naeini et al. 2015).
    brier : float
        Mean squared difference between probability and outcome (Brier 1950).
    """

    table: "pd.DataFrame"
    expected_error: float
    brier: float


def calibration(probability: FloatArray, truth: IntArray, *, bins: int = 10) -> Calibration:
    """Compare probabilities with known truth.

    Parameters
    ----------
    probability : ndarray, 0 to 1
    truth : ndarray of equal shape
        1 there, 0 not there, below 0 unknown (left out).
    bins : int
        Number of bins of equal width.
    """
    import pandas as pd

    known = (truth >= 0) & np.isfinite(probability)
    p, y = probability[known].astype(float), truth[known].astype(float)
    edges = np.linspace(0, 1, bins + 1)
    which = np.clip(np.digitize(p, edges[1:-1], right=False), 0, bins - 1)
    count = np.bincount(which, minlength=bins)
    with np.errstate(invalid="ignore"):
        mean_p = np.bincount(which, weights=p, minlength=bins) / count
        share = np.bincount(which, weights=y, minlength=bins) / count
    table = pd.DataFrame(
        {
            "low": edges[:-1],
            "high": edges[1:],
            "count": count,
            "mean_probability": mean_p,
            "observed_share": share,
        }
    )
    if not len(p):
        return Calibration(table, float("nan"), float("nan"))
    gap = float(np.nansum(np.abs(mean_p - share) * count) / len(p))
    return Calibration(table, gap, float(np.mean((p - y) ** 2)))
