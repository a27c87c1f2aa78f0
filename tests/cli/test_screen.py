"""``cleanspan screen`` as a user meets it: results, mistakes, names, and starting up."""

import csv
import json
import os
import re
import runpy
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from cleanspan.cli import COMMANDS, main

_made = SimpleNamespace(
    **runpy.run_path(str(Path(__file__).parents[1] / "unit" / "features" / "invented.py"))
)
DEMO = Path(__file__).parents[2] / "demo_data"
LEAN = ("--marked", "none", "--no-report", "--no-windows", "--jobs", "1")
COLUMNS = (
    *("recording", "status", "duration_s", "channels", "clean_share", "usable_s"),
    *("blink_share", "muscle_share", "line_noise_share", "contact_loss_share"),
    *("mend", "model", "config", "findings", "warnings", "error"),
)


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return _made.save_rules(tmp_path_factory.mktemp("model") / "rules")


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    """20 s of a small cap: O2 with mains, Pz flat from 5 to 12 s."""
    samples = _made.background(8, 20, seed=1)
    time_s = _made.np.arange(5000) / 250
    samples[7] += 30 * _made.np.sin(2 * _made.np.pi * 50 * time_s)
    samples[5, 1250:3000] = 3.0
    return _made.write_edf(tmp_path_factory.mktemp("in") / "harbour.edf", samples, _made.SMALL_CAP)


@pytest.fixture
def run(model, capsys, tmp_path, monkeypatch):
    """Run the command in a folder of its own; give status, output and error lines."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))

    def call(*args, lean=True, out="out", with_model=True):
        options = [*(LEAN if lean else ("--jobs", "1")), "--out", out]
        options += ["--model", str(model)] if with_model else []
        with pytest.raises(SystemExit) as caught:
            main(["screen", *options, *map(str, args)])
        said = capsys.readouterr()
        return SimpleNamespace(
            status=caught.value.code, out=said.out, err=said.err, lines=said.err.splitlines()
        )

    return call


def summary(folder="out"):
    with (Path(folder) / "summary.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def refused(done, *texts):
    """Usage and configuration: status 2, no output folder, lines a user can act on."""
    assert done.status == 2
    assert "Traceback" not in done.err
    for text in texts:
        assert text in done.err
    assert not Path("out").exists()


# ---- what comes out


def test_another_recording_of_the_same_name_never_replaces_results(run, source):
    """One call an evening into one folder: every recorder calls its file rest.edf."""
    for day, samples in (("mon", 10), ("tue", 14)):
        Path(day).mkdir()
        _made.write_edf(
            Path(day) / "rest.edf", _made.background(8, samples, seed=2), _made.SMALL_CAP
        )
        assert run(f"{day}/rest.edf").status == 0

    def lengths():
        found = sorted(Path("out").glob("*/*_facts.json"))
        return {path.parent.name: json.loads(path.read_text())["duration_s"] for path in found}

    assert lengths() == {"rest": 10, "rest-2": 14}
    first = (Path("out") / "rest").stat().st_ino
    done = run("tue/rest.edf")
    assert done.status == 0
    assert done.out.splitlines()[1].startswith("rest.edf (rest-2)  0:00:14")
    assert run("mon/rest.edf").status == 0
    assert lengths() == {"rest": 10, "rest-2": 14}
    assert (Path("out") / "rest").stat().st_ino != first, "screened again, so replaced"


def test_results_of_one_recording(run, source):
    before = source.read_bytes(), source.stat().st_mtime_ns
    done = run(source, lean=False)
    assert done.status == 0
    assert done.err == ""
    assert sorted(path.name for path in Path("out").iterdir()) == ["harbour", "summary.csv"]
    suffixes = {path.name.removeprefix("harbour_") for path in Path("out/harbour").iterdir()}
    assert suffixes >= {
        "marked.edf", "segments.csv", "channels.csv", "exclusions.csv", "windows.parquet",
        "report.html", "facts.json",
    }  # fmt: skip
    assert (source.read_bytes(), source.stat().st_mtime_ns) == before


def make_recordings(*names):
    for seed, name in enumerate(names):
        _made.write_edf(Path(f"{name}.edf"), _made.background(8, 10, seed=seed), _made.SMALL_CAP)


def test_the_summary_keeps_rows_of_earlier_calls_whose_results_are_there(run, model):
    make_recordings("a", "b", "c")
    Path("bad.edf").write_bytes(b"no recording")
    run("a.edf", "b.edf", "bad.edf")
    before = summary()
    assert [row["recording"] for row in before] == ["a.edf", "b.edf", "bad.edf"]
    assert run("c.edf").status == 0
    assert [row["recording"] for row in summary()] == ["a.edf", "b.edf", "c.edf"]
    assert summary()[:2] == before[:2]
    run("a.edf", "--plan", "connectivity")
    again = {row["recording"]: row for row in summary()}
    assert list(again) == ["b.edf", "c.edf", "a.edf"]
    assert again["a.edf"]["config"] != before[0]["config"], "the row of this call replaces its own"
    shutil.rmtree("out/b")
    run("c.edf")
    assert [row["recording"] for row in summary()] == ["a.edf", "c.edf"]


def test_columns_that_people_added_to_the_summary_stay(run, model):
    make_recordings("a", "b")
    run("a.edf", "b.edf")
    rows = summary()
    with Path("out/summary.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, ["comment", *rows[0]])
        writer.writeheader()
        writer.writerows({**row, "comment": f"on {row['recording']}"} for row in rows)
    run("a.edf")
    assert {row["recording"]: row["comment"] for row in summary()} == {
        "a.edf": "on a.edf", "b.edf": "on b.edf",
    }  # fmt: skip
    assert list(summary()[0])[-1] == "comment"


def test_a_link_in_a_circle_costs_nothing_but_a_word(run, source, caplog):
    Path("in").mkdir()
    shutil.copy(source, "in/good.edf")
    Path("in/loop.edf").symlink_to("loop.edf")
    Path("in/gone.edf").symlink_to("nowhere.edf")
    assert run("in").status == 0
    assert [row["recording"] for row in summary()] == ["good.edf"]
    assert "in/loop.edf: passed over, for it leads nowhere" in caplog.text


def test_standard_output_that_is_closed_is_no_failure(model, source, tmp_path):
    call = [sys.executable, "-m", "cleanspan", "screen", str(source), *LEAN, "--model", str(model)]
    done = subprocess.run(
        ["sh", "-c", 'exec "$@" >&-', "sh", *call, "--out", str(tmp_path / "out")],
        stderr=subprocess.PIPE, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert len(summary(tmp_path / "out")) == 1


def test_a_summary_that_cannot_be_read_is_kept_aside_and_that_is_said(run, source, caplog):
    Path("out").mkdir()
    foreign = "recording;status\nharbour.edf;done\n"
    Path("out/summary.csv").write_text(foreign)
    assert run(source).status == 0
    assert "its earlier rows could not be read" in caplog.text
    assert len(summary()) == 1
    (kept,) = Path("out/earlier").iterdir()
    assert kept.read_text() == foreign
    assert str(kept) in caplog.text


def test_plans_of_results_that_are_replaced_are_forgotten_and_others_stay(run, source, capsys):
    def plans():
        with Path("out/plans.csv").open(newline="") as file:
            return [(row["folder"], row["plan"]) for row in csv.DictReader(file)]

    make_recordings("a")
    run("a.edf", source)
    with pytest.raises(SystemExit):
        main(["exclude", "out", "--plan", "resting"])
    assert plans() == [("a", "resting"), ("harbour", "resting")]
    run("a.edf", "--plan", "connectivity")
    assert plans() == [("harbour", "resting")]
    foreign = "mine,alone\n1,2\n"
    Path("out/plans.csv").write_text(foreign)
    run("a.edf")
    assert Path("out/plans.csv").read_text() == foreign


def test_segments_and_summary_say_what_is_in_the_recording(run, source):
    run(source)
    with Path("out/harbour/harbour_segments.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["channel", "label", "kind", "onset_s", "duration_s", "confidence"]
    found = {(row["channel"], row["label"]): row for row in rows}
    flat = found["EEG Pz-A1A2", "contact loss"]
    assert flat["kind"] == "flat"
    assert float(flat["onset_s"]) == pytest.approx(5, abs=0.13)
    assert float(flat["duration_s"]) == pytest.approx(7, abs=0.13)
    assert float(found["EEG O2-A1A2", "line noise"]["duration_s"]) == 20
    (row,) = summary()
    assert set(COLUMNS) <= set(row)
    assert tuple(row)[:2] == ("recording", "status")
    assert (row["recording"], row["status"], row["channels"]) == ("harbour.edf", "done", "8")
    assert float(row["duration_s"]) == 20
    assert float(row["contact_loss_share"]) == pytest.approx(7 / 20 / 8, abs=0.002)
    assert row["mend"] == "EEG Pz-A1A2"
    assert re.fullmatch(r"rules@[0-9a-f]{8}", row["model"])
    assert re.fullmatch(r"[0-9a-f]{8}", row["config"])
    assert row["error"] == ""


def test_the_table_on_the_screen(run, source):
    header, row, where = run(source).out.splitlines()
    assert header.split()[:3] == ["recording", "length", "usable"]
    assert row.split()[:2] == ["harbour.edf", "0:00:20"]
    assert row.endswith("EEG Pz-A1A2")
    assert where == "results: out"


def test_quiet_prints_nothing(run, source):
    done = run(source, "--quiet")
    assert (done.status, done.out, done.err) == (0, "", "")


def test_quiet_still_prints_errors(run, source):
    Path("bad.edf").write_bytes(b"no recording")
    done = run(source, "bad.edf", "-q")
    assert (done.status, done.out) == (1, "")
    assert len(done.lines) == 1


def test_verbose_says_what_is_done(source, model, tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "cleanspan", "screen", str(source), "-v", *LEAN,
         "--out", str(tmp_path / "out"), "--model", str(model)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "cleanspan: harbour.edf: done" in done.stderr.splitlines()


def test_running_again_replaces_results(run, source):
    run(source)
    first = Path("out/harbour/harbour_segments.csv").read_bytes()
    assert run(source).status == 0
    assert Path("out/harbour/harbour_segments.csv").read_bytes() == first
    assert {path.name for path in Path("out").iterdir()} == {"harbour", "summary.csv"}
    assert len(summary()) == 1


def handled(folder):
    """As after a copy to another disk or new permissions: times tell nothing any more."""
    for path in (item for item in folder.rglob("*") if not item.is_symlink()):
        os.utime(path, (1e9, 1e9))
        path.chmod(0o750)


def test_running_again_keeps_what_people_added_or_changed(run, source, caplog):
    """A corrected copy, notes, a link and a plan's lists; what is as it was written goes."""
    run(source, "--marked", "copy")
    folder = Path("out/harbour")
    made = {path.name: path.read_bytes() for path in folder.iterdir()}
    own = {
        "harbour_marked.edf": b"corrected",
        "notes.txt": b"P3 was wet",
        "figures/overview.txt": b"a figure",
        "harbour_exclusions_long.csv": b"a plan's list",
    }
    for name, content in own.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(content)
    (folder / "kept empty").mkdir()
    (folder / "link").symlink_to("nowhere")
    os.mkfifo(folder / "pipe")
    handled(folder)
    assert run(source, "--marked", "copy").status == 0
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == made
    (kept,) = Path("out/earlier").iterdir()
    assert (kept / "kept empty").is_dir()
    assert (kept / "link").readlink() == Path("nowhere")
    left = {str(p.relative_to(kept)): p.read_bytes() for p in kept.rglob("*") if p.is_file()}
    assert left.pop("harbour_facts.json") == made["harbour_facts.json"]
    assert left == own
    assert f"out/harbour: what was added or changed there since is kept in {kept}" in caplog.text
    assert run("out", out="elsewhere").status == 2, "nothing that is kept is a recording"
    assert run(source, "--marked", "copy").status == 0
    assert len(list(Path("out/earlier").iterdir())) == 1, "kept once"


def test_facts_changed_by_hand_are_kept(run, source):
    run(source)
    facts = Path("out/harbour/harbour_facts.json")
    changed = facts.read_text().replace('"findings"', '"findings" ')
    facts.write_text(changed)
    known = json.loads(changed)
    known["findings"] = [*known["findings"], {"kind": "mine", "channels": [], "text": "mine"}]
    facts.write_text(json.dumps(known, indent=1))
    run(source)
    (kept,) = Path("out/earlier").iterdir()
    assert "mine" in (kept / "harbour_facts.json").read_text()


def test_results_of_an_earlier_version_are_judged_by_their_times(run, source):
    """They have no list of what was written."""
    run(source)
    facts = Path("out/harbour/harbour_facts.json")
    known = json.loads(facts.read_text())
    del known["written"]
    facts.write_text(json.dumps(known))
    later_s = facts.stat().st_mtime + 7200
    Path("out/harbour/notes.txt").write_text("P3 was wet")
    os.utime("out/harbour/notes.txt", (later_s, later_s))
    run(source)
    (kept,) = Path("out/earlier").iterdir()
    assert {path.name for path in kept.iterdir()} == {"notes.txt", "harbour_facts.json"}


def test_what_people_added_is_not_lost_where_it_cannot_be_kept(run, source):
    run(source)
    (Path("out/harbour") / "notes.txt").write_text("P3 was wet")
    Path("out/earlier").write_text("a file where the folder should be")
    done = run(source)
    assert done.status == 2
    assert "must be a folder, got a file of that name" in done.err
    assert Path("out/harbour/notes.txt").read_text() == "P3 was wet"
    assert Path("out/harbour/harbour_facts.json").exists()


def test_a_recording_called_as_the_folder_for_what_is_kept_gets_another_name(run, source):
    make_recordings("earlier")
    assert run("earlier.edf").status == 0
    assert {path.name for path in Path("out").iterdir()} == {"earlier-2", "summary.csv"}


def test_options_win_over_the_file(run, source):
    Path("c.toml").write_text('[export]\nplan = "long"\nreport = true\nmarked = "copy"\n')
    run(source, "--config", "c.toml")
    assert not list(Path("out/harbour").glob("*.html"))
    assert not list(Path("out/harbour").glob("*.edf"))


# ---- mistakes of the shell and of the disk


def test_an_empty_argument_never_means_the_current_folder(run, source):
    """As an unset variable of the shell leaves it."""
    shutil.copy(source, "here.edf")
    refused(run(""), "must not be empty", "shell variable")
    done = run(source, out="")
    assert done.status == 2
    assert "must not be empty" in done.err
    assert [path.name for path in Path().iterdir() if path.name != "state"] == ["here.edf"]


def test_a_recording_in_a_folder_of_others_is_one_line(run, monkeypatch):
    def exists(path):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "exists", exists)
    done = run("others/rest.edf")
    monkeypatch.undo()
    assert done.status == 2
    (line,) = done.lines
    assert line == (
        "cleanspan: others/rest.edf: it must be within reach, got: Permission denied; mend its "
        "permissions or name another"
    )


def test_a_pipe_is_no_recording(run):
    os.mkfifo("pipe.edf")
    refused(run("pipe.edf"), "pipe.edf: a recording must be a file or a folder")


def test_a_file_in_the_way_of_results_is_found_before_the_work(run, source):
    make_recordings("a", "b")
    Path("out").mkdir()
    Path("out/b").write_text("mine")
    done = run("a.edf", "b.edf")
    assert done.status == 2
    assert "out/b: results go to a folder of this name, got a file that has it" in done.err
    assert [path.name for path in Path("out").iterdir()] == ["b"]


def test_what_cannot_be_said_is_one_line_and_results_are_whole(model, source, tmp_path):
    """Standard output on a full disk, as a log of cron may be."""
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "cleanspan", "screen", str(source), *LEAN, "--model",
             str(model), "--out", str(tmp_path / "out")],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert line.startswith(
        "cleanspan: standard output must take what is said there, got: No space"
    )
    assert len(summary(tmp_path / "out")) == 1


def test_channels_without_a_range_are_not_told_to_be_renamed(run, source):
    """Physical minimum and maximum are equal: microvolts cannot be told."""
    content = bytearray(source.read_bytes())
    count = int(content[252:256])
    lowest = 256 + 104 * count
    content[lowest + 8 * count : lowest + 16 * count] = content[lowest : lowest + 8 * count]
    Path("flat.edf").write_bytes(content)
    done = run("flat.edf")
    assert done.status == 1
    assert "at least one scalp channel must be of use, got none, not screened: EEG Fp1" in done.err
    assert "minimum and maximum are equal" in done.err


# ---- names


def test_two_recordings_of_one_name_get_two_folders(run, source):
    for day in ("monday", "tuesday"):
        Path(day).mkdir()
        Path(day, "rest.edf").write_bytes(source.read_bytes())
    assert run("monday", "tuesday").status == 0
    assert {path.name for path in Path("out").iterdir()} == {"rest", "rest-2", "summary.csv"}
    assert [row["recording"] for row in summary()] == ["rest.edf", "rest.edf"]


def test_names_that_are_no_text_or_as_long_as_can_be(run, source):
    r"""An old archive's Latin-1 name, and one of 255 bytes; results and tables hold both."""
    shutil.copy(source, b"gr\xfcn.edf")
    shutil.copy(source, "x" * 251 + ".edf")
    done = run(".", "--marked", "copy")
    assert (done.status, done.err) == (0, "")
    assert {row["recording"] for row in summary()} == {r"gr\xfcn.edf", "x" * 251 + ".edf"}
    assert {path.name for path in Path("out").iterdir()} == {
        "gr_xfcn", "x" * 150, "summary.csv",
    }  # fmt: skip
    with pytest.raises(SystemExit) as caught:
        main(["exclude", "out", "--plan", "resting"])
    assert not caught.value.code


def test_results_inside_the_input_folder_are_not_screened_again(run, source):
    Path("data").mkdir()
    Path("data/a.edf").write_bytes(source.read_bytes())
    for _ in range(2):
        done = run("data", "--marked", "copy", out="data/results")
        assert done.status == 0
        assert [row["recording"] for row in summary("data/results")] == ["a.edf"]
    done = run("data", "--marked", "copy", out="elsewhere")
    assert [row["recording"] for row in summary("elsewhere")] == ["a.edf"]


def test_results_in_the_input_folder_itself(run, source):
    Path("data").mkdir()
    Path("data/a.edf").write_bytes(source.read_bytes())
    for _ in range(2):
        assert run("data", "--marked", "copy", out="data").status == 0
        assert [row["recording"] for row in summary("data")] == ["a.edf"]
    assert Path("data/a.edf").read_bytes() == source.read_bytes()


def test_a_folder_that_holds_the_recording_is_not_replaced_by_its_results(run, source):
    Path("data/harbour").mkdir(parents=True)
    Path("data/harbour/harbour.edf").write_bytes(source.read_bytes())
    done = run("data/harbour/harbour.edf", out="data")
    assert done.status == 2
    assert "must hold earlier results or nothing, got: harbour.edf" in done.err
    assert Path("data/harbour/harbour.edf").read_bytes() == source.read_bytes()


@pytest.mark.parametrize(
    "name",
    ["with two spaces.edf", "Übung müde.edf", "-r.edf", "--out.edf", "日本.edf", "a'b\".edf"],
)
def test_odd_file_names(run, source, name):
    Path(name).write_bytes(source.read_bytes())
    done = run("--", name)
    assert done.status == 0, done.err
    assert len(list(Path("out").glob("*/*_segments.csv"))) == 1
    assert summary()[0]["recording"].lstrip("'") == name


def test_a_path_with_dashes_inside_a_folder(run, source):
    Path("-data").mkdir()
    Path("-data/-r.edf").write_bytes(source.read_bytes())
    assert run("./-data").status == 0
    assert len(summary()) == 1


# ---- mistakes: one clear line, the right status, the others unaffected


def no_eeg(path):
    return _made.write_edf(
        path, _made.np.zeros((0, 1000)), (), extra=[("ECG", "uV", _made.np.arange(1000.0))]
    )


def bipolar(path):
    """A chain as clinical systems export it: no channel against the ears."""
    chain = ["Fp1-F3", "F3-C3", "EEG C3-P3", "P3:O1"]
    rows = _made.background(4, 4, seed=3)
    return _made.write_edf(
        path, _made.np.zeros((0, 1000)), (),
        extra=[(label, "uV", row) for label, row in zip(chain, rows, strict=True)],
    )  # fmt: skip


def annotations_alone(path):
    """As `--marked annotations-only` writes them: one signal, which holds no samples of EEG."""
    import edfio

    return edfio.Edf([], annotations=[edfio.EdfAnnotation(1, 1, "blink")]).write(path)


def too_short(path):
    return _made.write_edf(path, _made.background(8, 0.5), _made.SMALL_CAP)


def too_slow(path):
    samples = _made.background(8, 20, rate_hz=50.0)
    return _made.write_edf(path, samples, _made.SMALL_CAP, rate_hz=50.0)


BAD = {
    "text": (lambda path: path.write_text("a letter"), "an EDF file must begin with"),
    "empty": (lambda path: path.write_bytes(b""), "got an empty file"),
    "no eeg": (
        no_eeg,
        "at least one channel must carry a 10-20 or 10-10 electrode name, got: ECG",
    ),
    "bipolar": (
        bipolar,
        (
            "such as the ears, got derivations between two scalp electrodes (a bipolar montage): "
            "Fp1-F3, F3-C3, EEG C3-P3, P3:O1; export the recording"
        ),
    ),
    "annotations": (
        annotations_alone,
        "a recording must hold signals, got none, annotations alone perhaps; screen the recording",
    ),
    "short": (too_short, "must last at least 1 s without a gap, got 0.5 s"),
    "slow": (too_slow, "must be sampled at 90 Hz or more, got 50 Hz"),
}


@pytest.mark.parametrize("kind", BAD)
def test_one_bad_recording_among_good_ones(run, source, kind):
    make, text = BAD[kind]
    Path("in").mkdir()
    make(Path("in/bad.edf"))
    Path("in/good.edf").write_bytes(source.read_bytes())
    done = run("in")
    assert done.status == 1
    (line,) = done.lines
    assert line.startswith("cleanspan: bad.edf: ")
    assert text in line
    bad, good = summary()
    assert (bad["status"], good["status"]) == ("failed", "done")
    assert text in bad["error"]
    assert bad["clean_share"] == bad["usable_s"] == ""
    assert Path("out/good/good_segments.csv").exists()
    assert not Path("out/bad").exists()
    assert "failed" in done.out


def test_a_recording_that_cannot_be_read(run, source, monkeypatch):
    Path("shut.edf").write_bytes(source.read_bytes())
    given = Path.open

    def refuse(self, *args, **kwargs):
        if self.name == "shut.edf":
            raise PermissionError(13, "Permission denied")
        return given(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", refuse)
    done = run("shut.edf", source)
    assert done.status == 1
    (line,) = done.lines
    assert line == (
        "cleanspan: shut.edf: the file must be readable, got: Permission denied; "
        "mend its permissions or copy it again"
    )
    assert [row["status"] for row in summary()] == ["failed", "done"]


def test_missing_paths(run, source):
    done = run(source, "nowhere.edf", "nothing/")
    refused(done, "every path must exist, got: nowhere.edf, nothing; check the spelling")
    assert len(done.lines) == 1


def test_notes_are_not_dropped_from_a_copy_that_still_names_the_person(run, source):
    done = run("--drop-notes", "--out", "out", source)
    refused(done, "--drop-notes must come with --deidentify, got it alone")


def test_a_folder_without_recordings(run):
    Path("in").mkdir()
    refused(run("in"), "a folder must hold a file ending in one of .edf", "got none in: in")


def test_every_problem_of_a_config_at_once(run, source):
    Path("c.toml").write_text(
        '[windows]\nhop = 0.5\nblock_s = 1000\n[export]\nmarked = "yes"\nreport = 3\n'
        "keep_notes = false\nplan = 'restng'\n"
        "[segments.muscle]\nbegin_at = 2\njoin_s = -1\n[exprot]\n"
    )
    done = run(source, "--config", "c.toml")
    refused(done)
    assert done.lines == [
        "cleanspan: c.toml: windows.hop is not a setting; did you mean 'hop_s'?",
        "cleanspan: c.toml: windows.block_s must lie between 5 and 120, got 1000",
        "cleanspan: c.toml: export.report must be true or false, got 3",
        (
            "cleanspan: c.toml: export.marked must be one of 'copy', 'annotations-only', 'none', "
            "got 'yes'"
        ),
        (
            "cleanspan: c.toml: export.keep_notes = false must come with deidentify = true, got "
            "it alone: names and dates would stay in the header"
        ),
        "cleanspan: c.toml: segments.muscle.begin_at must lie between 0.01 and 0.99, got 2",
        "cleanspan: c.toml: segments.muscle.join_s must lie between 0 and 60, got -1",
        "cleanspan: c.toml: exprot is not a setting; did you mean 'export'?",
        (
            "cleanspan: a plan must be a shipped one or a .toml file, got 'restng'; did you mean "
            "'resting'?"
        ),
    ]


def test_plan_model_and_rules_that_are_wrong_are_told_at_once(run, source):
    Path("own.toml").write_text(
        'purpose = "x"\nrationale = "x"\nmost_bad_share = 0.5\ntolerated = ["blnk", "mucle"]\n'
    )
    Path("c.toml").write_text("[segments.blnk]\nbegin_at = 0.6\n")
    done = run(source, "--config", "c.toml", "--plan", "own.toml")
    refused(done, "segments.blnk: it must be a label", "got 'blnk'; did", "got 'mucle'; did")
    assert len(done.lines) == 3
    Path("c.toml").write_text('[segments.blnk]\nbegin_at = 2\n[labels]\nnot_read = ["blnk"]\n')
    done = run(source, "--config", "c.toml")
    refused(done, "begin_at must lie", "segments.blnk: it must be a label", "got blnk; did you")
    assert len(done.lines) == 3
    Path("c.toml").write_text('[labels]\nnot_read = ["blnk"]\n')
    done = run(source, "--config", "c.toml")
    refused(done, "labels not read (labels.not_read in settings, or --not-read) must be one of")
    assert len(done.lines) == 1
    done = run(source, "--plan", "restng", "--model", "nowhere", with_model=False)
    refused(done, "got 'restng'", "got 'nowhere'")
    assert len(done.lines) == 2


@pytest.mark.parametrize(
    ("setting", "text"),
    [
        ("[windows]\nhop_s = 0.3", "windows.hop_s must be 0.25, 0.5 or 1, got 0.3"),
        ("[windows]\nhop_s = 0.1", "windows.hop_s must lie between 0.25 and 1, got 0.1"),
        ("[windows]\nblock_s = 4", "windows.block_s must lie between 5 and 120, got 4"),
        ('[export]\nmarked = "yes"', "export.marked must be one of 'copy', 'annotations-only'"),
        ("[export]\nkeep_notes = false", "keep_notes = false must come with deidentify = true"),
        ("[export]\nplan = 3", "export.plan must be a text, got 3"),
        ("windows = 3", "windows must be a table, got 3"),
        ("[segments.blink]\nkeep_above = 0.8", "keep_above must lie between 0.01 and 0.5"),
        ("[segments.blnk]\nbegin_at = 0.6", "segments.blnk: it must be a label of the model"),
        ("not toml", "must be TOML in UTF-8"),
    ],
)
def test_a_config_that_is_wrong(run, source, setting, text):
    Path("c.toml").write_text(setting)
    done = run(source, "--config", "c.toml")
    refused(done, text)
    assert len(done.lines) == 1


def test_a_nights_settings_in_place_of_the_screenings(run, source):
    Path("c.toml").write_text('inbox = ["in"]\noutput = "out"\n[screen.export]\nreport = false\n')
    done = run(source, "--config", "c.toml")
    refused(done, "c.toml: --config must name settings of the screening, got those of a night; ")
    assert len(done.err.splitlines()) == 1


def test_results_do_not_go_where_a_night_keeps_its_own(run, source):
    """Its ledger would say one thing and the folder hold another."""
    kept = Path("out/R/R_facts.json")
    kept.parent.mkdir(parents=True)
    kept.write_text("{}")
    Path("out/.night.lock").touch()
    done = run(source)
    assert done.status == 2
    assert done.err.startswith("cleanspan: out: results must not go where a night keeps its own")
    assert len(done.err.splitlines()) == 1
    assert sorted(Path("out").rglob("*")) == [Path("out/.night.lock"), kept.parent, kept]


def test_a_config_that_is_not_there(run, source):
    refused(run(source, "--config", "c.toml"), "c.toml: a configuration file must be readable")


def test_an_unknown_plan(run, source):
    refused(run(source, "--plan", "restng"), "did you mean 'resting'")


def test_a_model_that_is_not_there(run, source):
    refused(run(source, "--model", "nowhere", with_model=False), "nowhere")


def test_a_model_that_does_not_match(run, source, tmp_path):
    folder = _made.save_rules(tmp_path / "mine" / "rules")
    manifest = folder / "manifest.toml"
    manifest.write_text(
        re.sub(r"feature_version = \d+", "feature_version = 99", manifest.read_text())
    )
    done = run(source, "--model", str(folder), with_model=False)
    refused(done, "feature version must be", "got 99", "retrain it with this version")
    assert len(done.lines) == 1


def test_an_output_folder_that_is_a_file(run, source):
    Path("taken").write_text("mine")
    done = run(source, out="taken")
    assert done.status == 2
    (line,) = done.lines
    assert line == (
        "cleanspan: taken: the output must be a folder, got a file of that name; "
        "choose another folder"
    )
    assert Path("taken").read_text() == "mine"


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a folder nobody may write to")
def test_an_output_folder_that_cannot_be_written(run, source):
    done = run(source, out="/proc/results")
    assert done.status == 2
    assert len(done.lines) == 1
    assert "/proc/results: the output must be writable" in done.err


def test_no_path_at_all_and_unknown_options(run):
    done = run()
    assert done.status == 2
    assert "Missing argument" in done.err
    done = run("x.edf", "--plann", "resting")
    assert done.status == 2
    assert "--plan" in done.err


# ---- starting up


@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_every_command_has_help(name, capsys):
    with pytest.raises(SystemExit) as caught:
        main([*([name] if name else []), "--help"])
    assert caught.value.code == 0
    said = capsys.readouterr().out
    assert said.startswith("Usage: cleanspan")
    assert len(said.splitlines()) > 4


def test_help_imports_nothing_heavy():
    code = (
        "import sys, cleanspan.cli;"
        "heavy = {'numpy', 'scipy', 'mne', 'sklearn', 'pandas', 'matplotlib', 'pyarrow'};"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_screening_an_edf_file_imports_neither_mne_nor_sklearn(source, model, tmp_path):
    code = (
        "import sys; from cleanspan.cli import main\n"
        "try:\n    main(sys.argv[1:])\n"
        "except SystemExit as stop:\n    assert not stop.code, stop\n"
        "print(sorted({'mne', 'sklearn', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "screen", str(source), "--out", str(tmp_path / "out"),
         "--model", str(model), "--jobs", "1"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_reader_that_goes_away_is_no_failure(source, model, tmp_path):
    """``cleanspan screen ... | head -1``."""
    command = [
        sys.executable, "-m", "cleanspan", "screen", str(source), "--out", str(tmp_path / "out"),
        "--model", str(model), *LEAN,
    ]  # fmt: skip
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, text=True, check=False)
    os.close(write)
    assert "Traceback" not in done.stderr
    assert (tmp_path / "out" / "summary.csv").exists()


# ---- the shipped model on the invented study


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    out = tmp_path_factory.mktemp("demo")
    done = subprocess.run(
        [sys.executable, "-m", "cleanspan", "screen", str(DEMO), "--out", str(out / "results"),
         "--model", str(Path(__file__).parents[2] / "models" / "cleanspan-1"), *LEAN],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return SimpleNamespace(out=out / "results", said=done.stdout)


def segments(demo, name):
    with (demo.out / name / f"{name}_segments.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_the_study_is_screened(demo):
    rows = summary(demo.out)
    assert [row["status"] for row in rows] == ["done"] * 3
    assert {row["channels"] for row in rows} == {"19"}


def test_what_the_study_tells_is_found(demo):
    """demo_data/README.md: a flat and a railed stretch; the ear clips off from 42 to 54 s."""
    lost = [
        row for row in segments(demo, "harbour-street-p02-listening")
        if row["kind"] == "reference lost"
    ]  # fmt: skip
    assert len(lost) == 19
    assert {round(float(row["onset_s"])) for row in lost} == {42}
    drowsy = segments(demo, "harbour-street-p03-drowsy")
    kinds = {(row["channel"], row["kind"]): row for row in drowsy if row["kind"]}
    flat, railed = kinds["EEG Pz", "flat"], kinds["EEG F8", "railed"]
    assert float(flat["onset_s"]) == pytest.approx(30, abs=0.5)
    assert float(flat["duration_s"]) == pytest.approx(6, abs=0.75)
    assert float(railed["onset_s"]) == pytest.approx(70, abs=0.75)
    assert float(railed["duration_s"]) == pytest.approx(5, abs=1)


@pytest.mark.parametrize(
    ("arguments", "what", "where"),
    [
        (["nope"], "No such command 'nope'", "cleanspan --help"),
        (["screen"], "Missing argument 'PATHS...'", "cleanspan screen --help"),
        (["screen", "x", "--out", "y", "--jobs", "a"], "'--jobs': 'a'", "cleanspan screen --help"),
        (["night", "--nope"], "No such option '--nope'", "cleanspan night --help"),
    ],
)
def test_a_wrong_command_line_gets_one_line(capsys, arguments, what, where):
    with pytest.raises(SystemExit) as caught:
        main(arguments)
    assert caught.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert what in line
    assert line.endswith(f"see {where}")


def test_a_recording_whose_end_is_missing_is_told_under_the_table(run, source):
    whole = source.read_bytes()
    Path("cut.edf").write_bytes(whole[: -len(whole) // 4])
    done = run("cut.edf", source)
    assert done.status == 0
    told = done.out.splitlines()
    (line,) = (line for line in told if "the end is missing" in line)
    assert line.startswith("  cut.edf: ")
    assert told[told.index(line) - 1] == "warnings about 1 of 2 recordings:"
    assert "warnings" not in run(source, out="other").out


def test_usable_time_of_few_channels_is_told_under_the_table(run, tmp_path):
    """Mains on six of eight channels: what is usable is so on the other two."""
    samples = _made.background(8, 20, seed=1)
    time_s = _made.np.arange(5000) / 250
    samples[2:] += 60 * _made.np.sin(2 * _made.np.pi * 50 * time_s)
    path = _made.write_edf(tmp_path / "loud.edf", samples, _made.SMALL_CAP)
    done = run(path)
    assert "  loud.edf: usable_s is the time of 2 of 8 channels: the plan drops" in done.out
    assert "usable_s is the time of 2 of 8" in summary()[0]["warnings"]


def test_warnings_are_told_once_each_and_those_beyond_a_few_are_counted():
    from cleanspan.cli.screen import told_lines
    from cleanspan.screen import Outcome

    first = Outcome("a.edf", "done", Path("out/a"), warnings=("one", "two"))
    second = Outcome("b.edf", "done", Path("out/b-2"), warnings=("two", "th\nree"))
    quiet, failed = Outcome("c.edf", "done"), Outcome("d.edf", "failed", warnings=("four",))
    assert told_lines([quiet, first, second, failed]) == [
        "warnings about 2 of 4 recordings:",
        "  a.edf: one",
        "  b.edf (b-2), a.edf: two",
        "  b.edf (b-2): th ree",
    ]
    assert told_lines([quiet, failed]) == []
    many = Outcome("m.edf", "done", warnings=tuple("abcdefgh"))
    assert told_lines([many])[-2:] == [
        "  m.edf: e",
        "  and 3 more in summary.csv, column warnings",
    ]
    found = Outcome("f.edf", "done", findings=("Joined.",), warnings=("odd",))
    assert told_lines([found, quiet]) == [
        "findings about 1 of 2 recordings:",
        "  f.edf: Joined.",
        "warnings about 1 of 2 recordings:",
        "  f.edf: odd",
    ]
    alike = [Outcome(f"{number}.edf", "done", warnings=("odd",)) for number in range(9)]
    assert told_lines(alike)[1:] == ["  0.edf, 1.edf, 2.edf and 6 more: odd"]
