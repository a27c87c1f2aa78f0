"""Whether a recording still looks like what the model learned from.

Each feature's values are sorted into the training data's tenths, and how unevenly they fall is
measured by the population stability index, the symmetric Kullback-Leibler divergence of the two
histograms (Jeffreys 1946; as an index: Siddiqi 2006, *Credit Risk Scorecards*, from memory).
Every recording differs from the crowd, so the index is judged by the training recordings' own.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating[Any]]

TENTHS = 10
ROWS_AT_ONCE = 2048
FLOOR = 1e-3
"""Shares below this count as this: one empty tenth must not be infinite."""

USUAL_QUANTILE = 0.99
"""A recording is unusual beyond this quantile of the training recordings."""

FEWEST_RECORDINGS = 10
NAMED = 5
"""How many features a warning names at most."""


@dataclass(frozen=True, slots=True, eq=False)
class DriftReference:
    """What the model's training recordings looked like.

    Attributes
    ----------
    names : tuple of str
        Feature names.
    edges : ndarray of shape (n_features, 9)
        Borders between the training data's tenths; NaN where it never had a value.
    shares : ndarray of shape (n_features, 11)
        Training share in each tenth, and last the share without a value.
    usual : ndarray of shape (n_features,)
        The index that 99 % of the training recordings stay below.
    usual_mean : float
        The same for the mean index over all features.
    """

    names: tuple[str, ...]
    edges: FloatArray
    shares: FloatArray
    usual: FloatArray
    usual_mean: float

    def arrays(self) -> dict[str, npt.NDArray[Any]]:
        """Give plain arrays for a weights file."""
        return {
            "drift_edges": self.edges.astype(np.float32),
            "drift_shares": self.shares.astype(np.float32),
            "drift_usual": self.usual.astype(np.float32),
            "drift_usual_mean": np.array([self.usual_mean], dtype=np.float32),
        }

    @classmethod
    def from_arrays(
        cls, names: Sequence[str], arrays: "dict[str, npt.NDArray[Any]]"
    ) -> "DriftReference":
        """Rebuild from `arrays`.

        Raises
        ------
        ValueError
            If shapes do not fit the names.
        """
        reference = cls(
            tuple(names),
            arrays["drift_edges"],
            arrays["drift_shares"],
            arrays["drift_usual"],
            float(arrays["drift_usual_mean"][0]),
        )
        wanted = ((len(names), TENTHS - 1), (len(names), TENTHS + 1), (len(names),))
        got = (reference.edges.shape, reference.shares.shape, reference.usual.shape)
        if wanted != got:
            raise ValueError(f"drift arrays must have the shapes {wanted}, got {got}")
        return reference


@dataclass(frozen=True, slots=True)
class Drift:
    """How far a recording lies from the training data.

    Attributes
    ----------
    mean_index : float
        Mean stability index over the features.
    usual_mean : float
        What 99 % of the training recordings stay below.
    moved : tuple of (str, float)
        Features beyond their own usual range and by which factor, the farthest first.
    """

    mean_index: float
    usual_mean: float
    moved: tuple[tuple[str, float], ...]

    @property
    def unusual(self) -> bool:
        """Whether the recording no longer looks like what the model knows."""
        return self.mean_index > self.usual_mean

    def text(self) -> str:
        """Say it in one sentence; empty where nothing is unusual."""
        if not self.unusual:
            return ""
        names = ", ".join(
            f"{name} ({factor:.1f} times its usual)" for name, factor in self.moved[:NAMED]
        )
        return (
            "this recording does not look like those the model learned from (stability index "
            f"{self.mean_index:.2f}, usually below {self.usual_mean:.2f}); moved most: {names}; "
            "check its marks by eye, and label some of it for retraining"
        )


def learn_reference(
    features: FloatArray, recordings: npt.NDArray[Any], names: Sequence[str]
) -> DriftReference:
    """Learn what training recordings look like.

    Parameters
    ----------
    features : ndarray of shape (n_rows, n_features)
        Training windows.
    recordings : ndarray of shape (n_rows,)
        Which recording each row is out of.
    names : sequence of str

    Returns
    -------
    DriftReference
        With fewer than `FEWEST_RECORDINGS` recordings, the largest index seen is doubled: so few
        say little about what is usual.
    """
    edges = _quantiles(features)
    groups = np.unique(recordings)
    counts = np.stack([_counts(features[recordings == group], edges) for group in groups])
    whole = counts.sum(axis=0)
    # Each recording is held against the others: against all of them, few recordings would seem
    # alike because each is part of the crowd.
    others = whole - counts if len(groups) > 1 else whole[None]
    indices = np.stack(
        [
            stability_index(shares_of(own), shares_of(rest))
            for own, rest in zip(counts, others, strict=True)
        ]
    )
    slack = 1.0 if len(groups) >= FEWEST_RECORDINGS else 2.0
    usual = np.quantile(indices, USUAL_QUANTILE, axis=0) * slack
    usual_mean = float(np.quantile(indices.mean(axis=1), USUAL_QUANTILE) * slack)
    return DriftReference(tuple(names), edges, shares_of(whole), usual, usual_mean)


def _counts(features: FloatArray, edges: FloatArray) -> FloatArray:
    """Count rows in each tenth; see `Histogram`."""
    counted = Histogram(edges)
    counted.add(features)
    return counted.counts


def shares_of(counts: FloatArray) -> FloatArray:
    """Turn counts of each feature into shares."""
    shares: FloatArray = counts / np.maximum(counts.sum(axis=-1, keepdims=True), 1)
    return shares


def _quantiles(features: FloatArray) -> FloatArray:
    """Find the tenths of each feature over the rows that have a value."""
    steps = np.arange(1, TENTHS) / TENTHS
    edges = np.full((features.shape[1], TENTHS - 1), np.nan)
    for place in range(features.shape[1]):
        values = features[:, place]
        values = values[np.isfinite(values)]
        if len(values):
            edges[place] = np.quantile(values, steps)
    return edges


class Histogram:
    """Counts how rows fall into the training data's tenths, block by block.

    Parameters
    ----------
    edges : ndarray of shape (n_features, 9)
    """

    def __init__(self, edges: FloatArray) -> None:
        self.edges = edges
        self._counts: FloatArray = np.zeros((len(edges), TENTHS + 1))
        self._waiting: list[FloatArray] = []
        self._n_waiting = 0

    def add(self, rows: FloatArray) -> None:
        """Count rows, ndarray of shape (n_rows, n_features)."""
        self._waiting.append(rows)
        self._n_waiting += len(rows)
        if self._n_waiting >= ROWS_AT_ONCE:
            self._count()

    def _count(self) -> None:
        """Count what waits: many rows at once cost little more than a few."""
        if not self._waiting:
            return
        rows = np.concatenate(self._waiting)
        self._waiting, self._n_waiting = [], 0
        for place, edges in enumerate(self.edges):
            values = rows[:, place]
            there = np.isfinite(values)
            # An edge that stands several times (a feature with few values) fills the last of
            # its tenths, in training and in the recording alike.
            which = np.searchsorted(edges, values[there], side="right")
            self._counts[place, :TENTHS] += np.bincount(which, minlength=TENTHS)[:TENTHS]
            self._counts[place, TENTHS] += (~there).sum()

    @property
    def counts(self) -> FloatArray:
        """Counts of each feature, ndarray of shape (n_features, 11); the last without a value."""
        self._count()
        return self._counts

    @property
    def shares(self) -> FloatArray:
        """The same as shares."""
        return shares_of(self.counts)


def histogram(blocks: Iterable[FloatArray], edges: FloatArray) -> FloatArray:
    """Count all blocks; see `Histogram`."""
    counted = Histogram(edges)
    for block in blocks:
        counted.add(block)
    return counted.shares


def stability_index(shares: FloatArray, expected: FloatArray) -> FloatArray:
    """Compute the population stability index of each feature: Σ (a - e) ln(a / e).

    Parameters
    ----------
    shares, expected : ndarray of shape (n_features, n_bins)

    Returns
    -------
    ndarray of shape (n_features,)
        0 for equal histograms.
    """
    a, e = np.maximum(shares, FLOOR), np.maximum(expected, FLOOR)
    return np.asarray(((a - e) * np.log(a / e)).sum(axis=1))


def measure_drift(blocks: Iterable[FloatArray], reference: DriftReference) -> Drift:
    """Measure how far a recording's windows lie from the training data.

    Parameters
    ----------
    blocks : iterable of ndarray of shape (n_rows, n_features)
        All windows, or every so many: a whole night streams through.
    reference : DriftReference
    """
    return drift_of(histogram(blocks, reference.edges), reference)


def drift_of(shares: FloatArray, reference: DriftReference) -> Drift:
    """Judge a recording's shares; see `Histogram`."""
    index = stability_index(shares, reference.shares)
    factor = index / np.maximum(reference.usual, FLOOR)
    order = np.argsort(-factor, kind="stable")
    moved = tuple((reference.names[i], float(factor[i])) for i in order if factor[i] > 1)
    return Drift(float(index.mean()), reference.usual_mean, moved)


def load_reference(folder: Path, names: Sequence[str]) -> DriftReference | None:
    """Read what a model's training recordings looked like; None where it brings nothing.

    Parameters
    ----------
    folder : Path
        A model folder that was loaded, and so checked, before.
    names : sequence of str
        The model's window features.
    """
    path = folder / "weights.npz"
    if not path.is_file():
        return None
    with np.load(path, allow_pickle=False) as stored:
        arrays = {name: stored[name] for name in stored.files if name.startswith("drift_")}
    return DriftReference.from_arrays(names, arrays) if arrays else None
