"""Many recordings: which are found, where their results go, and what one bad one costs."""

import csv
import json
import os
import runpy
import socket
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from cleanspan.batch import Task, plan_tasks, screen_batch
from cleanspan.cli import cli
from cleanspan.config import Config, Export
from cleanspan.errors import OutputError, UsageError
from cleanspan.recording.content import digest_of
from cleanspan.screen import failed, screen_recording
from cleanspan.search import find_recordings

_made = SimpleNamespace(**runpy.run_path(str(Path(__file__).parent / "features" / "invented.py")))
LEAN = Config(export=Export(marked="none", report=False, windows=False))


def touch(*paths):
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"0")
    return list(paths)


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return _made.save_rules(tmp_path_factory.mktemp("model") / "rules")


@pytest.fixture
def recordings(tmp_path):
    samples = _made.background(8, 12, seed=1)
    samples[5, 1000:2000] = 3.0
    good = [
        _made.write_edf(tmp_path / "in" / f"{name}.edf", samples, _made.SMALL_CAP)
        for name in ("anna", "cleo")
    ]
    bad = tmp_path / "in" / "bert.edf"
    bad.write_bytes(good[0].read_bytes()[:300])
    return [good[0], bad, good[1]]


# ---- finding


def test_folders_are_searched_at_every_depth_in_order(tmp_path):
    made = touch(
        tmp_path / "a.edf", tmp_path / "b" / "x.BDF", tmp_path / "b" / "c" / "y.Edf",
        tmp_path / "b" / "notes.txt", tmp_path / "z.vhdr", tmp_path / "z.eeg",
    )  # fmt: skip
    found = find_recordings([tmp_path], tmp_path / "out")
    assert found == [made[0], made[2], made[1], made[4]]


def test_each_recording_is_listed_once_however_often_it_is_named(tmp_path):
    (first,) = touch(tmp_path / "in" / "a.edf")
    (tmp_path / "in" / "link.edf").symlink_to(first)
    named = [first, tmp_path / "in", tmp_path / "in" / ".." / "in" / "a.edf"]
    assert find_recordings(named, tmp_path / "out") == [first]


def test_a_named_file_may_have_any_ending(tmp_path):
    (odd,) = touch(tmp_path / "recording.dat")
    assert find_recordings([odd], tmp_path / "out") == [odd]


def test_results_are_passed_over(tmp_path):
    first, *_ = touch(
        tmp_path / "a.edf",
        tmp_path / "old" / "a" / "a_marked.edf",
        tmp_path / "old" / "a" / "a_facts.json",
        tmp_path / "out" / "b.edf",
        tmp_path / ".unfinished-1f-new" / "c.edf",
    )
    assert find_recordings([tmp_path], tmp_path / "out") == [first]


def test_every_missing_path_is_named(tmp_path):
    with pytest.raises(UsageError) as caught:
        find_recordings([tmp_path / "one.edf", tmp_path, tmp_path / "two.edf"], tmp_path / "out")
    assert str(caught.value).startswith("every path must exist, got: ")
    assert "one.edf" in str(caught.value)
    assert "two.edf" in str(caught.value)


def test_a_folder_without_a_recording_is_named(tmp_path):
    touch(tmp_path / "in" / "notes.txt")
    with pytest.raises(
        UsageError, match=r"must hold a file ending in one of \.edf .* got none in"
    ):
        find_recordings([tmp_path / "in"], tmp_path / "out")


def test_a_folder_that_cannot_be_read_is_named(tmp_path, monkeypatch):
    touch(tmp_path / "in" / "a.edf", tmp_path / "in" / "shut" / "b.edf")
    given = Path.iterdir

    def refuse(self):
        if self.name == "shut":
            raise PermissionError(13, "Permission denied")
        return given(self)

    monkeypatch.setattr(Path, "iterdir", refuse)
    with pytest.raises(UsageError, match=r"shut: a folder must be readable .* Permission denied"):
        find_recordings([tmp_path / "in"], tmp_path / "out")


def test_a_linked_folder_is_not_followed(tmp_path):
    """A link to a parent would never end."""
    (first,) = touch(tmp_path / "in" / "a.edf")
    (tmp_path / "in" / "again").symlink_to(tmp_path / "in")
    assert find_recordings([tmp_path / "in"], tmp_path / "out") == [first]


def test_what_begins_with_a_dot_is_taken_only_where_it_is_named(tmp_path):
    first, beside, hidden, deeper = touch(
        tmp_path / "a.edf",
        tmp_path / "._a.edf",
        tmp_path / ".venv" / "b.edf",
        tmp_path / ".venv" / "lib" / "c.edf",
    )
    assert find_recordings([beside], tmp_path / "out") == [beside]
    assert find_recordings([tmp_path], tmp_path / "out") == [first]
    assert find_recordings([tmp_path / ".venv"], tmp_path / "out") == [hidden, deeper]


def test_what_is_named_like_a_recording_and_is_no_file_is_told_and_the_others_go_on(
    tmp_path, caplog
):
    first, inner, _ = touch(
        tmp_path / "a.edf", tmp_path / "packed.edf" / "packed.edf", tmp_path / "real.mff" / "x.bin"
    )
    os.mkfifo(tmp_path / "pipe.bdf")
    os.mkfifo(tmp_path / "pipe.mff")
    os.mkfifo(tmp_path / "notes.txt")
    (tmp_path / "empty.edf").mkdir()
    (tmp_path / "plain").mkdir()
    (tmp_path / "linked.edf").symlink_to(tmp_path / "plain")
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "socket.set"))
        found = find_recordings([tmp_path], tmp_path / "out")
    assert found == [first, inner, tmp_path / "real.mff"]
    begun = "passed over, for a recording must be a file, got"
    pipe = "a pipe, a socket or a device; copy it into a file"
    assert [record.getMessage() for record in caplog.records] == [
        f"{tmp_path / 'empty.edf'}: {begun} a folder without any in it",
        f"{tmp_path / 'linked.edf'}: {begun} a link to a folder; name that folder",
        f"{tmp_path / 'pipe.bdf'}: {begun} {pipe}",
        f"{tmp_path / 'pipe.mff'}: {begun} {pipe}",
        f"{tmp_path / 'socket.set'}: {begun} {pipe}",
    ]


def test_results_that_are_named_like_a_recording_are_passed_over_without_a_word(tmp_path, caplog):
    first, _ = touch(tmp_path / "a.edf", tmp_path / "old.edf" / "old.edf_facts.json")
    assert find_recordings([tmp_path], tmp_path / "out") == [first]
    assert not caplog.records


# ---- planning


def folders(sources, out):
    return [task.folder.name for task in plan_tasks(sources, out)]


def test_recordings_that_share_a_name_get_folders_of_their_own(tmp_path):
    sources = [Path("mon/R.edf"), Path("tue/R.edf"), Path("r.bdf"), Path("R-2.edf"), Path("S.edf")]
    made = folders(sources, tmp_path)
    assert made == ["R", "R-2", "r-3", "R-2-2", "S"]
    assert len({name.casefold() for name in made}) == 5


@pytest.mark.parametrize(
    ("name", "folder"),
    [
        ("Frau Müller 3.edf", "Frau Müller 3"),
        ("-rf.edf", "_rf"),
        ("a:b*c?.edf", "a_b_c_"),
        ("summary.csv.edf", "summary.csv-2"),
        (".hidden.edf", "_hidden"),
    ],
)
def test_folders_of_odd_names(tmp_path, name, folder):
    assert folders([Path(name)], tmp_path) == [folder]


def test_a_folder_of_something_else_is_never_replaced(tmp_path):
    """Recordings kept in folders of their own: results must not take such a folder's place."""
    (source,) = touch(tmp_path / "data" / "R" / "R.edf")
    with pytest.raises(
        UsageError, match=r"R: results replace this folder .* got: R\.edf; choose another folder"
    ):
        plan_tasks([source], tmp_path / "data")
    assert source.exists()


def test_an_empty_folder_may_be_replaced(tmp_path):
    (tmp_path / "out" / "S").mkdir(parents=True)
    assert folders([Path("S.edf")], tmp_path / "out") == ["S"]


def holding(out, name, source):
    """Make the least that tells a folder of results, and which recording they are of."""
    facts = {"content": digest_of(source)} if source else {}
    (out / name).mkdir(parents=True)
    (out / name / f"{name}_facts.json").write_text(json.dumps(facts))


def recordings_called_r(tmp_path, *days):
    """Make one recording a folder, all called R.edf and all different."""
    sources = touch(*(tmp_path / day / "R.edf" for day in days))
    for source in sources:
        source.write_text(source.parent.name)
    return sources


def test_the_same_recording_gets_its_folder_again_and_another_the_next_free_one(tmp_path):
    out = tmp_path / "out"
    mon, tue, wed = recordings_called_r(tmp_path, "mon", "tue", "wed")
    holding(out, "R", mon)
    assert folders([mon], out) == ["R"]
    assert folders([tue], out) == ["R-2"]
    holding(out, "R-2", tue)
    assert folders([wed, tue, mon], out) == ["R-3", "R-2", "R"]


def test_a_recording_is_known_by_its_content_whatever_its_folder(tmp_path):
    out = tmp_path / "out"
    mon, tue = recordings_called_r(tmp_path, "mon", "tue")
    holding(out, "R", mon)
    holding(out, "R-2", tue)
    moved = tmp_path / "archive" / "R.edf"
    moved.parent.mkdir()
    tue.rename(moved)
    assert folders([moved], out) == ["R-2"]
    mon.write_text("recorded anew under the old name")
    assert folders([mon], out) == ["R-3"]


def test_a_number_that_has_become_free_is_not_mixed_up_with_a_folder_that_is_taken(tmp_path):
    out = tmp_path / "out"
    mon, tue = recordings_called_r(tmp_path, "mon", "tue")
    holding(out, "R-2", tue)
    assert folders([tue], out) == ["R-2"]
    assert folders([mon, tue], out) == ["R", "R-2"]


def test_two_copies_of_one_recording_keep_two_folders(tmp_path):
    out = tmp_path / "out"
    mon, tue = recordings_called_r(tmp_path, "mon", "tue")
    tue.write_bytes(mon.read_bytes())
    assert folders([mon, tue], out) == ["R", "R-2"]
    holding(out, "R", mon)
    holding(out, "R-2", tue)
    assert folders([mon, tue], out) == ["R", "R-2"]


def test_results_that_do_not_say_whose_they_are_stay_and_that_is_told(tmp_path, caplog):
    out = tmp_path / "out"
    (mon,) = recordings_called_r(tmp_path, "mon")
    holding(out, "R", None)
    caplog.set_level("WARNING", "cleanspan")
    assert folders([mon], out) == ["R-2"]
    assert "do not say which recording they are of" in caplog.text


def test_a_recording_of_another_case_does_not_take_a_folder(tmp_path):
    out = tmp_path / "out"
    (mon,) = recordings_called_r(tmp_path, "mon")
    holding(out, "r", mon)
    (tmp_path / "R.edf").write_text("another")
    assert folders([tmp_path / "R.edf"], out) == ["R-2"]
    assert folders([mon], out) == ["r"]


# ---- screening


def test_on_several_processes_the_longest_recording_comes_first(tmp_path, monkeypatch):
    sizes = {"anna": 10, "bert": 30, "cleo": 20, "dora": 30}
    tasks = []
    for name, size in sizes.items():
        (tmp_path / name).write_bytes(bytes(size))
        tasks.append(Task(tmp_path / name, tmp_path / "out" / name))
    tasks.append(Task(tmp_path / "gone", tmp_path / "out" / "gone"))
    given = []

    def outcomes(tasks, order, config, model, jobs):
        given.extend(tasks[place].source.name for place in order)
        yield from [(place, failed(tasks[place].source, "not screened")) for place in order]

    monkeypatch.setattr("cleanspan.batch._outcomes", outcomes)
    done = screen_batch(tasks, config=Config(), model=tmp_path, jobs=2)
    assert given == ["bert", "dora", "cleo", "anna", "gone"]
    assert [outcome.recording for outcome in done] == [*sizes, "gone"]


def same_name(tmp_path, *days):
    """Make recordings that differ, one a folder, all called R.edf."""
    return [
        _made.write_edf(
            tmp_path / day / "R.edf", _made.background(8, 12, seed=number), _made.SMALL_CAP
        )
        for number, day in enumerate(days)
    ]


def contents(out):
    return {path.parent.name: json.loads(path.read_text())["content"]
            for path in out.glob("*/*_facts.json")}  # fmt: skip


def summary(out):
    with (out / "summary.csv").open(encoding="utf-8-sig", newline="") as file:
        return sorted((row["folder"], row["status"]) for row in csv.DictReader(file))


@pytest.mark.parametrize("jobs", [1, 2])
def test_two_calls_that_chose_the_same_folder_at_one_moment_lose_nothing(tmp_path, model, jobs):
    out = tmp_path / "out"
    mon, tue, wed = same_name(tmp_path, "mon", "tue", "wed")
    first, second = plan_tasks([mon], out), plan_tasks([tue, wed], out)
    assert [task.folder.name for task in (*first, *second)] == ["R", "R", "R-2"]
    (done,) = screen_batch(first, config=LEAN, model=model)
    (out / "R" / "note.txt").write_text("mine")
    others = screen_batch(second, config=LEAN, model=model, jobs=jobs)
    assert done.folder == out / "R"
    assert {outcome.folder.name for outcome in others} == {"R-2", "R-3"}
    digests = contents(out)
    for outcome, source in zip([done, *others], [mon, tue, wed], strict=True):
        assert digests[outcome.folder.name] == digest_of(source)
    assert summary(out) == [("R", "done"), ("R-2", "done"), ("R-3", "done")]
    assert not (out / "earlier").exists()
    assert not list(out.glob(".unfinished*"))
    # From now on each has its own.
    assert [t.folder for t in plan_tasks([mon, tue, wed], out)] == [
        done.folder, *(outcome.folder for outcome in others),
    ]  # fmt: skip


@pytest.mark.parametrize("below", ["", "R", "nights/1", "new/deeper"])
def test_no_folder_in_a_nights_output_is_taken(tmp_path, below):
    night = tmp_path / "night"
    (night / "R").mkdir(parents=True)
    (night / ".night.lock").touch()
    with pytest.raises(UsageError, match="must not go where a night keeps its own"):
        plan_tasks([], night / below)
    assert plan_tasks([], tmp_path / "other") == []


def test_a_failure_leaves_the_row_of_who_took_the_folder_meanwhile(tmp_path, model):
    out = tmp_path / "out"
    (mon,) = same_name(tmp_path, "mon")
    bad = tmp_path / "tue" / "R.edf"
    bad.parent.mkdir()
    bad.write_bytes(mon.read_bytes()[:300])
    first, second = plan_tasks([mon], out), plan_tasks([bad], out)
    screen_batch(first, config=LEAN, model=model)
    screen_batch(second, config=LEAN, model=model)
    assert summary(out) == [("", "failed"), ("R", "done")]
    assert contents(out) == {"R": digest_of(mon)}


def test_folders_of_other_things_are_passed_over_when_the_place_is_taken(tmp_path, model):
    out = tmp_path / "out"
    mon, tue = same_name(tmp_path, "mon", "tue")
    first, second = plan_tasks([mon], out), plan_tasks([tue], out)
    touch(out / "r-2" / "notes.txt")
    (out / "R-3").mkdir()
    screen_batch(first, config=LEAN, model=model)
    (outcome,) = screen_batch(second, config=LEAN, model=model)
    assert outcome.folder == out / "R-3"
    assert contents(out) == {"R": digest_of(mon), "R-3": digest_of(tue)}


def test_two_processes_at_one_moment_lose_nothing(tmp_path, model):
    out = tmp_path / "out"
    sources = same_name(tmp_path, "mon", "tue")
    config = tmp_path / "c.toml"
    config.write_text(
        '[export]\nmarked = "none"\nreport = false\nwindows = false\n'
        f'[labelling]\nmodel = "{model}"\n'
    )
    calls = [
        subprocess.Popen(
            [sys.executable, "-m", "cleanspan", "screen", str(source), "--out", str(out),
             "--config", str(config), "--jobs", "1", "--quiet"]
        )
        for source in sources
    ]  # fmt: skip
    assert [call.wait(120) for call in calls] == [0, 0]
    digests = contents(out)
    assert sorted(digests) == ["R", "R-2"]
    assert sorted(digests.values()) == sorted(map(digest_of, sources))
    assert summary(out) == [("R", "done"), ("R-2", "done")]


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_bad_recording_becomes_a_row_and_the_others_go_on(recordings, model, tmp_path, jobs):
    out, seen = tmp_path / "out", []
    outcomes = screen_batch(
        plan_tasks(recordings, out), config=LEAN, model=model, jobs=jobs, done=seen.append
    )
    assert [outcome.status for outcome in outcomes] == ["done", "failed", "done"]
    assert [outcome.recording for outcome in outcomes] == ["anna.edf", "bert.edf", "cleo.edf"]
    assert outcomes[1].error.startswith("bert.edf: ")
    assert "\n" not in outcomes[1].error
    assert sorted(seen, key=lambda outcome: outcome.recording) == outcomes
    rows = (out / "summary.csv").read_text().splitlines()
    assert [row.split(",")[:2] for row in rows[1:]] == [
        ["anna.edf", "done"], ["bert.edf", "failed"], ["cleo.edf", "done"],
    ]  # fmt: skip
    assert sorted(path.name for path in out.iterdir()) == ["anna", "cleo", "summary.csv"]
    assert {outcome.model for outcome in outcomes} == {outcomes[0].model}
    assert outcomes[0].model.startswith("rules@")


def test_one_process_and_several_give_the_same(recordings, model, tmp_path):
    texts = []
    for jobs in (1, 2):
        out = tmp_path / f"out-{jobs}"
        screen_batch(plan_tasks(recordings, out), config=LEAN, model=model, jobs=jobs)
        texts.append((out / "anna" / "anna_segments.csv").read_bytes())
    assert texts[0] == texts[1]
    assert texts[0].count(b"contact loss") == 1


@pytest.mark.parametrize("jobs", [1, 2])
def test_the_summary_is_there_before_the_last_recording(
    recordings, model, tmp_path, monkeypatch, jobs
):
    """A run that is killed outright leaves rows of what it has finished."""
    monkeypatch.setattr("cleanspan.batch.EASE", 0.0)
    out, told = tmp_path / "out", []
    outcomes = screen_batch(
        plan_tasks(recordings, out), config=LEAN, model=model, jobs=jobs,
        done=lambda _: told.append(summary(out)),
    )  # fmt: skip
    assert [len(rows) for rows in told] == [1, 2, 3]
    assert told[-1] == [("", "failed"), ("anna", "done"), ("cleo", "done")]
    rows = (out / "summary.csv").read_text().splitlines()[1:]
    assert [row.split(",")[0] for row in rows] == [one.recording for one in outcomes]


def slow_first(path, folder, *, config, model):
    """Stands for a long recording beside short ones."""
    if Path(path).stem == "anna":
        time.sleep(3)
    return screen_recording(path, folder, config=config, model=model)


def test_a_long_recording_holds_no_rows_back(recordings, model, tmp_path, monkeypatch):
    monkeypatch.setattr("cleanspan.batch.screen_recording", slow_first)
    out, told = tmp_path / "out", []
    outcomes = screen_batch(
        plan_tasks(recordings, out), config=LEAN, model=model, jobs=2,
        done=lambda outcome: told.append((outcome.recording, summary(out))),
    )  # fmt: skip
    assert told[-1][0] == "anna.edf"
    assert ("cleo", "done") in told[-2][1]
    assert [one.recording for one in outcomes] == ["anna.edf", "bert.edf", "cleo.edf"]


def test_a_summary_that_cannot_be_written_on_the_way_is_written_at_the_end(
    recordings, model, tmp_path, monkeypatch
):
    import cleanspan.export.summary as module

    monkeypatch.setattr("cleanspan.batch.EASE", 0.0)
    given, tried = module.write_summary, []

    def write(outcomes, *args, **kwargs):
        tried.append(len(outcomes))
        if len(outcomes) < 3:
            raise OutputError("no room just now")
        return given(outcomes, *args, **kwargs)

    monkeypatch.setattr(module, "write_summary", write)
    out = tmp_path / "out"
    screen_batch(plan_tasks(recordings, out), config=LEAN, model=model)
    assert tried == [1, 2, 3]
    assert summary(out) == [("", "failed"), ("anna", "done"), ("cleo", "done")]


def test_columns_and_plans_that_people_add_meanwhile_stay(
    recordings, model, tmp_path, monkeypatch
):
    """Somebody adds a column and applies a plan while the last recording is screened."""
    monkeypatch.setattr("cleanspan.batch.EASE", 0.0)
    out = tmp_path / "out"
    table, plans = out / "summary.csv", out / "plans.csv"

    def look(outcome):
        if outcome.recording == "anna.edf":
            first, row = table.read_text().splitlines()
            table.write_text(f"{first},seen by\n{row},me\n")
            status = CliRunner().invoke(cli, ["exclude", str(out), "--plan", "resting"])
            assert status.exit_code == 0, status.output

    screen_batch(plan_tasks(recordings, out), config=LEAN, model=model, done=look)
    with table.open(newline="") as file:
        seen = {row["recording"]: row["seen by"] for row in csv.DictReader(file)}
    assert seen == {"anna.edf": "me", "bert.edf": "", "cleo.edf": ""}
    assert "anna" in plans.read_text()


def test_an_unexpected_error_is_one_line_too(recordings, model, tmp_path, monkeypatch):
    def stumble(*args, **kwargs):
        raise ZeroDivisionError("somewhere\nfar down")

    monkeypatch.setattr("cleanspan.labelling.segments.segment_table", stumble)
    (outcome,) = screen_batch(
        [Task(recordings[0], tmp_path / "out" / "a")], config=LEAN, model=model
    )
    assert outcome.status == "failed"
    assert outcome.error == (
        "anna.edf: stopped by an unexpected ZeroDivisionError: somewhere far down"
    )


def test_an_output_folder_that_is_a_file_stops_before_work(recordings, model, tmp_path):
    (tmp_path / "out").write_text("mine")
    with pytest.raises(OutputError, match=r"out: the output must be a folder, got a file"):
        screen_batch(plan_tasks(recordings, tmp_path / "out"), config=LEAN, model=model)
    assert (tmp_path / "out").read_text() == "mine"


def test_what_was_done_before_the_disk_filled_up_stands_in_the_summary(
    recordings, model, tmp_path, monkeypatch
):
    """The second recording's results cannot be written: no fault of the recording."""
    import cleanspan.export.tables as tables

    given = tables.write_segments

    def full(table, path):
        if "cleo" in path.name:
            raise OSError(28, os.strerror(28))
        return given(table, path)

    monkeypatch.setattr(tables, "write_segments", full)
    out = tmp_path / "out"
    with pytest.raises(OutputError, match="the disk must have room"):
        screen_batch(plan_tasks(recordings[::2], out), config=LEAN, model=model)
    assert sorted(path.name for path in out.iterdir()) == ["anna", "summary.csv"]
    assert len((out / "summary.csv").read_text().splitlines()) == 2
