"""``cleanspan model`` as a user meets it."""

import numpy as np
import pytest

from cleanspan.cli import main
from cleanspan.labelling.model import load_model, save_model
from cleanspan.labelling.network import Head, Network, Panel, Scaling
from cleanspan.training import store as module
from cleanspan.training.bootstrap import Difference
from cleanspan.training.gate import Judgement, write_judgement

LABELS = ("blink", "muscle", "line noise", "contact loss")


def panel(features, labels, seed):
    rng = np.random.default_rng(seed)
    size = len(features)
    network = Network(
        (rng.normal(size=(size, 1)).astype(np.float32),), (np.zeros(1, dtype=np.float32),)
    )
    ones = np.ones(size, dtype=np.float32)
    return Panel(
        features, Scaling(0 * ones, ones), tuple(Head(name, (network,)) for name in labels)
    )


def write_model(folder, seed):
    folder.mkdir(parents=True)
    save_model(
        folder,
        name=folder.name,
        windows=panel(("rms", "step"), LABELS[1:], seed),
        events=panel(("lead_height",), LABELS[:1], seed),
        rules={},
        facts={},
        card=f"# {folder.name}\n\nA card.\n",
    )
    return load_model(folder).fingerprint


@pytest.fixture
def lab(tmp_path, monkeypatch):
    """A shipped model, and a store with a model that is as good and one that is worse."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    shipped = tmp_path / "shipped" / "shipped-one"
    old = write_model(shipped, 0)
    monkeypatch.setattr(module, "shipped_model", lambda: shipped)
    store = tmp_path / "state" / "cleanspan" / "models"
    for number, (name, f1) in enumerate((("better", 0.91), ("worse", 0.7)), start=1):
        new = write_model(store / name, number)
        labels = {label: Difference(f1, 0.9, f1 - 0.92, f1 - 0.88, 8) for label in LABELS}
        write_judgement(Judgement(new, old, 8, 16, labels), store / name)
    write_model(store / "unjudged", 5)
    return store


@pytest.fixture
def run(capsys):
    def run(*args, status=0):
        with pytest.raises(SystemExit) as caught:
            main(["model", *args])
        out, err = capsys.readouterr()
        assert (caught.value.code or 0) == status, err
        return out if status == 0 else err

    return run


def test_the_list_shows_what_is_in_use(lab, run):
    assert "* shipped" in run("list")
    run("use", "better", "--why", "eight more people")
    listed = run("list").splitlines()
    assert [line[:9] for line in listed] == ["  shipped", "* better ", "  unjudge", "  worse  "]
    assert "blink, muscle, line noise, contact loss" in listed[1]


def test_a_model_in_use_already_is_said_to_be(lab, run):
    run("use", "better", "--why", "eight more people")
    assert "in use already: nothing was changed: better" in run("use", "better", "--why", "again")
    assert "in use: shipped" in run("back", "--why", "worse")


def test_a_worse_model_is_refused_label_by_label(lab, run):
    err = run("use", "worse", "--why", "it is new", status=2)
    assert "muscle: F1 0.700 on held-out people, 0.900 before" in err
    assert "--force" in err
    assert "* shipped" in run("list")


def test_a_model_never_judged_is_refused(lab, run):
    assert "never judged" in run("use", "unjudged", "--why", "x", status=2)


def test_force_is_recorded_with_its_reason(lab, run):
    run("use", "worse", "--why", "new amplifier; figures are of the old one", "--force")
    assert "forced: new amplifier; figures are of the old one" in run("show")


def test_going_back_restores_the_model_before(lab, run):
    run("use", "better", "--why", "more people")
    assert "in use: shipped" in run("back", "--why", "too many marks on Cz")
    history = run("show")
    assert "going back: too many marks on Cz" in history
    assert "needs an earlier model" in run("back", "--why", "again", status=2)


def test_a_model_judged_against_another_than_the_one_in_use_is_refused(lab, run):
    run("use", "worse", "--why", "trial", "--force")
    assert "but" in run("use", "better", "--why", "x", status=2)
    run("use", "shipped", "--why", "end of the trial")
    run("use", "better", "--why", "now judged against what is in use")


def test_an_empty_reason_is_refused(lab, run):
    assert "--why must say a reason" in run("use", "better", "--why", "  ", status=2)
    assert "Missing option '--why'" in run("use", "better", status=2)


def test_a_damaged_model_is_listed_as_such_and_never_used(lab, run):
    (lab / "better" / "weights.npz").write_bytes(b"PK not really")
    assert "better  cannot be used" in run("list")
    assert "plain number arrays" in run("use", "better", "--why", "x", status=2)


def test_a_retrained_model_without_the_one_that_votes_in_it_is_refused(lab, run):
    """Only the files of its folder were copied."""
    manifest = lab / "better" / "manifest.toml"
    text = '\n[training]\nstarted_from = "x@1"\nbase = "x@1"\n'
    manifest.write_text(manifest.read_text() + text)
    told = run("use", "better", "--why", "x", status=2)
    assert "must hold the folder base with the model that votes" in told
    assert "shipped" in run("list")


def test_the_card_is_shown(lab, run):
    shown = run("show", "better")
    assert "A card." in shown
    assert str(lab / "better") in shown


def test_an_unknown_model_is_one_clear_line(lab, run):
    assert "did you mean 'better'" in run("use", "bettr", "--why", "x", status=2)


def test_the_store_may_stand_in_the_settings(lab, run, tmp_path):
    settings = tmp_path / "lab.toml"
    settings.write_text(f'[labelling]\nstore = "{tmp_path / "elsewhere"}"\n')
    assert run("list", "--config", str(settings)).count("\n") == 1


def test_watching_a_folder_without_recordings_is_a_mistake(run, tmp_path):
    (tmp_path / "empty").mkdir()
    said = run("watch", str(tmp_path / "empty"), status=2)
    assert "there must be recordings to look at, got none in" in said
    assert said.count("\n") == 1
