"""Fitting: no person on both sides, missing labels, known answers on easy data."""

import numpy as np
import pytest

from cleanspan.features.registry import SNAPS, WHOLE_HEAD, WINDOW_NAMES
from cleanspan.training.fitting import (
    Recipe,
    Sample,
    View,
    fit_network,
    fit_panel,
    known_rows,
    person_folds,
    scaling_of,
)

QUICK = Recipe(views={"muscle": (View((4,), 1e-3, 2),)}, epochs=25, folds=3, batch=64)


def test_a_person_is_never_in_two_folds():
    person = np.random.default_rng(0).choice(list("abcdefg"), 500)
    folds = person_folds(person, 3, seed=1)
    assert all(np.unique(folds[person == who]).size == 1 for who in "abcdefg")
    sizes = [np.unique(person[folds == fold]).size for fold in range(3)]
    assert sorted(sizes) == [2, 2, 3]


def test_scaling_takes_medians_and_is_not_moved_by_what_is_missing(table):
    made = table(400)
    made.features[:, 0] = np.nan
    made.features[::2, 1] = np.nan
    made.features[:, 2] = 7.0
    scaling = scaling_of([Sample(made)], seed=0)
    assert (scaling.centre[0], scaling.spread[0]) == (0, 1)
    assert scaling.centre[1] == pytest.approx(0, abs=0.15)
    assert scaling.spread[1] == pytest.approx(1, abs=0.15)
    assert (scaling.centre[2], scaling.spread[2]) == (7, 1)
    assert np.isfinite(scaling.centre).all()
    assert (scaling.spread > 0).all()


def test_known_rows_are_thinned_sample_by_sample_and_weighted(table):
    samples = [Sample(table(400)), Sample(table(100, ("dora",), seed=1, unknown=40), weight=3.0)]
    recipe = Recipe(most_rows=630)  # the first sample knows more, the second fewer
    rows, truth, weight, person = known_rows(samples, "muscle", recipe=recipe)
    assert len(rows) == len(truth) == len(weight) == len(person) == 630 + 60
    assert (person == "dora").sum() == 60
    assert set(weight[person == "dora"]) == {3.0}
    assert set(truth) == {0, 1}


def test_muscle_is_not_told_by_the_whole_head_nor_by_snaps(table):
    """As the shipped model is fitted: told by them, it was told worse in people left out."""
    panel = fit_panel("windows", [Sample(table(300))], ["muscle"], recipe=Recipe(epochs=1))
    stems = tuple(feature.name for feature in WHOLE_HEAD + SNAPS)
    wide = np.array([name.startswith(stems) for name in WINDOW_NAMES])
    used = sum(np.abs(network.weights[0]).sum(axis=1) for network in panel.heads[0].networks)
    assert (used[wide] == 0).all()
    assert (used[~wide] > 0).mean() > 0.9


def test_an_easy_label_is_learnt(table):
    panel = fit_panel("windows", [Sample(table(1000))], ["muscle"], recipe=QUICK)
    assert panel.labels == ("muscle",)
    fresh = table(300, ("new",), seed=9)
    answers = panel.probabilities(fresh.features)[:, 0]
    assert ((answers > 0.5) == (fresh.truth["muscle"] == 1)).mean() > 0.93
    # calibrated: among those called 70 to 100 % probable, most are
    assert (fresh.truth["muscle"][answers > 0.7] == 1).mean() > 0.85


def test_the_same_seed_gives_the_same_network(table):
    one, other = (fit_panel("windows", [Sample(table())], ["muscle"], recipe=QUICK) for _ in "ab")
    rows = table(20, seed=4).features
    np.testing.assert_array_equal(one.probabilities(rows), other.probabilities(rows))


def test_a_view_sees_its_features_only(table):
    recipe = Recipe(views={"muscle": (View((4,), 1e-3, 1, ("rms", "fast_size")),)}, epochs=5)
    panel = fit_panel("windows", [Sample(table())], ["muscle"], recipe=recipe)
    rows = table(50, seed=4).features
    changed = rows.copy()
    seen = [WINDOW_NAMES.index(name) for name in ("rms", "fast_size")]
    hidden = [place for place in range(rows.shape[1]) if place not in seen]
    changed[:, hidden] += 5
    np.testing.assert_array_equal(panel.probabilities(changed), panel.probabilities(rows))
    changed[:, seen] += 5
    assert (panel.probabilities(changed) != panel.probabilities(rows)).any()


@pytest.mark.parametrize("label", ["muscle", "chewing"])
def test_a_label_that_is_not_known_both_ways_gets_no_head(table, label):
    made = table()
    made.truth["muscle"][made.truth["muscle"] == 1] = -1
    panel = fit_panel("windows", [Sample(made)], [label], recipe=QUICK)
    assert panel.labels == ()
    assert panel.probabilities(made.features).shape == (600, 0)


def test_one_person_alone_cannot_calibrate(table):
    panel = fit_panel("windows", [Sample(table(200, ("anna",)))], ["muscle"], recipe=QUICK)
    assert (panel.heads[0].slope, panel.heads[0].offset) == (1.0, 0.0)


def test_ctrl_c_stops_a_fit_and_does_not_cut_it_short(monkeypatch):
    """scikit-learn would warn and give the half-fitted network."""

    def pressed(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("sklearn.neural_network.MLPClassifier._backprop", pressed)
    rows = np.random.default_rng(1).normal(size=(400, 5)).astype(np.float32)
    truth = (rows[:, 0] > 0).astype(np.int8)
    with pytest.raises(KeyboardInterrupt):
        fit_network(rows, truth, np.ones(400), view=View((8,)), recipe=Recipe(epochs=2), seed=1)
