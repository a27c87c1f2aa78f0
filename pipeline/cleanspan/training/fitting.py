"""Fits one head a label on labelled tables, with calibration learnt on people left out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.features.registry import EVENT_NAMES, WINDOW_NAMES
from cleanspan.labelling.network import Array, Head, Network, Panel, Scaling
from cleanspan.training.dataset import Table
from cleanspan.training.truth import POSITIVE, UNKNOWN

QUANTILES = (0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99)


@dataclass(frozen=True, slots=True)
class Recipe:
    """How heads are fitted.

    Attributes
    ----------
    hidden : tuple of int
        Units of the hidden layers.
    networks : int
        How many networks vote for each label; they differ by their seed.
    decay : float
        L2 penalty.
    epochs : int
    batch : int
    most_rows : int
        A label with more known rows is thinned to this many, evenly by weight.
    folds : int
        Groups of people left out in turn for the calibration.
    seed : int
    """

    hidden: tuple[int, ...] = (32, 16)
    networks: int = 3
    decay: float = 3e-3
    epochs: int = 14
    batch: int = 512
    most_rows: int = 160_000
    folds: int = 5
    seed: int = 20_260


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """A table and how much a row of it counts.

    Attributes
    ----------
    table : Table
    weight : float
        Weight of each row.
    """

    table: Table
    weight: float = 1.0


def scaling_of(samples: Sequence[Sample], *, seed: int) -> Scaling:
    """Centre and spread of each feature: medians and quartile ranges, robust to faults."""
    rng = np.random.default_rng(seed)
    parts = []
    for sample in samples:
        rows = sample.table.features
        chosen = rng.choice(len(rows), size=min(len(rows), 40_000), replace=False)
        parts.append(rows[np.sort(chosen)])
    stacked = np.concatenate(parts)
    low, centre, high = (
        _column_quantile(stacked, share) for share in (0.25, 0.5, 0.75)
    )
    deviation = _column_deviation(stacked)
    spread = np.maximum((high - low) / 1.349, 0.3 * deviation)
    spread = np.where(spread > 1e-3, spread, 1.0)
    return Scaling(centre.astype(np.float32), spread.astype(np.float32))


def _column_quantile(rows: Array, share: float) -> npt.NDArray[np.float64]:
    """Quantile of what is known in each column; 0 for a column without a value."""
    out = np.zeros(rows.shape[1])
    for column in range(rows.shape[1]):
        known = rows[np.isfinite(rows[:, column]), column]
        if known.size:
            out[column] = np.quantile(known, share)
    return out


def _column_deviation(rows: Array) -> npt.NDArray[np.float64]:
    """Standard deviation of what is known in each column."""
    known = np.isfinite(rows)
    count = np.maximum(known.sum(axis=0), 1)
    mean = np.where(known, rows, 0).sum(axis=0) / count
    square = np.where(known, (rows - mean) ** 2, 0).sum(axis=0) / count
    deviation: npt.NDArray[np.float64] = np.sqrt(square)
    return deviation


def fit_panel(
    kind: str, samples: Sequence[Sample], labels: Sequence[str], *, recipe: Recipe | None = None
) -> Panel:
    """Fit one head for each label.

    Parameters
    ----------
    kind : {"windows", "events"}
        Which features the rows hold.
    samples : sequence of Sample
    labels : sequence of str
        A label that no row knows both ways gets no head.
    recipe : Recipe, optional
    """
    recipe = recipe or Recipe()
    names = WINDOW_NAMES if kind == "windows" else EVENT_NAMES
    scaling = scaling_of(samples, seed=recipe.seed)
    heads = [fit_head(samples, label, scaling, recipe=recipe) for label in labels]
    return Panel(tuple(names), scaling, tuple(head for head in heads if head is not None))


def fit_head(
    samples: Sequence[Sample], label: str, scaling: Scaling, *, recipe: Recipe
) -> Head | None:
    """Fit the networks of one label and calibrate their vote on people left out."""
    rows, truth, weight, person = known_rows(samples, label, recipe=recipe)
    if np.unique(truth).size < 2:
        return None
    scaled = scaling.apply(rows)
    slope, offset = _calibration(scaled, truth, weight, person, recipe=recipe)
    networks = tuple(
        fit_network(scaled, truth, weight, recipe=recipe, seed=recipe.seed + number)
        for number in range(recipe.networks)
    )
    return Head(label, networks, slope, offset)


def known_rows(
    samples: Sequence[Sample], label: str, *, recipe: Recipe
) -> tuple[Array, npt.NDArray[np.int8], npt.NDArray[np.float64], npt.NDArray[np.str_]]:
    """Rows about which the label is known: features, truth, weight, person."""
    rng = np.random.default_rng(recipe.seed)
    parts: list[tuple[Array, npt.NDArray[np.int8], npt.NDArray[np.float64], npt.NDArray[np.str_]]]
    parts = []
    total = sum(
        int((sample.table.truth[label] != UNKNOWN).sum())
        for sample in samples
        if label in sample.table.truth
    )
    keep = min(recipe.most_rows / max(total, 1), 1.0)
    for sample in samples:
        if label not in sample.table.truth:
            continue
        known = np.flatnonzero(sample.table.truth[label] != UNKNOWN)
        chosen = np.sort(rng.choice(known, size=round(known.size * keep), replace=False))
        table = sample.table
        parts.append(
            (
                table.features[chosen],
                (table.truth[label][chosen] == POSITIVE).astype(np.int8),
                np.full(chosen.size, sample.weight),
                table.person[chosen],
            )
        )
    rows, truth, weight, person = (np.concatenate(column) for column in zip(*parts, strict=True))
    return rows, truth, weight, person


def fit_network(
    scaled: Array,
    truth: npt.NDArray[np.int8],
    weight: npt.NDArray[np.float64],
    *,
    recipe: Recipe,
    seed: int,
) -> Network:
    """Fit one network with scikit-learn and take its arrays."""
    import warnings

    from sklearn.exceptions import ConvergenceWarning
    from sklearn.neural_network import MLPClassifier

    network = MLPClassifier(
        hidden_layer_sizes=recipe.hidden,
        alpha=recipe.decay,
        batch_size=min(recipe.batch, len(scaled)),
        learning_rate_init=2e-3,
        max_iter=recipe.epochs,
        shuffle=True,
        random_state=seed,
        tol=0.0,
        n_iter_no_change=recipe.epochs + 1,
    )
    with warnings.catch_warnings():
        # The number of epochs is fixed on purpose: stopping early would need a validation set
        # by person, which the calibration already spends.
        warnings.simplefilter("ignore", ConvergenceWarning)
        network.fit(scaled, truth, sample_weight=weight / weight.mean())
    return Network(
        tuple(np.asarray(part, dtype=np.float32) for part in network.coefs_),
        tuple(np.asarray(part, dtype=np.float32) for part in network.intercepts_),
    )


def _calibration(
    scaled: Array,
    truth: npt.NDArray[np.int8],
    weight: npt.NDArray[np.float64],
    person: npt.NDArray[np.str_],
    *,
    recipe: Recipe,
) -> tuple[float, float]:
    """Slope and offset that turn the logits of people left out into probabilities.

    Platt 1999: a logistic regression of the truth on the logit.
    """
    from sklearn.linear_model import LogisticRegression

    groups = person_folds(person, recipe.folds, seed=recipe.seed)
    logits = np.zeros(len(truth), dtype=np.float32)
    done = np.zeros(len(truth), dtype=bool)
    for fold in range(recipe.folds):
        left_out = groups == fold
        rest = ~left_out
        if not left_out.any() or np.unique(truth[rest]).size < 2:
            continue
        network = fit_network(
            scaled[rest], truth[rest], weight[rest], recipe=recipe, seed=recipe.seed + 100 + fold
        )
        logits[left_out] = network.logit(scaled[left_out])
        done |= left_out
    if not done.any() or np.unique(truth[done]).size < 2:
        return 1.0, 0.0
    logits = np.clip(logits, -15, 15)
    fitted = LogisticRegression(C=1.0).fit(
        logits[done, None], truth[done], sample_weight=weight[done]
    )
    slope = float(np.clip(fitted.coef_[0, 0], 0.2, 1.5))
    return slope, float(np.clip(fitted.intercept_[0], -2, 2))


def person_folds(
    person: npt.NDArray[np.str_], folds: int, *, seed: int
) -> npt.NDArray[np.int64]:
    """Give each row the fold of its person; a person is never in two folds."""
    people = np.unique(person)
    order = np.random.default_rng(seed).permutation(len(people))
    fold_of = dict(zip(people[order], np.arange(len(people)) % folds, strict=True))
    return np.array([fold_of[who] for who in person], dtype=np.int64)


def feature_quantiles(samples: Sequence[Sample]) -> Array:
    """Quantiles of each feature in the training data, for the watch on drift.

    Returns
    -------
    ndarray of shape (n_features, n_quantiles)
        NaN columns become 0.
    """
    stacked = np.concatenate([sample.table.features for sample in samples])
    columns = [_column_quantile(stacked, share) for share in QUANTILES]
    return np.stack(columns, axis=1).astype(np.float32)


def metrics_table(scores: Mapping[str, float]) -> dict[str, float]:
    """Round figures for the manifest."""
    return {name: round(float(value), 4) for name, value in scores.items()}
