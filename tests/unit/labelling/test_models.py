"""One contract for every model in models/, and what loading refuses."""

import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cleanspan.errors import ModelError
from cleanspan.features.registry import EVENT_NAMES, FEATURE_VERSION, WINDOW_NAMES
from cleanspan.labelling.model import fixed_answers, load_model, save_model
from cleanspan.types import LABELS

MODELS = sorted((Path(__file__).parents[3] / "models").iterdir())
each_model = pytest.mark.parametrize("folder", MODELS, ids=lambda folder: folder.name)


@each_model
def test_the_manifest_is_complete(folder):
    manifest = tomllib.loads((folder / "manifest.toml").read_text(encoding="utf-8"))
    assert set(manifest["labels"]) == {*manifest["window_labels"], *manifest["event_labels"]}
    assert set(LABELS) <= set(manifest["labels"])
    assert manifest["feature_version"] == FEATURE_VERSION
    assert set(manifest["window_features"]) <= set(WINDOW_NAMES)
    assert set(manifest["event_features"]) <= set(EVENT_NAMES)
    assert set(manifest["segments"]) <= set(manifest["labels"])
    assert sorted(path.name for path in folder.iterdir())[:1] == ["card.md"]


@each_model
def test_it_loads_with_a_rule_for_every_label(folder):
    model = load_model(folder)
    assert model.full_name == f"{model.name}@{model.fingerprint}"
    assert all(model.rule(label).begin_at > 0 for label in model.labels)


@each_model
def test_answers_to_the_fixed_input_are_probabilities_that_differ(folder):
    model = load_model(folder)
    answers = fixed_answers(model.windows, model.events)
    assert answers.shape == (8, len(model.labels))
    assert ((answers >= 0) & (answers <= 1)).all()
    # Of a label that none of the inputs shows, all answers are small: they differ by a factor.
    assert (answers.max(axis=0) > 10 * answers.min(axis=0)).all()


@each_model
def test_it_answers_when_nothing_is_known(folder):
    model = load_model(folder)
    for panel in (model.windows, model.events):
        unknown = np.full((3, len(panel.features)), np.nan, dtype=np.float32)
        answers = panel.probabilities(unknown)
        assert np.isfinite(answers).all()


@each_model
@pytest.mark.parametrize("part", ["weights.npz"])
@pytest.mark.parametrize("place", [0.02, 0.3, 0.5, 0.8, 0.99])
def test_one_changed_byte_is_refused(folder, part, place, tmp_path):
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    data = bytearray((copy / part).read_bytes())
    data[int(place * len(data))] ^= 0x01
    (copy / part).write_bytes(data)
    with pytest.raises(ModelError) as caught:
        load_model(copy)
    assert "retrain it with this version, or use the shipped model" in str(caught.value)


@each_model
def test_weights_too_small_to_count_are_loaded_as_0(folder, tmp_path):
    """Subnormal numbers make products many times slower; the answers must not change."""
    model = load_model(folder)
    head = model.windows.heads[0]
    network = head.networks[0]
    weights = network.weights[0].copy()
    weights[0] = 1e-39
    tiny, none = (
        replace(
            model.windows,
            heads=(
                replace(head, networks=(replace(network, weights=(first, *network.weights[1:])),)),
                *model.windows.heads[1:],
            ),
        )
        for first in (weights, np.where(weights == weights[0], np.float32(0), weights))
    )
    save_model(
        tmp_path,
        name="tiny",
        windows=tiny,
        events=model.events,
        rules={},
        facts={},
        card="",
    )
    loaded = load_model(tmp_path)
    for panel in (loaded.windows, loaded.events):
        for kept in (net for each in panel.heads for net in each.networks):
            sizes = np.abs(np.concatenate([weight.ravel() for weight in kept.weights]))
            assert sizes[sizes > 0].min() > np.finfo(np.float32).tiny
    assert (loaded.windows.heads[0].networks[0].weights[0][0] == 0).all()
    rows = np.random.default_rng(0).normal(size=(50, len(none.features))).astype(np.float32)
    np.testing.assert_array_equal(loaded.windows.probabilities(rows), none.probabilities(rows))


@each_model
def test_a_pickle_is_refused(folder, tmp_path):
    import pickle

    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    (copy / "weights.npz").write_bytes(pickle.dumps({"weights": [1, 2, 3]}))
    with pytest.raises(ModelError, match="plain number arrays"):
        load_model(copy)


# ---- what a folder must hold


@pytest.fixture
def saved(invented, tmp_path):
    """The model of plain thresholds, written down."""
    model = invented.rule_model()
    folder = tmp_path / "rules"
    folder.mkdir()
    save_model(
        folder, name="rules", windows=model.windows, events=model.events, rules={},
        facts={}, card="# rules\n",
    )  # fmt: skip
    return folder


def edit(folder, old, new):
    manifest = folder / "manifest.toml"
    text = manifest.read_text()
    assert old in text
    manifest.write_text(text.replace(old, new))


def test_what_is_saved_is_loaded_again(saved, invented):
    model, given = load_model(saved), invented.rule_model()
    assert model.labels == given.labels
    np.testing.assert_allclose(
        fixed_answers(model.windows, model.events),
        fixed_answers(given.windows, given.events),
        atol=1e-6,
    )


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("format = 1", "format = 99", "model format must be one of [1], got 99"),
        ("format = 1", 'format = "x"', "format must be given as int, got 'x'"),
        ("feature_version = ", "feature_version = 9", "feature version must be"),
        ('"flat_share"', '"flat_shares"', "must be registered features, got 'flat_shares'"),
        ('"flat_share",', "", "weights must fit the manifest"),
        ("networks", "netw", "networks must be given"),
        ("format = 1", "format = ", "must be TOML"),
    ],
)
def test_a_manifest_that_does_not_fit_is_refused(saved, old, new, message):
    edit(saved, old, new)
    with pytest.raises(ModelError) as caught:
        load_model(saved)
    assert message in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1 or "TOML" in message


def test_rules_out_of_range_are_refused(saved):
    with (saved / "manifest.toml").open("a") as file:
        file.write("\n[segments.muscle]\nbegin_at = 7\n")
    with pytest.raises(ModelError, match="begin_at must lie between"):
        load_model(saved)


def test_missing_folder_and_missing_weights(saved, tmp_path):
    with pytest.raises(ModelError, match=r"must hold a readable manifest\.toml"):
        load_model(tmp_path / "nowhere")
    (saved / "weights.npz").unlink()
    with pytest.raises(ModelError, match="weights must be a file of plain number arrays"):
        load_model(saved)
    (saved / "manifest.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ModelError, match="must be TOML"):
        load_model(saved)


def test_other_answers_than_when_it_was_made_are_refused(saved, monkeypatch):
    """As if the arithmetic of this machine, or of this version, differed."""
    given = fixed_answers

    def differently(windows, events, **reach):
        return given(windows, events, **reach) + np.float32(0.01)

    monkeypatch.setattr("cleanspan.labelling.model.fixed_answers", differently)
    with pytest.raises(ModelError, match="predictions on the fixed input must equal"):
        load_model(saved)


@each_model
def test_a_label_whose_answers_differ_is_noticed_however_small_they_are(folder, monkeypatch):
    given = fixed_answers
    for column in range(len(load_model(folder).labels)):

        def differently(windows, events, *, column=column, **reach):
            answers = given(windows, events, **reach)
            answers[:, column] *= np.float32(1.01)
            return answers

        with monkeypatch.context() as patch:
            patch.setattr("cleanspan.labelling.model.fixed_answers", differently)
            with pytest.raises(ModelError, match="predictions on the fixed input must equal"):
                load_model(folder)
