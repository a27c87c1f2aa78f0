"""What the model knew before keeps a vote: how the votes are joined, and who may judge them."""

import shutil
import tomllib
from dataclasses import replace

import numpy as np
import pytest
import tomli_w

from cleanspan.config import SegmentRule
from cleanspan.errors import ModelError
from cleanspan.features.registry import WINDOW_NAMES
from cleanspan.labelling.model import load_model
from cleanspan.labelling.network import Head, Network, Panel, Scaling, logistic
from cleanspan.training.dataset import Tables
from cleanspan.training.hand_labels import read_hand_labels
from cleanspan.training.judging import Panels, person_code, seen_people
from cleanspan.training.mixing import fit_panels, lab_say
from cleanspan.training.retrain import Plan, retrain
from cleanspan.training.sample import load_tables
from cleanspan.training.store import ModelStore
from cleanspan.training.voting import BASE, base_of, former_head, kept_scaling, together


def network(rng, n_inputs, n_units=3):
    return Network(
        (
            rng.normal(size=(n_inputs, n_units)).astype(np.float32),
            rng.normal(size=(n_units, 1)).astype(np.float32),
        ),
        (
            rng.normal(size=n_units).astype(np.float32),
            rng.normal(size=1).astype(np.float32),
        ),
    )


def head(rng, n_inputs, n_networks, *, slope=1.0, offset=0.0):
    nets = tuple(network(rng, n_inputs) for _ in range(n_networks))
    return Head("muscle", nets, slope, offset)


def calibrated(head, rows):
    return head.slope * head.logit(rows) + head.offset


@pytest.mark.parametrize("say", [0.0, 0.05, 0.5, 1.0])
@pytest.mark.parametrize("counts", [(1, 1), (3, 1), (2, 5)])
def test_joined_heads_say_the_weighted_mean_of_their_calibrated_logits(say, counts):
    rng = np.random.default_rng(4)
    rows = rng.normal(size=(50, 6)).astype(np.float32)
    old = head(rng, 6, counts[0], slope=0.6, offset=-0.4)
    new = head(rng, 6, counts[1], slope=1.4, offset=0.3)
    expected = (1 - say) * calibrated(old, rows) + say * calibrated(new, rows)
    joined = together(old, new, say=say).probability(rows)
    np.testing.assert_allclose(joined, logistic(expected), atol=1e-5)


def test_a_head_of_few_features_says_the_same_among_all(lab):
    """Of the former panel's features the scaling is kept, of the others the new one's taken."""
    rng = np.random.default_rng(5)
    chosen = WINDOW_NAMES[3:40:4]
    scaling = Scaling(
        rng.normal(size=len(chosen)).astype(np.float32),
        rng.uniform(0.5, 2, len(chosen)).astype(np.float32),
    )
    former = Panel(chosen, scaling, (head(rng, len(chosen), 2, slope=0.7, offset=0.2),))
    given = Scaling(
        np.full(len(WINDOW_NAMES), 9, np.float32), np.full(len(WINDOW_NAMES), 7, np.float32)
    )
    widened = kept_scaling(former, WINDOW_NAMES, given)
    found = former_head(former, "muscle", WINDOW_NAMES)
    rows = load_tables(lab.model / "sample.npz").windows.features[:200]
    columns = [WINDOW_NAMES.index(name) for name in chosen]
    np.testing.assert_allclose(
        found.probability(widened.apply(rows)),
        former.probabilities(rows[:, columns])[:, 0],
        atol=1e-6,
    )
    others = [place for place in range(len(WINDOW_NAMES)) if place not in columns]
    assert (widened.centre[others] == 9).all()
    assert (widened.spread[others] == 7).all()
    assert (given.centre == 9).all(), "what was given is not changed"
    assert former_head(former, "chewing gum", WINDOW_NAMES) is None


@pytest.mark.parametrize(
    ("examples", "people", "say"),
    [(0, 0, 0.008), (50, 1, 0.02), (250, 1, 0.1), (500, 1, 0.2), (500, 3, 0.4), (900, 9, 0.6)],
)
def test_a_lab_has_its_say_by_the_examples_and_the_people_that_it_has_shown(
    lab, examples, people, say
):
    windows = load_tables(lab.model / "sample.npz").windows
    assert len(windows) > 1000
    truth = np.zeros(len(windows), dtype=np.int8)
    truth[:examples] = 1
    windows.truth["muscle"] = truth
    windows.person[:] = "nobody"
    windows.person[:examples] = [f"p{row % max(people, 1)}" for row in range(examples)]
    assert lab_say(windows, "muscle", lab_share=0.8) == pytest.approx(say)


def test_of_a_label_that_the_lab_says_nothing_about_the_old_model_speaks_alone(lab):
    base = Panels.of(load_model(lab.model))
    tables = load_tables(lab.model / "sample.npz")
    for own in (tables.windows.truth, tables.events.truth):
        for truth in own.values():
            truth[:] = -1
    rest = load_tables(lab.model / "sample.npz")
    fitted = fit_panels(
        tables, rest, base.windows.labels, {"muscle": SegmentRule()},
        recipe=lab.recipe, lab_share=0.5, base=base,
    )  # fmt: skip
    rows = rest.windows.features
    np.testing.assert_allclose(
        fitted.windows.probabilities(rows), base.windows.probabilities(rows), atol=1e-6
    )
    assert fitted.windows.labels == base.windows.labels


def test_without_background_and_candidate_blinks_there_is_no_blink_head(lab):
    """Nobody said `reviewed`, so no candidate is known to be a blink or none."""
    tables = load_tables(lab.model / "sample.npz")
    none = tables.events.rows(np.zeros(len(tables.events), dtype=bool))
    fitted = fit_panels(
        Tables(tables.windows, none), None, ("muscle",), {}, recipe=lab.recipe, lab_share=1.0
    )
    assert fitted.events.labels == ()
    assert fitted.windows.labels == ("muscle",)
    assert fitted.events.probabilities(tables.events.features).shape == (len(tables.events), 0)


def run(lab, tmp_path, *, start=None, name="lab-1", labels=None, **more):
    return retrain(
        read_hand_labels([labels or lab.labels], recordings=[lab.recordings]),
        [lab.recordings],
        start or lab.model,
        ModelStore(tmp_path / "store"),
        plan=Plan(name, folds=3, recipe=lab.recipe, **more),
        cache=lab.root / "cache",
    )


def files_of(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_the_same_model_votes_however_often_a_lab_retrains(lab, tmp_path):
    first = run(lab, tmp_path)
    second = run(lab, tmp_path, start=first.folder, name="lab-2")
    old = load_model(lab.model)
    for made in (first, second):
        assert base_of(made.model).fingerprint == old.fingerprint
        assert made.model.manifest["training"]["base"] == old.full_name
        kept = files_of(made.folder / BASE)
        assert kept.items() <= files_of(lab.model).items()
        assert "sample.npz" not in kept
        assert f"{old.full_name} votes beside what was" in (made.folder / "card.md").read_text()
    copied = ModelStore(tmp_path / "other").add(first.folder, "lab-1")
    assert files_of(copied / BASE) == files_of(first.folder / BASE)


def test_all_the_weight_to_the_lab_leaves_no_vote_to_the_old_model(lab, tmp_path):
    alone = run(lab, tmp_path, lab_share=1.0)
    assert not (alone.folder / BASE).exists()
    assert base_of(alone.model) is None
    assert "No older model votes in it." in (alone.folder / "card.md").read_text()
    after = run(lab, tmp_path, start=alone.folder, name="lab-2")
    assert not (after.folder / BASE).exists(), "a model of the lab's own people must not vote"


def test_a_model_that_lost_what_votes_in_it_is_refused_before_the_work(lab, tmp_path, monkeypatch):
    first = run(lab, tmp_path)
    shutil.rmtree(first.folder / BASE)
    monkeypatch.setattr("cleanspan.training.retrain.gather_lessons", lambda *_, **__: 1 / 0)
    with pytest.raises(ModelError, match="must hold the folder base with the model that votes"):
        run(lab, tmp_path, start=first.folder, name="lab-2")


def test_of_a_label_without_examples_it_is_told_who_decides(lab, tmp_path):
    """Nobody in this lab shows muscle."""
    labels = tmp_path / "labels.csv"
    rows = [row for row in lab.labels.read_text().splitlines() if ",muscle," not in row]
    labels.write_text("\n".join(rows) + "\n")
    old = load_model(lab.model).full_name
    told = f"muscle: the hand labels hold no example, so what {old} knew of it decides"
    assert told in run(lab, tmp_path, labels=labels).warnings
    alone = run(lab, tmp_path, labels=labels, name="lab-2", lab_share=1.0).warnings
    assert "muscle: the hand labels hold no example, so it is left out" in alone


def test_who_gave_cleaned_recordings_to_the_voting_model_has_been_met(lab):
    """Faults were injected into them: it knows these people's EEG."""
    manifest = {"training": {"cleaned_sha256": ["abc"], "recordings_sha256": ["def"]}}
    model = replace(load_model(lab.model), manifest=manifest)
    lessons = [("p0", "abc"), ("p1", "def"), ("p2", "ghi")]
    assert seen_people(model, lessons) == {"p0", "p1"}


def test_the_old_model_is_heard(lab, tmp_path):
    """The less the lab's share, the nearer the answers are to those of before."""
    rows = load_tables(lab.model / "sample.npz").windows.features
    before = load_model(lab.model).windows.probabilities(rows)
    away = [
        np.abs(run(lab, tmp_path, name=f"lab-{share}", lab_share=share)
               .model.windows.probabilities(rows) - before).mean()
        for share in (0.05, 0.5, 0.95)
    ]  # fmt: skip
    assert away[0] < away[1] < away[2]
    assert away[0] < 0.1 * away[2]


def test_people_whom_the_voting_model_has_met_judge_nothing(lab, tmp_path):
    """It has seen p0 and p1: a fit without them is not new to them all the same."""
    start = tmp_path / "base"
    shutil.copytree(lab.model, start)
    manifest = tomllib.loads((start / "manifest.toml").read_text())
    manifest["training"]["people_sha256"] = [
        person_code(name) for name in ("p0", "p1", "an earlier one")
    ]
    (start / "manifest.toml").write_text(tomli_w.dumps(manifest))
    first = run(lab, tmp_path, start=start)
    assert (first.people, first.judgement.people) == (6, 4)
    second = run(lab, tmp_path, start=first.folder, name="lab-2")
    assert second.judgement.people == 4
    known = sum(int(one.table["count"].sum()) for one in first.calibrations.values())
    everybody = run(lab, tmp_path, name="lab-3").calibrations.values()
    assert 0 < known < 0.8 * sum(int(one.table["count"].sum()) for one in everybody)
    lessons = [(f"p{number}", "") for number in range(6)]
    assert seen_people(first.model, lessons) == {f"p{number}" for number in range(6)}
    assert seen_people(second.model, [("p9", ""), ("an earlier one", "")]) == {"an earlier one"}
