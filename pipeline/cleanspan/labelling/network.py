"""The estimator as it is shipped: a few small neural networks as plain arrays.

A feed-forward network is two matrix products a layer, so prediction costs about as much as
reading the file, and its file holds numbers only: loading one cannot run code.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Scaling:
    """Brings features to a common scale; what is missing becomes the middle.

    Attributes
    ----------
    centre, spread : ndarray of shape (n_features,)
    reach : float
        Scaled values are kept within ±reach: a network must not extrapolate.
    """

    centre: Array
    spread: Array
    reach: float = 4.0

    def apply(self, features: Array) -> Array:
        """Scale rows, ndarray of shape (n_rows, n_features)."""
        scaled = (features - self.centre) / self.spread
        np.clip(scaled, -self.reach, self.reach, out=scaled)
        np.nan_to_num(scaled, copy=False, nan=0.0)
        return scaled


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """One network with one output: rectified layers, then a logit.

    Attributes
    ----------
    weights, biases : tuples of ndarray
        One of each a layer; the last has one output.
    """

    weights: tuple[Array, ...]
    biases: tuple[Array, ...]

    def logit(self, scaled: Array) -> Array:
        """Output of each row, ndarray of shape (n_rows,)."""
        signal = scaled
        last = len(self.weights) - 1
        for layer, (weight, bias) in enumerate(zip(self.weights, self.biases, strict=True)):
            signal = signal @ weight
            signal += bias
            if layer < last:
                np.maximum(signal, 0, out=signal)
        return signal[:, 0]


@dataclass(frozen=True, slots=True, eq=False)
class Head:
    """All that one label needs: networks that vote, and the calibration of their vote.

    Attributes
    ----------
    label : str
    networks : tuple of Network
        Their logits are averaged.
    slope, offset : float
        Calibration: probability = 1 / (1 + exp(-(slope · logit + offset))) (Platt 1999).
    """

    label: str
    networks: tuple[Network, ...]
    slope: float = 1.0
    offset: float = 0.0

    def logit(self, scaled: Array) -> Array:
        """Mean logit before calibration, ndarray of shape (n_rows,)."""
        total = self.networks[0].logit(scaled)
        for network in self.networks[1:]:
            total = total + network.logit(scaled)
        return total / np.float32(len(self.networks))

    def probability(self, scaled: Array) -> Array:
        """Calibrated probability of each row, ndarray of shape (n_rows,)."""
        logit = self.logit(scaled) * np.float32(self.slope) + np.float32(self.offset)
        return logistic(logit)


def logistic(logit: Array) -> Array:
    """1 / (1 + exp(-logit)), without overflow."""
    grown = np.exp(-np.clip(logit, -30, 30))
    grown += 1
    probability: Array = np.reciprocal(grown, dtype=np.float32)
    return probability


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """Heads that read the same features: one for channel-windows, one for channel-events.

    Attributes
    ----------
    features : tuple of str
        Names of the columns, in order.
    scaling : Scaling
    heads : tuple of Head
    """

    features: tuple[str, ...]
    scaling: Scaling
    heads: tuple[Head, ...]

    @property
    def labels(self) -> tuple[str, ...]:
        """Labels of the heads, in order."""
        return tuple(head.label for head in self.heads)

    def probabilities(self, features: Array, *, at_once: int = 8192) -> Array:
        """Probability of each label for each row, ndarray of shape (n_rows, n_labels).

        Parameters
        ----------
        features : ndarray of shape (n_rows, n_features)
        at_once : int
            Rows handled at a time, so that the layers stay in the processor's cache.
        """
        out = np.empty((len(features), len(self.heads)), dtype=np.float32)
        for first in range(0, len(features), at_once):
            scaled = self.scaling.apply(features[first : first + at_once])
            for column, head in enumerate(self.heads):
                out[first : first + at_once, column] = head.probability(scaled)
        return out


def columns_of(names: Sequence[str], wanted: Sequence[str]) -> npt.NDArray[np.int64]:
    """Places of the wanted features among names."""
    return np.array([names.index(name) for name in wanted], dtype=np.int64)
