"""The estimator as it is shipped: a few small neural networks as plain arrays.

A feed-forward network is two matrix products a layer, so prediction costs about as much as
reading the file, and its file holds numbers only: loading one cannot run code.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

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
        np.copyto(scaled, 0, where=np.isnan(scaled))
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

    def floors(self, layer: int) -> Array:
        """Least value of each unit of a layer: hidden ones are rectified, the output is not."""
        is_output = layer == len(self.weights) - 1
        return np.full(self.biases[layer].shape, -np.inf if is_output else 0, dtype=np.float32)

    def logit(self, scaled: Array) -> Array:
        """Output of each row, ndarray of shape (n_rows,)."""
        return self.logit_after_first(
            _layer(scaled, self.weights[0], self.biases[0], self.floors(0))
        )

    def logit_after_first(self, signal: Array) -> Array:
        """Output of each row out of what the first layer gives, of shape (n_rows, n_units)."""
        for layer in range(1, len(self.weights)):
            signal = _layer(signal, self.weights[layer], self.biases[layer], self.floors(layer))
        return signal[:, 0]


def _layer(signal: Array, weights: Array, biases: Array, floors: Array) -> Array:
    """Pass rows through one layer."""
    sums: Array = signal @ weights
    sums += biases
    return np.maximum(sums, floors, out=sums)


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
        return _mean([network.logit(scaled) for network in self.networks])

    def calibrated(self, logits: Sequence[Array]) -> Array:
        """Probability of each row out of the networks' logits, ndarray of shape (n_rows,)."""
        return logistic(_mean(logits) * np.float32(self.slope) + np.float32(self.offset))

    def probability(self, scaled: Array) -> Array:
        """Calibrated probability of each row, ndarray of shape (n_rows,)."""
        return self.calibrated([network.logit(scaled) for network in self.networks])


def _mean(logits: Sequence[Array]) -> Array:
    total = logits[0]
    for more in logits[1:]:
        total = total + more
    return total / np.float32(len(logits))


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
        networks = [network for head in self.heads for network in head.networks]
        if not networks:
            return out
        # All first layers in one product: a wide one is much faster than many thin ones.
        weights = np.concatenate([network.weights[0] for network in networks], axis=1)
        biases = np.concatenate([network.biases[0] for network in networks])
        floors = np.concatenate([network.floors(0) for network in networks])
        ends = np.cumsum([len(network.biases[0]) for network in networks])[:-1]
        for first in range(0, len(features), at_once):
            scaled = self.scaling.apply(features[first : first + at_once])
            parts = np.split(_layer(scaled, weights, biases, floors), ends, axis=1)
            pairs = zip(networks, parts, strict=True)
            logits = iter([network.logit_after_first(part) for network, part in pairs])
            for column, head in enumerate(self.heads):
                own = list(islice(logits, len(head.networks)))
                out[first : first + at_once, column] = head.calibrated(own)
        return out


def columns_of(names: Sequence[str], wanted: Sequence[str]) -> npt.NDArray[np.int64]:
    """Places of the wanted features among names."""
    return np.array([names.index(name) for name in wanted], dtype=np.int64)
