"""Drift: a recording that no longer looks like the training data, and what moved."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.labelling.drift import (
    FLOOR,
    DriftReference,
    histogram,
    learn_reference,
    load_reference,
    measure_drift,
    stability_index,
)

NAMES = ("quiet", "loud", "seldom")


def recordings(count, rows=400, *, seed=0, shift=0.0, spread=0.2):
    """Invented feature rows: each recording has its own middle, as people have."""
    rng = np.random.default_rng(seed)
    parts = []
    for _ in range(count):
        part = rng.normal(rng.normal(0, spread, 3) + shift, 1, (rows, 3))
        part[rng.random(rows) < 0.3, 2] = np.nan
        parts.append(part)
    return np.concatenate(parts).astype(np.float32), np.repeat(np.arange(count), rows)


@pytest.fixture(scope="module")
def reference():
    return learn_reference(*recordings(30), NAMES)


def test_the_index_of_a_worked_example():
    """Worked by hand: Σ (a - e) ln(a / e) of two three-bin histograms."""
    a, e = np.array([[0.5, 0.3, 0.2]]), np.array([[0.4, 0.4, 0.2]])
    expected = 0.1 * np.log(0.5 / 0.4) - 0.1 * np.log(0.3 / 0.4)
    assert stability_index(a, e) == pytest.approx([expected])
    assert expected == pytest.approx(0.05108, abs=1e-5)


def test_the_index_is_the_symmetric_kullback_leibler_divergence():
    """Jeffreys' divergence, with scipy's entropies."""
    from scipy.stats import entropy

    rng = np.random.default_rng(3)
    a, e = rng.dirichlet(np.ones(11), 5), rng.dirichlet(np.ones(11), 5)
    a, e = np.maximum(a, FLOOR), np.maximum(e, FLOOR)
    both = [entropy(x / x.sum(), y / y.sum()) + entropy(y / y.sum(), x / x.sum())
            for x, y in zip(a, e, strict=True)]  # fmt: skip
    assert stability_index(a, e) == pytest.approx(both, rel=0.02)


def test_a_recording_like_the_training_data_is_not_unusual(reference):
    for seed in range(100, 110):
        rows, _ = recordings(1, seed=seed)
        assert not measure_drift([rows], reference).unusual


def test_a_recording_from_elsewhere_is_unusual_and_the_moved_feature_is_named(reference):
    rows, _ = recordings(1, seed=200)
    rows[:, 1] += 3
    drift = measure_drift([rows], reference)
    assert drift.unusual
    assert drift.moved[0][0] == "loud"
    assert "loud" in drift.text()
    assert f"usually below {reference.usual_mean:.2f}" in drift.text()


def test_a_feature_that_cannot_be_computed_any_more_is_drift(reference):
    rows, _ = recordings(1, seed=201)
    rows[:, 0] = np.nan
    assert measure_drift([rows], reference).moved[0][0] == "quiet"


def test_nothing_is_said_of_a_usual_recording(reference):
    rows, _ = recordings(1, seed=202)
    assert measure_drift([rows], reference).text() == ""


def test_blocks_give_what_the_whole_gives(reference):
    rows, _ = recordings(1, seed=203)
    whole = measure_drift([rows], reference)
    assert measure_drift(np.array_split(rows, 7), reference) == whole


def test_a_feature_with_few_values_does_not_drift_from_itself():
    rows = np.tile(np.array([0.0, 0.0, 0.0, 1.0], dtype=np.float32), 300)[:, None]
    learned = learn_reference(rows, np.repeat(np.arange(12), 100), ("is_lead",))
    assert measure_drift([rows[:200]], learned).mean_index == pytest.approx(0, abs=1e-6)


@given(st.integers(1, 200))
def test_shares_add_up_to_one(rows):
    rng = np.random.default_rng(rows)
    features = rng.normal(size=(rows, 3))
    features[rng.random((rows, 3)) < 0.2] = np.nan
    edges = np.quantile(np.arange(10.0), np.arange(1, 10) / 10)[None].repeat(3, 0)
    assert histogram([features], edges).sum(axis=1) == pytest.approx(np.ones(3))


def test_the_reference_survives_the_weights_file(reference):
    again = DriftReference.from_arrays(NAMES, reference.arrays())
    rows, _ = recordings(1, seed=204)
    first, second = measure_drift([rows], reference), measure_drift([rows], again)
    assert second.mean_index == pytest.approx(first.mean_index, rel=1e-3)


def test_arrays_of_another_model_are_refused(reference):
    with pytest.raises(ValueError, match="shapes"):
        DriftReference.from_arrays(NAMES[:2], reference.arrays())


def test_the_reference_is_read_from_a_model_folder(reference, tmp_path):
    np.savez(tmp_path / "weights.npz", **reference.arrays())
    (tmp_path / "manifest.toml").write_text(f"window_features = {list(NAMES)}\n")
    again = load_reference(tmp_path, NAMES)
    assert again is not None
    assert again.usual == pytest.approx(reference.usual, rel=1e-5)


def test_a_model_without_a_reference_has_no_watch(tmp_path):
    np.savez(tmp_path / "weights.npz", check=np.zeros(3))
    assert load_reference(tmp_path, NAMES) is None
