"""Fits one head a label on labelled tables, with calibration learnt on people left out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from cleanspan.features.registry import EVENT_NAMES, SNAPS, WHOLE_HEAD, WINDOW_NAMES
from cleanspan.labelling.network import Array, Head, Network, Panel, Scaling, columns_of
from cleanspan.training.dataset import Table
from cleanspan.training.truth import POSITIVE, UNKNOWN
from cleanspan.types import BLINK, CONTACT_LOSS, LINE_NOISE, MUSCLE


@dataclass(frozen=True, slots=True)
class View:
    """What some of a label's networks look like.

    Attributes
    ----------
    hidden : tuple of int
        Units of the hidden layers.
    decay : float
        L2 penalty.
    networks : int
        How many of this view vote; they differ by their seed.
    features : tuple of str
        The only features they see; empty for all. A narrow view knows less and errs elsewhere.
    """

    hidden: tuple[int, ...] = (32, 16)
    decay: float = 0.1
    networks: int = 2
    features: tuple[str, ...] = ()


_FAST_STEMS = ("band_20_30", "band_30_45", "band_65_78", "slope_high", "fast_size", "faster_size")
FAST = tuple(
    name
    for name in WINDOW_NAMES
    if name in ("band_20_30", "band_30_45", "band_65_78", "fast_size", "faster_size", "flatness")
    or name in ("band_20_30_above", "band_30_45_above", "band_65_78_above")
    or name in ("mobility_middle", *(f"{stem}_around" for stem in _FAST_STEMS))
    or name in tuple(f"{stem}_middle" for stem in _FAST_STEMS)
)
"""What lasting muscle is judged by: fast activity, now, around and over the whole recording."""

_WIDE_STEMS = tuple(feature.name for feature in WHOLE_HEAD + SNAPS)
NEARBY = tuple(name for name in WINDOW_NAMES if not name.startswith((*_WIDE_STEMS, "hum")))
"""All but what a channel has to do with the whole head, snaps, and hum that comes and goes: with
the first two, muscle was told worse in people left out and in simulation."""

MEASURED = ("mains", "mains_around", "mains_rms")
"""What line noise is defined by; anything else would only mislead. What a channel shows over the
whole recording is not among it: an appliance is switched on and off."""

SHOWN = tuple(name for name in WINDOW_NAMES if not name.startswith("mains"))
"""What contact loss is told by: all but how large the mains are. A loose electrode picks them up,
but so does a good one near a cable, and the two recordings with strong mains to learn from are too
few. That they come and go (`hum_above`) is told: injected faults say what that means."""

_MUSCULAR = ("neighbour_r_fast", "neighbour_r_fast_best", "fast_size", "faster_size")
NOW = tuple(name for name in SHOWN if name not in tuple(f"{stem}_middle" for stem in _MUSCULAR))
"""The same without what tells that a channel has muscle all the time: noise of an electrode that
is off from start to end looks like it. Together the two views err less than either."""

VIEWS: Mapping[str, tuple[View, ...]] = {
    MUSCLE: (View((4,), 0.3, 4, FAST), View((16,), 1.0, 4, NEARBY)),
    LINE_NOISE: (View((8,), 0.01, 1, MEASURED),),
    CONTACT_LOSS: (View((32, 16), 1.0, 4, SHOWN), View((32, 16), 1.0, 4, NOW)),
    BLINK: (View((24,), 0.05, 3),),
}
"""Chosen by people left out (see the model card); a lab's own label gets `OTHER_VIEWS`."""
OTHER_VIEWS = (View((24,), 0.1, 2),)


@dataclass(frozen=True, slots=True)
class Recipe:
    """How heads are fitted.

    Attributes
    ----------
    views : mapping of str to tuple of View
        By label.
    epochs : int
    batch : int
    most_rows : int
        A sample that knows more rows of a label is thinned to this many, so that a lot of
        simulation does not crowd out the little that people read.
    most_rows_of : mapping of str to int
        The same by label where it differs: what people read says little about lost contact.
    folds : int
        Groups of people left out in turn for the calibration.
    seed : int
    """

    views: Mapping[str, tuple[View, ...]] = field(default_factory=lambda: VIEWS)
    epochs: int = 10
    batch: int = 512
    most_rows: int = 100_000
    most_rows_of: Mapping[str, int] = field(default_factory=lambda: {CONTACT_LOSS: 250_000})
    folds: int = 3
    seed: int = 20_260

    def views_of(self, label: str) -> tuple[View, ...]:
        """Give the views of a label."""
        return self.views.get(label, OTHER_VIEWS)


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
    low, centre, high = (_column_quantile(stacked, share) for share in (0.25, 0.5, 0.75))
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
    """Give the standard deviation of what is known in each column."""
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
    names = WINDOW_NAMES if rows.shape[1] == len(WINDOW_NAMES) else EVENT_NAMES
    work = _Work(scaled, truth, weight, names, recipe)
    slope, offset = _calibration(work, person, recipe.views_of(label))
    return Head(label, work.networks(recipe.views_of(label), seed=recipe.seed), slope, offset)


def known_rows(
    samples: Sequence[Sample], label: str, *, recipe: Recipe
) -> tuple[Array, npt.NDArray[np.int8], npt.NDArray[np.float64], npt.NDArray[np.str_]]:
    """Rows about which the label is known: features, truth, weight, person."""
    rng = np.random.default_rng(recipe.seed)
    parts: list[tuple[Array, npt.NDArray[np.int8], npt.NDArray[np.float64], npt.NDArray[np.str_]]]
    parts = []
    for sample in samples:
        if label not in sample.table.truth:
            continue
        known = np.flatnonzero(sample.table.truth[label] != UNKNOWN)
        size = min(known.size, recipe.most_rows_of.get(label, recipe.most_rows))
        chosen = np.sort(rng.choice(known, size=size, replace=False))
        table = sample.table
        parts.append(
            (
                table.features[chosen],
                (table.truth[label][chosen] == POSITIVE).astype(np.int8),
                np.full(chosen.size, sample.weight),
                table.person[chosen],
            )
        )
    if not parts:
        nothing = np.empty(0)
        width = samples[0].table.features.shape[1]
        return (
            np.empty((0, width), np.float32),
            nothing.astype(np.int8),
            nothing,
            nothing.astype(str),
        )
    rows, truth, weight, person = (np.concatenate(column) for column in zip(*parts, strict=True))
    return rows, truth, weight, person


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """Scaled rows of one label and how networks are fitted to them."""

    scaled: Array
    truth: npt.NDArray[np.int8]
    weight: npt.NDArray[np.float64]
    names: Sequence[str]
    recipe: Recipe

    def rows(self, keep: npt.NDArray[np.bool_]) -> "_Work":
        """Choose some rows."""
        return _Work(
            self.scaled[keep], self.truth[keep], self.weight[keep], self.names, self.recipe
        )

    def networks(self, views: Sequence[View], *, seed: int) -> tuple[Network, ...]:
        """Fit all networks of the views."""
        return tuple(
            self._network(view, seed=seed + 10 * place + number)
            for place, view in enumerate(views)
            for number in range(view.networks)
        )

    def _network(self, view: View, *, seed: int) -> Network:
        """Fit one network; features outside its view get weights of zero."""
        columns = columns_of(self.names, view.features or tuple(self.names))
        network = fit_network(
            self.scaled[:, columns],
            self.truth,
            self.weight,
            view=view,
            recipe=self.recipe,
            seed=seed,
        )
        first = np.zeros((self.scaled.shape[1], network.weights[0].shape[1]), dtype=np.float32)
        first[columns] = network.weights[0]
        return Network((first, *network.weights[1:]), network.biases)


def fit_network(
    scaled: Array,
    truth: npt.NDArray[np.int8],
    weight: npt.NDArray[np.float64],
    *,
    view: View,
    recipe: Recipe,
    seed: int,
) -> Network:
    """Fit one network with scikit-learn and take its arrays."""
    import warnings

    from sklearn.exceptions import ConvergenceWarning
    from sklearn.neural_network import MLPClassifier

    network = MLPClassifier(
        hidden_layer_sizes=view.hidden,
        alpha=view.decay,
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
        # scikit-learn takes Ctrl-C for "enough of this fit" and goes on to the next one.
        warnings.filterwarnings("error", "Training interrupted by user", UserWarning)
        try:
            network.fit(scaled, truth, sample_weight=weight / weight.mean())
        except UserWarning as warning:
            raise KeyboardInterrupt from warning
    return Network(
        tuple(np.asarray(part, dtype=np.float32) for part in network.coefs_),
        tuple(np.asarray(part, dtype=np.float32) for part in network.intercepts_),
    )


def _calibration(
    work: _Work, person: npt.NDArray[np.str_], views: Sequence[View]
) -> tuple[float, float]:
    """Slope and offset that turn the logits of people left out into probabilities.

    Platt 1999: a logistic regression of the truth on the logit.
    """
    from sklearn.linear_model import LogisticRegression

    recipe, truth = work.recipe, work.truth
    groups = person_folds(person, recipe.folds, seed=recipe.seed)
    logits = np.zeros(len(truth), dtype=np.float32)
    done = np.zeros(len(truth), dtype=bool)
    for fold in range(recipe.folds):
        left_out = groups == fold
        if not left_out.any() or np.unique(truth[~left_out]).size < 2:
            continue
        networks = work.rows(~left_out).networks(views, seed=recipe.seed + 1000 * (fold + 1))
        logits[left_out] = Head("", networks).logit(work.scaled[left_out])
        done |= left_out
    if not done.any() or np.unique(truth[done]).size < 2:
        return 1.0, 0.0
    fitted = LogisticRegression(C=1.0).fit(
        np.clip(logits[done, None], -15, 15), truth[done], sample_weight=work.weight[done]
    )
    slope = float(np.clip(fitted.coef_[0, 0], 0.2, 2.0))
    return slope, float(np.clip(fitted.intercept_[0], -2, 2))


def person_folds(person: npt.NDArray[np.str_], folds: int, *, seed: int) -> npt.NDArray[np.int64]:
    """Give each row the fold of its person; a person is never in two folds."""
    people = np.unique(person)
    order = np.random.default_rng(seed).permutation(len(people))
    fold_of = dict(zip(people[order], np.arange(len(people)) % folds, strict=True))
    return np.array([fold_of[who] for who in person], dtype=np.int64)
