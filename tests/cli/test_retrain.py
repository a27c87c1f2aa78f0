"""``cleanspan retrain`` as a user meets it: hand labels in, a judged model in the store out."""

import numpy as np
import pytest
from edfio import Edf, EdfSignal

from cleanspan.cli import main
from cleanspan.labelling.model import load_model, save_model
from cleanspan.training import retrain as module
from cleanspan.training import store as store_module
from cleanspan.training.dataset import Tables
from cleanspan.training.fitting import Recipe, Sample, View, fit_panel
from cleanspan.training.sample import save_tables
from cleanspan.training.simulator import Amplifier, Burst, Muscle, Scenario, simulate
from cleanspan.training.sources import WINDOW_LABELS, all_joined, simulation_tables
from cleanspan.types import LABELS

TINY = Recipe(
    views={label: (View((4,), 0.003, 1),) for label in LABELS}, epochs=2, folds=2, most_rows=1500
)
CAP = ("Fp1", "Fp2", "T7", "Cz", "T8", "O2")


def simulated(number):
    scenario = Scenario(
        duration_s=15.0,
        electrodes=CAP,
        amplifier=Amplifier(rate_hz=200.0),
        muscle=Muscle(bursts=(Burst("left temple", 4.0, 6.0, 80.0),)),
    )
    return simulate(number, scenario=scenario)


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    root = tmp_path_factory.mktemp("lab")
    (root / "in").mkdir()
    rows = ["recording,label,onset_s,duration_s,channels,reader,note"]
    for number in range(3):
        name = f"p{number}_rest.edf"
        made = simulated(number)
        signals = [
            EdfSignal(np.clip(samples, -3000, 3000).astype(float), 200, label=channel,
                      physical_dimension="uV", physical_range=(-3000, 3000))
            for channel, samples in zip(CAP, made.samples_uv, strict=True)
        ]  # fmt: skip
        Edf(signals).write(root / "in" / name)
        rows.append(f"{name},reviewed,0,15,all,ada,")
        rows += [
            f"{name},{s.label},{s.onset_s:.2f},{s.duration_s:.2f},{' '.join(s.channels)},ada,"
            for s in made.labels
            if s.label in ("blink", "muscle") and s.onset_s + s.duration_s < 15
        ]
    (root / "labels.csv").write_text("\n".join(rows) + "\n")
    base: Tables = all_joined([simulation_tables(simulated(n), name=f"b{n}") for n in (90, 91)])
    model = root / "shipped"
    model.mkdir()
    save_model(
        model,
        name="shipped",
        windows=fit_panel("windows", [Sample(base.windows)], WINDOW_LABELS, recipe=TINY),
        events=fit_panel("events", [Sample(base.events)], ("blink",), recipe=TINY),
        rules={},
        facts={},
        card="",
    )
    save_tables(model / "sample.npz", base)
    return root


@pytest.fixture
def run(lab, monkeypatch, capsys, tmp_path):
    """Run the command with small networks: what is tested is the way, not the learning."""
    from dataclasses import replace

    real = module.retrain
    monkeypatch.setattr(
        module, "retrain", lambda *a, plan, **k: real(*a, plan=replace(plan, recipe=TINY), **k)
    )
    monkeypatch.setattr(store_module, "shipped_model", lambda: lab / "shipped")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))

    def run(*args, status=0):
        with pytest.raises(SystemExit) as caught:
            main(["retrain", *map(str, args)])
        out, err = capsys.readouterr()
        assert (caught.value.code or 0) == status, err
        return out, err

    return run


def test_a_model_is_learned_judged_and_stored_but_not_put_into_use(lab, run, tmp_path):
    out, _ = run(lab / "in", "--labels", lab / "labels.csv", "--name", "spring")
    assert "spring@" in out
    assert "not judged: 3 people left out are too few" in out
    assert "cleanspan model show spring" in out
    assert "cleanspan model use" not in out
    store = store_module.ModelStore(tmp_path / "state" / "cleanspan" / "models")
    assert store.names() == ["spring"]
    assert store.in_use() == "shipped"
    assert load_model(store.path("spring")).manifest["training"]["people"] == 3


def test_without_a_name_the_date_is_the_name_and_a_second_gets_a_number(lab, run, tmp_path):
    run(lab / "in", "--labels", lab / "labels.csv")
    run(lab / "in", "--labels", lab / "labels.csv")
    names = store_module.ModelStore(tmp_path / "state" / "cleanspan" / "models").names()
    assert len(names) == 2
    assert names[1] == f"{names[0]}-2"


def test_everything_wrong_with_the_labels_is_told_before_any_work(lab, run, tmp_path):
    wrong = tmp_path / "wrong.csv"
    wrong.write_text(
        "recording,label,onset_s,duration_s,channels,reader\n"
        "p0_rest.edf,muscle,10,20,T7,ada\n"
        "p0_rest.edf,muscle,1,2,T5,ada\n"
        "p9_rest.edf,muscle,1,2,T7,ada\n"
    )
    _, err = run(lab / "in", "--labels", wrong, status=2)
    assert "wrong.csv:2: a mark must lie inside the recording" in err
    assert "wrong.csv:3: channels must be the recording's, got T5" in err
    assert "wrong.csv:4: the recording 'p9_rest.edf' must be found once" in err
    assert not (tmp_path / "state").exists()


@pytest.mark.parametrize(
    ("option", "value", "told"),
    [
        ("--lab-share", "nan", "must be a number, got nan"),
        ("--seed", "-1", "-1 is not in the range"),
    ],
)
def test_numbers_that_are_none_are_refused_before_the_work(lab, run, option, value, told):
    _, err = run(lab / "in", "--labels", lab / "labels.csv", option, value, status=2)
    assert told in err
    assert "learning" not in err


def test_a_table_without_rows_is_refused_before_any_work(lab, run, tmp_path):
    empty = tmp_path / "empty.csv"
    empty.write_text("recording,label,onset_s,duration_s,channels,reader,note\n")
    out, err = run(lab / "in", "--labels", empty, status=2)
    assert not out
    assert err.startswith(
        f"cleanspan: {empty}: hand labels must have at least one row, got none; "
    )
    assert err.count("\n") == 1


def test_a_taken_name_is_refused_before_the_work(lab, run):
    run(lab / "in", "--labels", lab / "labels.csv", "--name", "spring")
    _, err = run(lab / "in", "--labels", lab / "labels.csv", "--name", "spring", status=2)
    assert "a model's name must be new" in err


def test_an_own_label_declared_in_the_settings_is_learned(lab, run, tmp_path):
    settings = tmp_path / "lab.toml"
    settings.write_text(
        '[labels]\nextra = ["lateral eye movement"]\n[labels.wording]\n"saccade" = '
        '"lateral eye movement"\n'
    )
    own = tmp_path / "own.csv"
    rows = [f"p{n}_rest.edf,saccade,2,3,T7,ada," for n in range(3)]
    own.write_text((lab / "labels.csv").read_text() + "\n".join(rows) + "\n")
    out, _ = run(lab / "in", "--labels", own, "--config", settings, "--name", "own")
    assert "lateral eye movement" in out
    store = store_module.ModelStore(tmp_path / "state" / "cleanspan" / "models")
    assert "lateral eye movement" in load_model(store.path("own")).labels


def test_recordings_are_watched_for_drift(lab, run, tmp_path, capsys):
    run(lab / "in", "--labels", lab / "labels.csv", "--name", "spring")
    with pytest.raises(SystemExit) as caught:
        main(["model", "watch", str(lab / "in"), "--model", "spring"])
    assert not caught.value.code
    lines = capsys.readouterr().out.splitlines()
    assert [line.split(":")[0] for line in lines] == [f"p{n}_rest.edf" for n in range(3)]
    assert all(line.endswith("as usual") for line in lines)
