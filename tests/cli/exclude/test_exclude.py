"""``cleanspan exclude``, as its users call it."""

import csv
import json
import os
import resource
import shutil
import subprocess
import sys

import pytest

from cleanspan.cli import exclude, main
from cleanspan.export.facts import facts_in

# harbour-07: two frontal blinks 10..10.4, O2 without contact 30..60, reference lost 25..28


@pytest.fixture
def run(capsys):
    def call(*args):
        with pytest.raises(SystemExit) as stop:
            main(["exclude", *map(str, args)])
        told = capsys.readouterr()
        return stop.value.code or 0, told.out, told.err

    return call


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def own_plan(tmp_path):
    path = tmp_path / "naps.toml"
    path.write_text(
        'purpose = "naps"\nrationale = "a test"\nmost_bad_channels = 1\nminimum_usable_s = 30.0\n'
    )
    return path


def test_one_plan_over_a_folder_of_results(run, results, own_plan):
    status, out, err = run(results, "--plan", own_plan)
    assert status == 0
    assert err.startswith("note: the lists are of naps now; ")
    # 60 − 0.4 (two blinks) − 3 (reference) = 56.6 s; O2 alone is allowed
    assert out.splitlines() == [
        "harbour-07.edf, naps: 56.6 of 60.0 s usable (94%); meets the plan",
        "harbour-08.edf, naps: 60.0 of 60.0 s usable (100%); meets the plan",
    ]
    folder = results / "harbour-07"
    columns = ("onset_s", "duration_s", "reason", "channels")
    assert rows_of(folder / "harbour-07_exclusions.csv") == [
        dict(zip(columns, ("10.0", "0.4", "blink", "EEG Fp1-A1A2;EEG Fp2-A1A2"), strict=True)),
        dict(zip(columns, ("25.0", "3.0", "reference lost", "all"), strict=True)),
    ]
    assert [row["onset_s"] for row in rows_of(folder / "harbour-07_kept.csv")] == [
        "0.0",
        "10.4",
        "28.0",
    ]
    usable = {row["channel"]: row["usable_s"] for row in rows_of(folder / "harbour-07_usable.csv")}
    assert usable["EEG C3-A1A2"] == "56.6"
    assert usable["EEG O2-A1A2"] == "26.6"
    table = rows_of(results / "plans.csv")
    assert [(row["recording"], row["usable_s"], row["meets"]) for row in table] == [
        ("harbour-07.edf", "56.6", "yes"),
        ("harbour-08.edf", "60.0", "yes"),
    ]


def test_one_result_alone_keeps_the_rows_of_the_others(run, results):
    """The table beside it, where there is one, follows its new lists."""
    run(results, "--plan", "resting")
    first = rows_of(results / "plans.csv")
    assert [row["folder"] for row in first] == ["harbour-07", "harbour-08"]
    run(results / "harbour-07", "--plan", "connectivity")
    table = rows_of(results / "plans.csv")
    assert [(row["folder"], row["plan"]) for row in table] == [
        ("harbour-08", "resting"),
        ("harbour-07", "connectivity"),
    ]
    assert table[0] == first[1]


def test_namesakes_are_told_apart_by_their_folder(run, results):
    shutil.copytree(results / "harbour-07", results / "harbour-07-2")
    told = [line.split(",")[0] for line in run(results, "--plan", "resting")[1].splitlines()]
    assert told == ["harbour-07.edf", "harbour-07.edf (harbour-07-2)", "harbour-08.edf"]


def test_several_plans_are_set_side_by_side(run, results):
    folder = results / "harbour-07"
    status, out, _ = run(folder, "--plan", "resting", "--plan", "connectivity")
    assert status == 0
    assert "does not meet it: 180 s must be usable" in out
    assert "connectivity: " in out
    assert "dropped: EEG O2-A1A2" in out
    names = {path.name for path in folder.iterdir()}
    for plan in ("resting", "connectivity"):
        assert {
            f"harbour-07_{kind}_{plan}.csv" for kind in ("exclusions", "kept", "usable")
        } <= names
    table = rows_of(folder / "harbour-07_plans.csv")
    assert [row["plan"] for row in table] == ["resting", "connectivity"]
    assert all(float(row["usable_s"]) + float(row["excluded_s"]) == 60.0 for row in table)
    assert not (results / "plans.csv").exists()


def test_epochs_around_annotations(run, results):
    status, out, _ = run(
        results, "--plan", "event-related", "--events", "annotations", "--text", "tone"
    )
    assert status == 0
    assert "1 of 2 epochs kept" in out
    events = rows_of(results / "harbour-07" / "harbour-07_events.csv")
    assert [(row["text"], row["verdict"], row["reason"]) for row in events] == [
        ("tone high", "keep", ""),
        ("tone low", "drop", "blink"),
    ]


def test_marks_among_the_annotations_are_no_events(run, results):
    run(results, "--plan", "event-related", "--events", "annotations")
    events = rows_of(results / "harbour-07" / "harbour-07_events.csv")
    assert [row["text"] for row in events] == ["tone high", "tone low"]


def test_epochs_around_presses_with_an_epoch_of_ones_own(run, results, own_plan):
    run(results, "--plan", own_plan, "--events", "button", "--epoch", "-0.5:0.5")
    events = rows_of(results / "harbour-07" / "harbour-07_events.csv")
    assert [(row["onset_s"], row["verdict"], row["reason"]) for row in events] == [
        ("26.0", "drop", "reference lost"),
        ("50.0", "keep", ""),
    ]


def test_again_gives_the_same_files(run, results):
    run(results, "--plan", "resting")
    first = {path: path.read_bytes() for path in results.rglob("*") if path.is_file()}
    run(results, "--plan", "resting")
    assert {path: path.read_bytes() for path in results.rglob("*") if path.is_file()} == first


def test_companions_and_pipes_named_like_facts_are_no_results(run, results):
    """macOS leaves ``._name`` beside each file it copies; a pipe would wait for ever."""
    run(results, "--plan", "resting")
    before = (results / "plans.csv").read_bytes()
    own = results / "harbour-07"
    for folder in (results, own):
        (folder / "._harbour-07_facts.json").write_bytes(b"\0\5\x16\7")
    os.mkfifo(results / "x_facts.json")
    (results / "z_facts.json").mkdir()
    status, _, err = run(results, "--plan", "resting")
    assert (status, err) == (0, "")
    assert (results / "plans.csv").read_bytes() == before
    assert facts_in(own) == [own / "harbour-07_facts.json"]


def test_damaged_result_is_a_row_and_the_others_go_on(run, results):
    (results / "harbour-07" / "harbour-07_segments.csv").unlink()
    status, out, err = run(results, "--plan", "resting")
    assert status == 1
    assert "harbour-08.edf" in out
    assert err.count("\n") == 1
    assert "screen the recording again" in err
    failed, fine = rows_of(results / "plans.csv")
    assert failed["recording"] == "harbour-07"
    assert "a result must be whole" in failed["error"]
    assert fine["error"] == ""


@pytest.fixture
def gaze_plan(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(
        'purpose = "x"\nrationale = "x"\nlabels = ["gaze left"]\nmost_bad_share = 0.5\n'
    )
    return path


def test_label_that_some_results_lack_is_a_warning(run, results, gaze_plan):
    facts = results / "harbour-08" / "harbour-08_facts.json"
    content = json.loads(facts.read_text())
    facts.write_text(json.dumps({**content, "labels": [*content["labels"], "gaze left"]}))
    status, _, err = run(results, "--plan", gaze_plan)
    assert status == 0
    assert err.count("warning: plan own: the model has no label gaze left") == 1


def test_label_that_no_results_know_stops_before_anything_is_written(run, results, gaze_plan):
    before = sorted(results.rglob("*"))
    status, out, err = run(results, "--plan", gaze_plan)
    assert (status, out) == (2, "")
    assert "must name known labels, got 'gaze left'" in err
    assert "known: blink, " in err
    assert sorted(results.rglob("*")) == before


def test_channels_that_are_nowhere_stop_before_anything_is_written(run, results, tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(
        'purpose = "x"\nrationale = "x"\nlabels = ["gaze left"]\n'
        'must_be_good = ["O1", "AF7", "EEG Fp1-A1A2", "Ozz"]\n'
        '[removes]\nblink = ["all"]\nmuscle = ["T3", "Tx"]\n'
    )
    before = files_of(results)
    status, out, err = run(results, "--plan", path)
    assert (status, out) == (2, "")
    label, must, removes = err.splitlines()
    assert "must name known labels, got 'gaze left'" in label
    assert "channels of the recordings, got 'Ozz'; did you mean 'Oz'?" in must
    assert "channels of the recordings, got 'Tx'" in removes
    assert files_of(results) == before


def test_every_wrong_plan_is_told_at_once(run, results, tmp_path):
    path = tmp_path / "own.toml"
    path.write_text('purpose = "x"\nrationale = "x"\n')
    status, _, err = run(results, "--plan", "restng", "--plan", path)
    assert status == 2
    assert "did you mean 'resting'" in err
    assert "own.toml: a plan must say what takes time or channels away" in err


def files_of(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_lists_of_another_plan_than_the_marks_are_told(run, results, own_plan):
    """Marks and page cannot be made again without the recording: they stay of the screening."""
    for facts in results.glob("*/*_facts.json"):
        facts.write_text(json.dumps(json.loads(facts.read_text()) | {"plan": "resting"}))
    note = "note: the lists are of naps now; marks, page and summary.csv stay of resting"
    assert note in run(results, "--plan", own_plan)[2]
    assert "note:" not in run(results, "--plan", "resting")[2]
    folder = results / "harbour-07"
    before = files_of(folder)
    assert "note:" not in run(folder, "--plan", "resting", "--plan", "connectivity")[2]
    changed = {path.name for path, data in files_of(folder).items() if before.get(path) != data}
    assert "harbour-07_exclusions_connectivity.csv" in changed
    assert "harbour-07_exclusions.csv" not in changed


@pytest.mark.parametrize(
    ("args", "wanted"),
    [
        (("annotations", "--text", "no such text"), "an annotation with 'no such text'"),
        (("button",), "a press of the marker button"),
    ],
)
def test_an_event_that_no_recording_has_is_refused_and_nothing_is_replaced(
    run, results, args, wanted
):
    run(results, "--plan", "event-related", "--events", "annotations", "--text", "tone")
    for facts in results.glob("*/*_facts.json"):
        facts.write_text(json.dumps(json.loads(facts.read_text()) | {"presses": []}))
    before = files_of(results)
    status, out, err = run(results, "--plan", "event-related", "--events", *args)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert f"at least one recording must have {wanted}" in err
    assert files_of(results) == before


def test_no_event_found_in_one_of_several_is_said(run, results):
    facts = results / "harbour-08" / "harbour-08_facts.json"
    facts.write_text(json.dumps(json.loads(facts.read_text()) | {"notes": []}))
    args = ("--plan", "event-related", "--events", "annotations", "--text", "tone")
    status, out, err = run(results, *args)
    assert status == 0
    assert "0 of 0 epochs kept" in out
    assert err.splitlines()[0] == "  warning: no event of that kind was found"
    assert rows_of(facts.with_name("harbour-08_events.csv")) == []


def test_epochs_that_an_older_plan_judged_go_with_its_lists(run, results, own_plan):
    """A lab's plan was changed: lists and epochs of one name must be of one plan."""
    events = results / "harbour-07" / "harbour-07_events.csv"
    run(results, "--plan", own_plan, "--events", "button", "--epoch", "-0.5:0.5")
    run(results, "--plan", own_plan)
    assert events.exists(), "the same lists: the same epochs"
    own_plan.write_text(own_plan.read_text() + "padding_s = 1.0\n")
    err = run(results, "--plan", own_plan)[2]
    assert not events.exists()
    (line,) = (line for line in err.splitlines() if "harbour-07_events.csv is gone" in line)
    assert "call this again with --events annotations (or button), and --epoch" in line
    run(results, "--plan", own_plan, "--events", "button", "--epoch", "-0.5:0.5")
    assert events.exists()


def test_full_disk_leaves_the_old_files_whole(results):
    """The limit on a file's size stands for the full disk: both stop a write half way."""
    folder = results / "harbour-07"
    command = [sys.executable, "-m", "cleanspan", "exclude", folder, "--plan", "resting"]
    subprocess.run(command, check=True, capture_output=True)
    before = {path: path.read_bytes() for path in folder.iterdir()}
    limit = (40, 40)  # bytes
    full = subprocess.run(
        command,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit),
    )
    assert full.returncode == 2
    assert "the disk must have room for the results" in full.stderr
    assert full.stderr.count("\n") == 1
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["--plan", "restin"], "did you mean 'resting'?"),
        (["--plan", "nowhere.toml"], "a configuration file must be readable"),
        (["--plan", "resting", "--plan", "resting"], "plans must have different names"),
        (["--plan", "resting", "--epoch", "-0.2:0.8"], "need events, got none"),
        (["--plan", "resting", "--events", "annotations"], "events need an epoch"),
        (["--plan", "resting", "--events", "button", "--text", "x"], "presses have no text"),
        (["--plan", "event-related", "--events", "button", "--epoch", "1"], "must be BEGIN:END"),
        (["--plan", "event-related", "--events", "button", "--epoch", "1:0"], "before it ends"),
        ([], "Missing option '--plan'"),
    ],
)
def test_mistakes_are_one_clear_line_and_nothing_is_written(run, results, args, message):
    before = sorted(results.rglob("*"))
    status, _, err = run(results, *args)
    assert status == 2
    assert message in err
    assert "Traceback" not in err
    assert sorted(results.rglob("*")) == before


def test_folder_without_results_is_refused_and_stays_empty(run, tmp_path):
    status, out, err = run(tmp_path, "--plan", "resting")
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert "a result folder must hold a file *_facts.json, got none here" in err
    assert list(tmp_path.iterdir()) == []


def test_folder_without_results_among_others_is_a_row_and_the_others_go_on(run, results):
    empty = results.parent / "empty"
    empty.mkdir()
    status, out, err = run(empty, results, "--plan", "resting")
    assert status == 1
    assert out.count(", resting: ") == 2
    assert "must hold one file *_facts.json, got 0" in err


def test_shipped_plans_are_listed_with_their_reasons(run):
    status, out, _ = run("--list")
    assert status == 0
    assert "connectivity: coherence, phase" in out
    assert out.count("Source: ") == 4


@pytest.mark.parametrize("name", ["nowhere", "file"])
def test_results_that_are_no_folder(run, tmp_path, name):
    (tmp_path / "file").write_text("x")
    status, out, err = run(tmp_path / name, "--plan", "resting")
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert "results must be a folder that `cleanspan screen` wrote" in err


def test_a_file_that_is_no_table_of_plans_is_not_replaced(run, results, tmp_path):
    recording = tmp_path / "rest.edf"
    recording.write_bytes(b"0       X X X X")
    status, _, err = run(results, "--plan", "resting", "--table", recording)
    assert (status, err.count("\n")) == (2, 1)
    assert "--table must be a new file or an earlier table of plans" in err
    assert recording.read_bytes() == b"0       X X X X"
    table = tmp_path / "table.csv"
    assert run(results, "--plan", "resting", "--table", table)[0] == 0
    assert run(results, "--plan", "connectivity", "--table", table)[0] == 0
    assert {row["plan"] for row in rows_of(table)} == {"connectivity"}


def test_results_that_cannot_be_entered_are_told_and_the_others_done(run, results, monkeypatch):
    locked = results / "locked"
    locked.mkdir()
    monkeypatch.setattr("cleanspan.export.stored._enterable", lambda folder: folder != locked)
    status, out, err = run(results, "--plan", "resting")
    assert status == 1
    assert "locked" in out + err
    assert (results / "harbour-07" / "harbour-07_exclusions.csv").exists()


def test_stopped_half_way_it_says_which_lists_are_new(run, results, own_plan, monkeypatch):
    run(results, "--plan", "resting")
    real, seen = exclude.replan, []

    def once(folder, plans, *, events=None):
        if seen:
            raise KeyboardInterrupt
        seen.append(folder.name)
        return real(folder, plans, events=events)

    monkeypatch.setattr(exclude, "replan", once)
    status, _, err = run(results, "--plan", own_plan)
    assert status == 130
    assert "the lists of 1 of 2 recordings are new, the others as they were" in err
    plans = {row["folder"]: row["plan"] for row in rows_of(results / "plans.csv")}
    assert plans == {seen[0]: "naps", "harbour-08": "resting"}
