"""Guides: listed, printed, and what they say works."""

import re
import shlex
from pathlib import Path

import edfio
import mne
import numpy as np
import pytest

import cleanspan
from cleanspan.cli import COMMANDS, cli, main
from cleanspan.config import fill, read_toml
from cleanspan.export.exclusions import apply_to
from cleanspan.export.marked import write_marked
from cleanspan.export.marks import marks_for
from cleanspan.export.plans import Plan, load_plan, shipped_plans
from cleanspan.export.stored import StoredResult
from cleanspan.labelling.channels import MEND_FROM, NOISY_FROM, WATCH_FROM

GUIDES = Path(cleanspan.__file__).parent / "guides"
OURS = ("analyst", "technologist", "operator", "data-formats", "labels", "cautions")


def guide(topic):
    return (GUIDES / f"{topic}.md").read_text(encoding="utf-8")


def code(topic, language):
    return re.findall(rf"```{language}\n(.*?)```", guide(topic), flags=re.DOTALL)


@pytest.fixture
def run(capsys):
    def call(*args):
        with pytest.raises(SystemExit) as stop:
            main(["guide", *args])
        told = capsys.readouterr()
        return stop.value.code or 0, told.out, told.err

    return call


def test_list_names_every_guide_with_its_title(run):
    status, out, _ = run()
    assert status == 0
    for topic in OURS:
        title = guide(topic).splitlines()[0].removeprefix("# ")
        assert re.search(rf"^{topic} +{re.escape(title)}$", out, flags=re.MULTILINE)


@pytest.mark.parametrize("topic", OURS)
def test_a_guide_is_printed_whole(run, topic):
    assert run(topic)[1].rstrip() == guide(topic).rstrip()


def test_unknown_topic_names_the_near_one(run):
    status, _, err = run("analist")
    assert status == 2
    assert "got 'analist'; did you mean 'analyst'?" in err


@pytest.mark.parametrize("topic", ["analyst", "technologist", "cautions"])
def test_cautions_stand_where_results_are_read(topic):
    assert "missing mark proves nothing" in guide(topic).lower()


@pytest.mark.parametrize("topic", OURS)
def test_guides_name_only_guides_and_commands_that_exist(topic):
    text = " ".join(guide(topic).split())
    for named in re.findall(r"cleanspan guide ([a-z-]+)", text):
        assert (GUIDES / f"{named}.md").exists()
    for command in re.findall(r"[`\n]cleanspan ([a-z]+)", guide(topic)):
        assert command in COMMANDS


def test_commands_of_the_analysts_guide_run(results, monkeypatch):
    monkeypatch.chdir(results.parent)
    lines = code("analyst", "console")[0].splitlines()
    assert len(lines) == 4
    for line in lines:
        cli.main(shlex.split(line)[1:], standalone_mode=False)


@pytest.fixture
def workplace(results, monkeypatch):
    """The results folder, with a marked file as screening writes it."""
    stored = StoredResult.load(results / "harbour-07")
    values = np.random.default_rng(2).normal(0, 20, (6, 60 * 256))
    signals = [
        edfio.EdfSignal(row, 256, label=channel.label, physical_dimension="uV")
        for row, channel in zip(values, stored.eeg, strict=True)
    ]
    source = results.parent / "harbour-07.edf"
    edfio.Edf(signals).write(source)
    applied = apply_to(stored, stored.pieces, load_plan("resting"))
    write_marked(source, stored.folder / "harbour-07_marked.edf", marks_for(stored, applied))
    monkeypatch.chdir(results.parent)
    return applied


def test_snippets_of_the_analysts_guide_give_what_they_say(workplace):
    with_mne, with_pandas = code("analyst", "python")
    space = {}
    with mne.use_log_level("error"):
        exec(with_mne, space)  # noqa: S102
    epochs = space["epochs"]
    begins = epochs.events[:, 0] / 256
    for onset_s, duration_s in workplace.excluded[["onset_s", "duration_s"]].to_numpy():
        assert not ((begins < onset_s + duration_s) & (onset_s < begins + 2.0)).any()
    assert 0 < len(epochs) < 30
    exec(with_pandas, space)  # noqa: S102
    assert space["seconds"]["EEG O2-A1A2", "contact loss"] == pytest.approx(33.0)


def test_plan_of_the_guide_is_a_plan(tmp_path):
    path = tmp_path / "back.toml"
    path.write_text(code("data-formats", "toml")[0])
    plan = fill(Plan, {"name": "back", **read_toml(path)}, where="guide")
    assert plan.must_be_good == ("O1", "O2")
    assert load_plan(str(path)) == plan


def test_every_shipped_plan_stands_in_the_analysts_guide():
    for name in shipped_plans():
        assert f"- `{name}`: " in guide("analyst")


def test_technologists_guide_states_the_limits_of_the_verdicts():
    text = guide("technologist")
    assert f"without contact for {WATCH_FROM:.0%}".replace("%", " %") in text
    assert f"without contact for {MEND_FROM:.0%}".replace("%", " %") in text
    assert NOISY_FROM == 0.5
    assert "line noise for half of it" in text
