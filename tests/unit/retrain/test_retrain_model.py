"""Retraining: what is learned, who is judged, and that the same inputs give the same model."""

import hashlib
import re
import shutil
from dataclasses import replace

import numpy as np
import pytest

from cleanspan.config import LabelRules
from cleanspan.errors import LabelsError, ModelError, UsageError
from cleanspan.labelling.drift import load_reference
from cleanspan.labelling.model import load_model
from cleanspan.training import comparing, rounds
from cleanspan.training import lessons as lessons_module
from cleanspan.training import retrain as module
from cleanspan.training.background import background
from cleanspan.training.comparing import compare_models, marked_by
from cleanspan.training.dataset import Table
from cleanspan.training.finding import find_recordings
from cleanspan.training.gate import read_judgement, refusals
from cleanspan.training.hand_labels import read_hand_labels
from cleanspan.training.judging import fold_of_people, person_code
from cleanspan.training.left_out import read_left_out
from cleanspan.training.mixing import weighted
from cleanspan.training.results import Comparison
from cleanspan.training.retrain import Plan, retrain
from cleanspan.training.sample import load_tables, save_tables
from cleanspan.training.store import ModelStore, shipped_model

OWN = LabelRules(extra=("chewing gum",))


def run(lab, tmp_path, *, labels=None, start=None, name="lab-1", rules=None, **more):
    rules = rules or LabelRules()
    rows = read_hand_labels([labels or lab.labels], rules, recordings=[lab.recordings])
    plan = Plan(name, folds=3, recipe=lab.recipe, comparison=Comparison(rules), **more)
    return retrain(
        rows,
        [lab.recordings],
        start or lab.model,
        ModelStore(tmp_path / "store"),
        plan=plan,
        cache=lab.root / "cache",
    )


@pytest.fixture(scope="module")
def done(lab, tmp_path_factory):
    return run(lab, tmp_path_factory.mktemp("done"))


def files_hash(folder):
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        digest.update(path.name.encode() + (path.read_bytes() if path.is_file() else b""))
    return digest.hexdigest()


def test_the_new_model_knows_the_labels_and_was_judged_on_everybody(done):
    assert set(done.model.labels) == {"blink", "muscle", "line noise", "contact loss"}
    assert (done.people, done.recordings, done.judgement.people) == (6, 6, 6)
    assert set(done.judgement.labels) == set(done.model.labels)


def test_its_judgement_and_its_card_lie_beside_it(done):
    stored = read_judgement(done.folder)
    assert stored is not None
    assert stored.model == done.model.fingerprint
    card = (done.folder / "card.md").read_text()
    assert done.judgement.summary() in card
    assert "not for diagnosis" in card


def test_the_model_it_started_from_is_not_touched(lab, tmp_path):
    before = files_hash(lab.model)
    run(lab, tmp_path)
    assert files_hash(lab.model) == before


def test_same_inputs_same_predictions(done, lab, tmp_path):
    again = run(lab, tmp_path)
    assert again.model.fingerprint == done.model.fingerprint
    assert again.judgement.summary() == done.judgement.summary()


def test_another_seed_is_another_model(done, lab, tmp_path):
    assert run(lab, tmp_path, seed=5).model.fingerprint != done.model.fingerprint


def test_nobody_is_ever_on_both_sides(lab, tmp_path, monkeypatch):
    taught, asked = [], []
    real_fit, real_answers = module.fit_panels, rounds.answers

    def fit(own, **more):
        taught.append(set(own.windows.person) | set(own.events.person))
        return real_fit(own, **more)

    def answer(panels, tables):
        asked.append(panels)
        return real_answers(panels, tables)

    monkeypatch.setattr(module, "fit_panels", fit)
    monkeypatch.setattr(rounds, "answers", answer)
    run(lab, tmp_path)
    everybody = {f"p{number}" for number in range(6)}
    left_out = [everybody - people for people in taught[:-1]]
    assert set().union(*left_out) == everybody
    assert sum(map(len, left_out)) == len(everybody)
    assert taught[-1] == everybody


def test_people_are_dealt_into_groups_whole():
    groups = fold_of_people([f"p{n}" for n in range(11)], 4, seed=1)
    sizes = np.bincount(list(groups.values()))
    assert sizes.sum() == 11
    assert sizes.max() - sizes.min() <= 1


def test_a_lab_model_is_compared_by_its_own_left_out_figures(done, lab, tmp_path):
    """Same labels, same seed: the second model equals the first, so nothing may differ."""
    second = run(lab, tmp_path, start=done.folder, name="lab-2")
    assert second.judgement.people == 6
    changes = [d.change for d in second.judgement.labels.values()]
    assert [change for change in changes if change] == []


@pytest.mark.parametrize(
    "rows",
    [["reviewed,0,0.1,all,r,"], ["unsure,0,5,all,r,muscle?"], ["other,0,5,all,r,sweat"]],
    ids=["nothing looked at", "unsure", "other"],
)
def test_labels_that_teach_nothing_are_refused_before_anything_is_fitted(
    rows, lab, tmp_path, monkeypatch
):
    monkeypatch.setattr(module, "fit_panels", lambda *_, **__: pytest.fail("fitted"))
    labels = tmp_path / "nothing.csv"
    header = "recording,label,onset_s,duration_s,channels,reader,note"
    labels.write_text("\n".join([header, *(f"p3_rest.edf,{row}" for row in rows)]) + "\n")
    with pytest.raises(LabelsError, match="hand labels must say something about windows"):
        run(lab, tmp_path, labels=labels)
    assert not list((tmp_path / "store").glob("lab-1*"))


def test_a_lab_model_is_never_asked_about_people_it_learned_from(done, lab, tmp_path, caplog):
    """Without its left-out figures, nobody is left who could judge it."""
    bare = tmp_path / "bare"
    shutil.copytree(done.folder, bare)
    (bare / "left-out.toml").unlink()
    second = run(lab, tmp_path, start=bare, name="lab-2")
    assert (second.judgement.people, second.judgement.known_before) == (0, 6)
    assert "not judged: 0 people left out are too few" in second.judgement.summary()
    assert "on 6 more the old model cannot be judged: it learned" in second.judgement.summary()
    (said,) = [text for text in caplog.messages if "learned from 6 of these people" in text]
    assert "the 0 others are too few" in said
    assert read_judgement(second.folder).known_before == 6
    assert refusals(second.judgement, model=second.model.fingerprint,
                    in_use=done.model.fingerprint, labels=second.model.labels,
                    needed=done.model.labels)  # fmt: skip


def test_figures_of_people_whose_labels_changed_do_not_stand_in(done, lab, tmp_path):
    changed = tmp_path / "changed.csv"
    changed.write_text(lab.labels.read_text() + "p3_rest.edf,muscle,1,1,Cz,r,\n")
    second = run(lab, tmp_path, labels=changed, start=done.folder, name="lab-2")
    assert second.judgement.people == 5


def test_an_own_label_goes_everywhere_without_code(lab, tmp_path):
    made = run(lab, tmp_path, labels=lab.own, rules=OWN)
    assert "chewing gum" in made.model.labels
    difference = made.judgement.labels["chewing gum"]
    assert np.isnan(difference.old_f1)
    assert difference.verdict == "not judged"
    (segments,) = marked_by(lab.recordings / "p0_rest.edf", [made.model])
    assert "chewing gum" in segments["label"].cat.categories


def test_manifest_and_files_name_no_person_and_no_recording(done):
    for path in (path for path in done.folder.rglob("*") if path.is_file()):
        data = path.read_bytes()
        for number in range(6):
            assert f"p{number}_rest".encode() not in data
    assert len(done.model.manifest["training"]["people_sha256"]) == 6


def test_one_person_is_too_few_but_teaches(lab, tmp_path):
    text = lab.labels.read_text().splitlines()
    few = tmp_path / "few.csv"
    few.write_text("\n".join([text[0], *(row for row in text if row.startswith("p0_"))]))
    made = run(lab, tmp_path, labels=few)
    assert (made.people, made.judgement.people) == (1, 0)
    assert "not judged: 0 people left out are too few" in made.judgement.summary()


def test_a_missing_recording_is_named(lab, tmp_path):
    gone = tmp_path / "gone.csv"
    gone.write_text(
        "recording,label,onset_s,duration_s,channels,reader\nq_rest.edf,muscle,1,1,all,r\n"
    )
    with pytest.raises(LabelsError, match="must be found once, got none"):
        run(lab, tmp_path, labels=gone)


def test_features_are_computed_once_and_again_where_labels_changed(
    done, lab, tmp_path, monkeypatch
):
    computed = []
    real = lessons_module.compute_tables

    def compute(path, *args):
        computed.append(path.name)
        return real(path, *args)

    monkeypatch.setattr(lessons_module, "compute_tables", compute)
    run(lab, tmp_path)
    assert computed == []
    changed = tmp_path / "changed.csv"
    changed.write_text(lab.labels.read_text() + "p3_rest.edf,muscle,2.5,1,Cz,r,\n")
    run(lab, tmp_path, labels=changed, name="lab-2")
    assert computed == ["p3_rest.edf"]


def test_a_damaged_cache_is_computed_anew(lab, tmp_path):
    rows = read_hand_labels([lab.labels], recordings=[lab.recordings])

    def gather():
        return lessons_module.gather_lessons(
            rows, find_recordings([lab.recordings]), ["muscle"], comparison=Comparison(),
            cache=tmp_path / "cache",
        )  # fmt: skip

    first = gather()
    for path in (tmp_path / "cache").iterdir():
        path.write_bytes(path.read_bytes()[:1000])
    second = gather()
    assert np.array_equal(
        first[0].tables.windows.features, second[0].tables.windows.features, equal_nan=True
    )


def test_a_cache_that_cannot_be_written_is_told_and_gone_without(lab, tmp_path, monkeypatch):
    said = []
    monkeypatch.setattr(lessons_module.logger, "warning", lambda text, *a: said.append(text % a))
    (tmp_path / "taken").write_text("a file, not a folder")
    rows = read_hand_labels([lab.labels], recordings=[lab.recordings])
    lessons = lessons_module.gather_lessons(
        rows, find_recordings([lab.recordings]), ["muscle"], comparison=Comparison(),
        cache=tmp_path / "taken" / "cache",
    )  # fmt: skip
    assert len(lessons) == len({row.recording for row in rows})
    assert said
    assert all(line.startswith("features are not kept") for line in said)
    assert (tmp_path / "taken").read_text() == "a file, not a folder"


def table(rows, positive, *, unknown=0):
    truth = np.zeros(rows, dtype=np.int8)
    truth[:positive], truth[rows - unknown :] = 1, -1
    text = np.full(rows, "x")
    return Table(
        np.zeros((rows, 2), np.float32), {"muscle": truth}, text, text, text, np.zeros(rows)
    )


def lab_part(samples):
    known = [(s.table.truth["muscle"] >= 0).sum() * s.weight for s in samples]
    return known[0] / sum(known)


def test_the_stated_weight_is_the_weight_of_rows_that_know_the_label():
    tables = [table(9000, 800, unknown=4000), table(30000, 900, unknown=1000)]
    assert lab_part(weighted(tables, "muscle", lab_share=0.8)) == pytest.approx(0.8)


def test_a_label_with_few_examples_leans_on_the_background():
    few = [table(9000, 250), table(30000, 900)]
    none = [table(9000, 0), table(30000, 900)]
    assert lab_part(weighted(few, "muscle", lab_share=0.8)) == pytest.approx(0.4)
    assert lab_part(weighted(none, "muscle", lab_share=0.8)) == pytest.approx(0.08)


def test_an_old_model_that_hides_its_training_data_is_pointed_out(done, lab, tmp_path):
    assert done.warnings == ()
    silent = tmp_path / "silent"
    shutil.copytree(lab.model, silent)
    manifest = silent / "manifest.toml"
    manifest.write_text(manifest.read_text().replace("recordings_sha256", "something_else"))
    made = run(lab, tmp_path, start=silent)
    assert any("does not say which recordings it learned from" in text for text in made.warnings)


def test_impossible_plans_are_refused():
    with pytest.raises(ValueError, match="lab_share must lie between"):
        Plan("x", lab_share=0.0)
    with pytest.raises(ValueError, match="folds must lie between"):
        replace(Plan("x"), folds=1)


def test_the_new_model_watches_for_drift(done):
    assert load_reference(done.folder, done.model.windows.features) is not None


def test_finished_marks_of_two_models_are_compared_on_people_new_to_both(done, lab):
    rows = read_hand_labels([lab.labels], recordings=[lab.recordings])
    index = find_recordings([lab.recordings])
    base = load_model(lab.model)
    result = compare_models(base, base, rows, index, comparison=Comparison())
    assert len(result.new) == 6
    assert {d.change for d in result.differences.values() if np.isfinite(d.change)} == {0.0}
    with pytest.raises(LabelsError, match="neither model learned from"):
        compare_models(done.model, base, rows, index, comparison=Comparison())


def test_a_pattern_that_does_not_fit_every_name_stops_before_anything_is_marked(
    lab, tmp_path, monkeypatch
):
    rows = read_hand_labels([lab.labels], recordings=[lab.recordings])
    index = find_recordings([lab.recordings])
    base = load_model(lab.model)
    names = sorted({row.recording for row in rows})
    pattern = f"^({re.escape(names[0].removesuffix('.edf'))})"  # fits the first alone

    def too_early(*_, **__):
        pytest.fail("a recording was worked on before all names were checked")

    monkeypatch.setattr(comparing, "content_hash", too_early)
    monkeypatch.setattr(comparing, "open_recording", too_early)
    with pytest.raises(UsageError, match="must be found in every recording's name"):
        compare_models(base, base, rows, index, comparison=Comparison(person_pattern=pattern))


def test_tables_survive_their_file(lab, tmp_path):
    tables = load_tables(lab.model / "sample.npz")
    save_tables(tmp_path / "again.npz", tables)
    again = load_tables(tmp_path / "again.npz")
    assert np.array_equal(again.windows.features, tables.windows.features, equal_nan=True)
    assert (again.events.truth["blink"] == tables.events.truth["blink"]).all()
    assert (again.windows.person == tables.windows.person).all()


def test_damaged_files_of_a_model_are_told_in_plain_words(lab, tmp_path):
    tables = tmp_path / "sample.npz"
    tables.write_bytes((lab.model / "sample.npz").read_bytes()[:5000])
    with pytest.raises(ModelError, match=r"plain arrays, got an archive that breaks off$"):
        load_tables(tables)
    code = person_code("ada")
    (tmp_path / "left-out.toml").write_text(f'[{code}]\nlessons = "x"\n')
    with pytest.raises(ModelError, match=r"got nothing under the name 'labels'; retrain$"):
        read_left_out(tmp_path, {"ada": "x"})


def test_tables_of_another_feature_version_are_refused(lab, tmp_path, monkeypatch):
    monkeypatch.setattr("cleanspan.training.sample.FEATURE_VERSION", 99)
    with pytest.raises(ModelError, match="of feature version 99"):
        load_tables(lab.model / "sample.npz")


def test_a_model_of_another_version_leans_on_the_shipped_rows(lab, tmp_path):
    """It has no column for a feature that came later."""
    with np.load(lab.model / "sample.npz") as stored:
        arrays = {name: stored[name] for name in stored.files}
    arrays["windows/names"] = arrays["windows/names"][:-1]
    arrays["windows/features"] = arrays["windows/features"][:, :-1]
    np.savez(tmp_path / "sample.npz", **arrays)
    rows = background(tmp_path, seed=1)
    shipped = load_tables(shipped_model() / "sample.npz")
    assert np.array_equal(rows.windows.features, shipped.windows.features, equal_nan=True)
