"""The studies: nobody is judged by a fit that saw them, and planted effects are found."""

from dataclasses import replace

import numpy as np
import pytest

from cleanspan.features.registry import EVENT_NAMES, WINDOW_NAMES
from cleanspan.training import ablation, active, curve, studies, trials
from cleanspan.training.dataset import Table, Tables, of_people
from cleanspan.training.ingredients import Ingredients
from cleanspan.training.judging import Answer
from cleanspan.training.open_recordings import SYSTEM_10_20
from cleanspan.training.scores import Counts
from cleanspan.training.sources import all_joined
from cleanspan.training.trials import Material, Tally

PEOPLE = ("anna", "bert", "cleo", "dora")


def rows(names, labels, *, person, channels, times_s, rng, above=0.5):
    """Random features; every label is told by one of them alone."""
    count = len(channels) * len(times_s)
    features = rng.normal(size=(count, len(names))).astype(np.float32)
    told_by = "fast_size" if "fast_size" in names else "shape_match"
    truth = (features[:, names.index(told_by)] > above).astype(np.int8)
    return Table(
        features,
        {label: truth.copy() for label in labels},
        np.full(count, person),
        np.full(count, f"{person}.edf"),
        np.repeat(np.array(channels), len(times_s)),
        np.tile(np.asarray(times_s, dtype=float), len(channels)),
    )


def tables(person, *, seed, channels=("Fp1", "T7"), above=0.5, events=True):
    rng = np.random.default_rng(seed)
    window_labels = ("muscle", "contact loss", "line noise")
    peaks_s = np.arange(0.25, 60, 1.5) if events else []
    return Tables(
        rows(
            WINDOW_NAMES, window_labels, person=person, channels=channels,
            times_s=np.arange(119) * 0.5, rng=rng, above=above,
        ),
        rows(
            EVENT_NAMES, ("blink",), person=person, channels=channels, times_s=peaks_s, rng=rng
        ),
    )  # fmt: skip


@pytest.fixture
def material():
    """Rows of four people and of one simulated recording."""

    def make(*, people=PEOPLE, channels=("Fp1", "T7"), simulated_above=0.5):
        every = [tables(who, seed=number, channels=channels) for number, who in enumerate(people)]
        faults = [
            tables(who, seed=50 + number, channels=channels, events=False)
            for number, who in enumerate(people)
        ]
        return Material(
            tables("simulated-1", seed=99, above=simulated_above),
            all_joined(every),
            all_joined(faults),
        )

    return make


@pytest.fixture
def quick(monkeypatch):
    """Small batches: a handful of rows must suffice to learn from."""
    recipe = replace(trials.STUDY_RECIPE, batch=32, epochs=20)
    monkeypatch.setattr(trials, "STUDY_RECIPE", recipe)
    monkeypatch.setattr(ablation, "STUDY_RECIPE", recipe)


@pytest.fixture
def watched(monkeypatch):
    """Record who was learned from whenever somebody is judged; fit nothing."""
    pairs = []

    def fit(lab, rest, *, seed):
        known = set() if lab is None else set(lab.windows.person) | set(lab.events.person)
        return known | set(rest.windows.person), seed

    def judged(panels, material, people):
        pairs.extend((panels[0], person) for person in people)
        return {person: Tally(blink=Counts(hit=len(panels[0]))) for person in people}

    for module in (curve, active):
        monkeypatch.setattr(module, "trial_panels", fit)
        monkeypatch.setattr(module, "tallies", judged)
    return pairs


@pytest.mark.parametrize(
    ("families", "names"),
    [(ablation.WINDOW_FAMILIES, WINDOW_NAMES), (ablation.EVENT_FAMILIES, EVENT_NAMES)],
)
def test_every_feature_is_in_one_family(families, names):
    assert sorted(name for own in families.values() for name in own) == sorted(names)


def test_the_family_that_carries_a_label_is_found(material, quick, monkeypatch):
    few = {name: ablation.WINDOW_FAMILIES[name] for name in ("statistical", "spatial")}
    monkeypatch.setattr(ablation, "WINDOW_FAMILIES", few)
    monkeypatch.setattr(ablation, "WINDOW_LABELS", ("muscle",))
    found = ablation.ablate(material(), folds=2, seeds=(0,))
    muscle = {name: f1s[0] for name, f1s in found["muscle"].items()}
    assert muscle["all features"] > 0.75
    assert muscle["spatial alone"] > 0.75
    assert muscle["without spatial"] < 0.6
    assert muscle["statistical alone"] < 0.6
    assert found["blink"]["shape alone"][0] > found["blink"]["surroundings alone"][0] + 0.1


def test_ablation_learns_from_nobody_it_judges(material):
    for split in ablation.splits(material(), ["bert", "dora"]):
        learned = {who for sample in split.samples for who in sample.table.person}
        assert learned == {"anna", "cleo", "simulated-1"}
        assert set(split.judged.person) == {"bert", "dora"}


def test_learning_curve_judges_everybody_by_fits_of_others(material, watched):
    steps = curve.learning_curve(material(), levels=(1, 2), draws=2, folds=2)
    assert [(step.people, step.faults) for step in steps] == [
        (0, False), (1, False), (2, False), (3, False), (3, True),
    ]  # fmt: skip
    assert all(person not in learned for learned, person in watched)
    for step in steps:
        for draw in step.draws:
            assert sorted(draw) == sorted(PEOPLE)
            # the stand-in counts how many people a fit knew; one of them is the simulated one
            assert {tally.blink.hit for tally in draw.values()} == {step.people + 1}


def test_picking_judges_everybody_by_fits_of_others(material, watched, monkeypatch):
    flat = np.zeros((len(SYSTEM_10_20), 119, 3), dtype=np.float32)
    monkeypatch.setattr(active, "answer_grid", lambda *_: flat)
    found = active.compare_picking(material(), budgets=(2, 4), draws=2, folds=2)
    assert [(one.way, one.spans) for one in found] == [
        ("picked", (2, 2)), ("random", (2, 2)), ("picked", (4, 4)), ("random", (4, 4)),
        ("every span", (12, 12)),
    ]  # fmt: skip
    assert all(person not in learned for learned, person in watched)
    assert all(sorted(draw) == sorted(PEOPLE) for one in found for draw in one.draws)


def test_labels_of_others_help_where_simulation_is_wrong(material, quick):
    """Simulated muscle must be far stronger than what readers call so."""
    made = material(channels=SYSTEM_10_20[:6], simulated_above=1.5)
    made.read.windows.features[:, WINDOW_NAMES.index("rms")] += 2  # another amplifier
    others = of_people(made.read, PEOPLE[:3])
    alone = trials.trial_panels(None, made.simulated, seed=0)
    taught, again = (trials.trial_panels(others, made.simulated, seed=0) for _ in range(2))
    before, after, same = (
        trials.tallies(panels, made, ["dora"])["dora"] for panels in (alone, taught, again)
    )
    assert before.muscle.f1 < 0.5
    assert after.muscle.f1 > 0.7
    assert same == after


def test_tallies_by_hand(material, monkeypatch):
    """One person: every window marked as muscle, none as contact loss, every candidate a blink."""

    def all_muscle(_panels, asked):
        def answer(table, value):
            return Answer(
                np.full(len(table), float(value), dtype=np.float32),
                np.full(len(table), value, dtype=np.int8),
            )

        return {
            "blink": answer(asked.events, 1),
            "muscle": answer(asked.windows, 1),
            "contact loss": answer(asked.windows, 0),
        }

    monkeypatch.setattr(trials, "answers", all_muscle)
    made = material(people=("anna",))
    tally = trials.tallies(None, made, ["anna"])["anna"]
    truth = made.read.windows.truth["muscle"]
    there, absent = int((truth == 1).sum()), int((truth == 0).sum())
    assert tally.muscle == Counts(hit=there, false=absent)
    assert tally.contact_loss == Counts(missed=there, clear=absent)
    assert tally.clean == Counts(false=absent)
    assert tally.clean_marked == 1.0
    assert tally.blink.known == int((made.read.events.channel == "Fp1").sum())
    assert (tally + tally).muscle.hit == 2 * there
    faults = made.injected.windows.truth["contact loss"]
    assert tally.injected.clear == int((faults == 0).sum())
    assert 0.3 < tally.injected.missed / (faults == 1).sum() < 0.6  # kept twice too often


def test_pick_goes_where_the_model_doubts_and_reveals_that_span_only(material, monkeypatch):
    def doubtful(_tables, recording, _panels):
        grid = np.full((len(SYSTEM_10_20), 119, 3), 0.01, dtype=np.float32)
        if recording == "cleo.edf":
            grid[:, 40:59, 1] = 0.5  # windows from 20 to 29 s
        return grid

    monkeypatch.setattr(active, "answer_grid", doubtful)
    pool = active.Pool.of(material().read, None)
    assert pool.size == 6 * len(PEOPLE)
    picks = [
        pick
        for pick in pool.picks(3, way=active.PICKED, seed=0)
        if (pool.recordings[pick.recording], pick.onset_s) == ("cleo.edf", 20.0)
    ]
    assert len(picks) == 1
    shown = pool.revealed(picks)
    assert set(shown.windows.person) | set(shown.events.person) == {"cleo"}
    assert sorted(set(shown.windows.time_s)) == [20 + 0.5 * n for n in range(19)]
    assert shown.events.time_s.min() >= 20
    assert shown.events.time_s.max() <= 30
    drawn = {
        (pick.recording, pick.onset_s)
        for seed in range(8)
        for pick in pool.picks(1, way=active.RANDOM, seed=seed)
    }
    assert len(drawn) > 3


def test_answers_are_laid_on_channels_and_windows(material, monkeypatch):
    made = material(channels=SYSTEM_10_20).read

    def by_place(_panels, asked):
        windows, events = asked.windows, asked.events
        at_cz = (windows.channel == "Cz") & (windows.time_s == 7.5)
        events.time_s[events.time_s == 10.75] = 9.3  # a second candidate in the same windows
        blink = (events.channel == "Fp2") & (np.abs(events.time_s - 9.25) < 0.01)
        return {
            "muscle": Answer(at_cz * np.float32(0.75), at_cz.astype(np.int8)),
            "contact loss": Answer(at_cz * np.float32(0), at_cz.astype(np.int8)),
            "blink": Answer(blink * np.float32(0.5), blink.astype(np.int8)),
        }

    monkeypatch.setattr(active, "answers", by_place)
    grid = active.answer_grid(made, "bert.edf", None)
    where = {tuple(int(n) for n in place) for place in np.argwhere(grid > 0)}
    cz, fp2 = SYSTEM_10_20.index("Cz"), SYSTEM_10_20.index("Fp2")
    assert where == {(cz, 15, 1), (fp2, 17, 0), (fp2, 18, 0)}
    assert grid[fp2, 18, 0] == 0.5


def test_material_keeps_each_read_row_once_as_the_whole_cap_shows_it(material, tmp_path):
    small, whole = tables("anna", seed=1), tables("anna", seed=2)
    other = tables("bert", seed=5)
    simulated = tables("simulated-1", seed=3)
    made = trials.material_of(
        Ingredients(simulated, all_joined([small, whole, other]), tables("anna", seed=4))
    )
    once = all_joined([whole, other])
    np.testing.assert_array_equal(made.read.windows.features, once.windows.features)
    np.testing.assert_array_equal(made.read.events.features, once.events.features)
    assert trials.load_material(tmp_path) is None
    trials.save_material(tmp_path, made)
    again = trials.load_material(tmp_path)
    np.testing.assert_array_equal(again.read.windows.features, made.read.windows.features)
    with pytest.raises(ValueError, match="read recordings"):
        trials.material_of(Ingredients(simulated))


def test_command_writes_tables(material, tmp_path, monkeypatch, capsys):
    trials.save_material(tmp_path / "rows", material())
    values = {name: [0.5, 0.7] for name in ("all features", "without spatial")}
    monkeypatch.setattr(
        studies, "ablate",
        lambda _: dict.fromkeys(("muscle", "contact loss", "line noise", "blink"), values),
    )  # fmt: skip
    call = ["--recordings", "r", "--labels", "l", "--cache", str(tmp_path / "rows")]
    studies.main([*call, "--only", "ablation", "--write", str(tmp_path / "out.md")])
    text = (tmp_path / "out.md").read_text(encoding="utf-8")
    assert "| without spatial | 0.600 (0.500 to 0.700) |" in text
    studies.main([*call, "--only", "ablation"])
    assert capsys.readouterr().out == text


def test_tables_of_curve_and_picking(material, monkeypatch):
    def tally(hit, *, false=1):
        return {
            "anna": Tally(
                blink=Counts(hit=hit, missed=10 - hit), clean=Counts(false=false, clear=10 - false)
            )
        }

    steps = [
        curve.Step(n, faults=faults, draws=(tally(n + 1), tally(n + 2)))
        for n, faults in ((0, False), (3, False), (3, True))
    ]
    monkeypatch.setattr(studies, "learning_curve", lambda _: steps)
    lines = studies.curve_lines(material())
    assert any(line.startswith("| 3, faults injected too | 0.") for line in lines)
    outcomes = [
        active.Outcome("picked", (5, 5), (tally(6, false=2), tally(4, false=4))),
        active.Outcome("random", (5, 5), (tally(5, false=3), tally(5, false=4))),
        active.Outcome("every span", (60, 72), (tally(8),)),
    ]
    monkeypatch.setattr(studies, "compare_picking", lambda _: outcomes)
    lines = studies.picking_lines(material())
    assert any(line.startswith("| 60 to 72 | every span | 0.889 |") for line in lines)
    assert lines[-1].startswith("| 5 | -0.006 (1 of 2) | - | - | - |")
    assert lines[-1].endswith("| -0.050 (1 of 2) |")  # fewer marks on clean windows are better


def test_missing_recordings_are_one_clear_message(tmp_path, monkeypatch):
    monkeypatch.setattr("cleanspan.training.ingredients.thinned_simulation", lambda _: None)
    monkeypatch.setattr("cleanspan.training.ingredients.all_joined", lambda _: None)
    call = ["--recordings", str(tmp_path), "--labels", str(tmp_path), "--jobs", "1"]
    with pytest.raises(SystemExit, match=r"S001R01\.edf: must exist"):
        studies.main(call)
