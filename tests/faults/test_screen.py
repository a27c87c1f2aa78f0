"""Real faults while recordings are screened: killed processes, damaged files, a full scratch."""

import csv
import os
import runpy
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import psutil
import pytest

from cleanspan.atomic import alone_in
from cleanspan.batch import plan_tasks, screen_batch
from cleanspan.config import Config, Export
from cleanspan.screen import screen_recording

_made = SimpleNamespace(
    **runpy.run_path(str(Path(__file__).parents[1] / "unit" / "features" / "invented.py"))
)
LEAN = Config(export=Export(marked="none", report=False, windows=False))


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return _made.save_rules(tmp_path_factory.mktemp("model") / "rules")


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    samples = _made.background(8, 12, seed=1)
    return _made.write_edf(tmp_path_factory.mktemp("in") / "good.edf", samples, _made.SMALL_CAP)


def kill_itself(path, folder, *, config, model):
    """Stands for a recording whose screening takes all memory: the kernel ends the process."""
    if "deadly" in Path(path).name:
        os.kill(os.getpid(), signal.SIGKILL)
    return screen_recording(path, folder, config=config, model=model)


def kill_itself_while_it_writes(path, folder, *, config, model):
    """As above, with something begun beside its results' place."""
    if "deadly" in path.name:
        (folder.parent / f".unfinished-{os.getpid()}.0123abcd-new").mkdir()
    return kill_itself(path, folder, config=config, model=model)


def test_nothing_half_written_is_left_by_a_killed_worker(good, model, tmp_path, monkeypatch):
    for name in ("a.edf", "b-deadly.edf", "c.edf"):
        (tmp_path / name).write_bytes(good.read_bytes())
    monkeypatch.setattr("cleanspan.batch.screen_recording", kill_itself_while_it_writes)
    tasks = plan_tasks(sorted(tmp_path.glob("*.edf")), tmp_path / "out")
    outcomes = screen_batch(tasks, config=LEAN, model=model, jobs=2)
    assert [outcome.status for outcome in outcomes] == ["done", "failed", "done"]
    assert not list((tmp_path / "out").glob(".unfinished*"))


def test_a_killed_worker_costs_its_recording_only(good, model, tmp_path, monkeypatch):
    names = ("a.edf", "b-deadly.edf", "c.edf")
    for name in names:
        (tmp_path / name).write_bytes(good.read_bytes())
    monkeypatch.setattr("cleanspan.batch.screen_recording", kill_itself)
    tasks = plan_tasks([tmp_path / name for name in names], tmp_path / "out")
    outcomes = screen_batch(tasks, config=LEAN, model=model, jobs=2)
    assert [outcome.status for outcome in outcomes] == ["done", "failed", "done"]
    assert "b-deadly.edf: its process must be left to finish" in outcomes[1].error
    assert not list((tmp_path / "out").glob(".unfinished*"))
    assert len((tmp_path / "out" / "summary.csv").read_text().splitlines()) == 4


DAMAGES = {
    "empty": lambda data: b"",
    "header cut": lambda data: data[:100],
    "signal headers cut": lambda data: data[:700],
    "samples cut in a record": lambda data: data[:-1777],
    "no record left": lambda data: data[: 256 * 9],
    "zeros": lambda data: bytes(len(data)),
    "text": lambda data: b"This is a letter, not a recording.\n" * 100,
    "number of signals wrong": lambda data: data[:252] + b"9999" + data[256:],
    "rate of zero": lambda data: data.replace(b"125     ", b"0       "),
    "record of no length": lambda data: data[:244] + b"0       " + data[252:],
    "range upside down": lambda data: data.replace(b"-32768  ", b"32767   "),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_file_is_refused_or_screened_and_never_an_unexpected_error(
    damage, good, model, tmp_path
):
    path = tmp_path / "damaged.edf"
    damaged = DAMAGES[damage](good.read_bytes())
    assert damaged != good.read_bytes()
    path.write_bytes(damaged)
    outcome = screen_recording(path, tmp_path / "out", config=LEAN, model=model)
    assert "unexpected" not in outcome.error
    if outcome.status == "failed":
        assert outcome.error.startswith("damaged.edf: ")
        assert not (tmp_path / "out").exists()
    else:
        assert damage == "samples cut in a record"
        assert outcome.warnings


@pytest.mark.parametrize("seed", range(12))
def test_a_random_byte_changed_in_the_header(seed, good, model, tmp_path):
    data = bytearray(good.read_bytes())
    rng = np.random.default_rng(seed)
    for place in rng.integers(0, 256 * 9, 3):
        data[place] = int(rng.integers(0, 256))
    path = tmp_path / "damaged.edf"
    path.write_bytes(data)
    outcome = screen_recording(path, tmp_path / "out", config=LEAN, model=model)
    assert "unexpected" not in outcome.error


def test_a_file_that_vanishes_in_between_is_one_line(good, model, tmp_path):
    outcome = screen_recording(tmp_path / "gone.edf", tmp_path / "out", config=LEAN, model=model)
    assert outcome.error == "gone.edf: the file must exist, got no such file"


def test_a_pipe_that_is_named_like_a_recording_is_one_line_and_nobody_waits(model, tmp_path):
    os.mkfifo(tmp_path / "pipe.edf")
    outcome = screen_recording(tmp_path / "pipe.edf", tmp_path / "out", config=LEAN, model=model)
    assert outcome.error == (
        "pipe.edf: it must be a file, got a pipe, a socket or a device; copy it into a file"
    )


def test_killed_in_the_middle_nothing_half_written_stands_under_its_name(good, model, tmp_path):
    """SIGKILL while the command works: a result folder is there whole, or not at all."""
    source = tmp_path / "in"
    source.mkdir()
    for number in range(4):
        (source / f"r{number}.edf").write_bytes(good.read_bytes())
    command = [
        sys.executable, "-m", "cleanspan", "screen", str(source), "--out", str(tmp_path / "out"),
        "--model", str(model), "--jobs", "1",
    ]  # fmt: skip
    for wait_s in (0.6, 1.2):
        run = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(wait_s)
        for child in (
            psutil.Process(run.pid).children(recursive=True) if run.poll() is None else ()
        ):
            child.kill()
        run.kill()
        run.wait()
        for folder in (tmp_path / "out").glob("r*"):
            names = {path.name.removeprefix(f"{folder.name}_") for path in folder.iterdir()}
            assert {"facts.json", "segments.csv", "channels.csv", "exclusions.csv"} <= names
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert len(list((tmp_path / "out").glob("r*/*_facts.json"))) == 4


def screen_in_child(model, tmp_path, *, names, jobs, stop=None, to_all=False):
    """Screen copies of a recording as a user does; stop it while it works.

    `names` maps a name to the file to copy. Gives status, errors and what is left: in the output
    folder, and in the temporary folder.
    """
    for folder in ("in", "tmp"):
        (tmp_path / folder).mkdir()
    for name, path in names.items():
        (tmp_path / "in" / name).write_bytes(path.read_bytes())
    code = (
        "import os, pathlib, sys, time; sys.path.insert(0, sys.argv.pop(1));"
        "import slow_writing; slow_writing.main(sys.argv[1:])"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(Path(__file__).parent), "screen", str(tmp_path / "in"),
         "--out", str(tmp_path / "out"), "--model", str(model), "--jobs", str(jobs),
         "--no-report"],
        env={**os.environ, "TMPDIR": str(tmp_path / "tmp")}, start_new_session=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    ) as run:  # fmt: skip
        if stop is not None:
            until = time.monotonic() + 60
            while len(list((tmp_path / "tmp").glob("writing-*"))) < jobs:
                assert time.monotonic() < until
                assert run.poll() is None
                time.sleep(0.02)
            assert list((tmp_path / "out").glob(".unfinished*"))
            assert list((tmp_path / "tmp").glob("cleanspan-*"))
            (os.killpg if to_all else os.kill)(run.pid, stop)
        said = run.communicate(timeout=100)[1]
    left = {path.name for path in (tmp_path / "out").iterdir()}
    scratch = [path.name for path in (tmp_path / "tmp").glob("cleanspan-*")]
    return SimpleNamespace(status=run.returncode, said=said.strip(), left=left, scratch=scratch)


@pytest.mark.parametrize(
    ("stop", "to_all"),
    [(signal.SIGTERM, False), (signal.SIGTERM, True), (signal.SIGINT, True)],
    ids=["asked to end", "all asked to end", "Ctrl-C"],
)
@pytest.mark.parametrize("jobs", [1, 2])
def test_stopped_in_the_middle_nothing_of_the_eeg_stays_behind(
    jobs, stop, to_all, good, model, tmp_path
):
    names = {f"slow-{number}.edf": good for number in range(3)}
    done = screen_in_child(model, tmp_path, names=names, jobs=jobs, stop=stop, to_all=to_all)
    assert done.status == 130
    assert done.said == "cleanspan: stopped"
    assert (done.left, done.scratch) == (set(), [])


def test_stopped_after_some_recordings_it_says_how_many_are_done(good, model, tmp_path):
    """The largest is taken first where several processes work, the first name where one does."""
    names = {"a.edf": good, "slow.edf": good, "z.edf": good}
    done = screen_in_child(model, tmp_path, names=names, jobs=1, stop=signal.SIGINT)
    assert done.status == 130
    told, stopped = done.said.splitlines()
    assert told.startswith("cleanspan: 1 of 3 recordings have their results; name the others")
    assert stopped == "cleanspan: stopped"
    assert done.left == {"a", "summary.csv"}


def screening(source, out, model):
    """Start a call of its own, without page and copy."""
    return subprocess.Popen(
        [sys.executable, "-m", "cleanspan", "screen", str(source), "--out", str(out),
         "--model", str(model), "--marked", "none", "--no-report", "--jobs", "1"],
        stdout=subprocess.DEVNULL,
    )  # fmt: skip


def test_two_calls_into_one_folder_lose_no_row_of_each_other(good, model, tmp_path):
    """Both are done at about the same time; each reads the summary, adds to it and replaces it."""
    out = tmp_path / "out"
    runs = []
    for number in range(6):
        source = tmp_path / f"r{number}.edf"
        source.write_bytes(good.read_bytes())
        runs.append(screening(source, out, model))
    assert [run.wait(timeout=100) for run in runs] == [0] * 6
    with (out / "summary.csv").open(encoding="utf-8", newline="") as file:
        names = sorted(row["recording"] for row in csv.DictReader(file))
    assert names == [f"r{number}.edf" for number in range(6)]


def test_a_summary_is_not_replaced_while_another_call_is_at_it(good, model, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    with alone_in(out):
        run = screening(good, out, model)
        until = time.monotonic() + 60
        while not list(out.glob("*/*_facts.json")) and time.monotonic() < until:
            time.sleep(0.02)
        with pytest.raises(subprocess.TimeoutExpired):
            run.wait(timeout=1.0)
        assert not (out / "summary.csv").exists()
    assert run.wait(timeout=60) == 0
    assert (out / "summary.csv").exists()


def test_a_full_disk_met_by_one_process_leaves_nothing_of_the_other(good, model, tmp_path):
    """One process is in the middle of its results when the other finds no room for its own."""
    names = {"full.edf": good, "slow.edf": good}
    done = screen_in_child(model, tmp_path, names=names, jobs=2)
    assert done.status == 2
    assert "the disk must have room" in done.said
    assert "nothing half-written was left" in done.said
    assert len(done.said.splitlines()) == 1
    assert (done.left, done.scratch) == (set(), [])


def test_scratch_space_that_runs_out_is_said_in_one_line(good, model, tmp_path, monkeypatch):
    """A file-size limit stands in for a full scratch disk."""
    code = (
        "import resource, signal, sys; from pathlib import Path;"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000));"
        "from cleanspan.cli import main; main(sys.argv[1:])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "screen", str(good), "--out", str(tmp_path / "out"),
         "--model", str(model)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode != 0
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert "the disk must have room" in done.stderr


def test_killed_outright_its_processes_go_too(good, model, tmp_path):
    """SIGKILL of the command alone: nobody is left to end the processes that it has started."""
    source, out = tmp_path / "in", tmp_path / "out"
    source.mkdir()
    for number in range(60):
        (source / f"r{number}.edf").write_bytes(good.read_bytes())
    run = subprocess.Popen(
        [sys.executable, "-m", "cleanspan", "screen", str(source), "--out", str(out),
         "--model", str(model), "--jobs", "2"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    while not list(out.glob("r*")):
        assert run.poll() is None
        time.sleep(0.05)
    children = psutil.Process(run.pid).children(recursive=True)
    assert len(children) >= 2
    run.kill()
    run.wait()
    _, alive = psutil.wait_procs(children, timeout=10)
    assert not alive
    assert len(list(out.glob("r*"))) < 60


@pytest.mark.parametrize("name", ["summary.csv", "plans.csv"])
def test_a_pipe_in_the_place_of_a_table_is_put_aside_and_nobody_waits(good, model, tmp_path, name):
    out = tmp_path / "out"
    out.mkdir()
    os.mkfifo(out / name)
    run = subprocess.run(
        [sys.executable, "-m", "cleanspan", "screen", str(good), "--out", str(out),
         "--model", str(model)],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    with (out / "summary.csv").open(newline="") as file:
        assert [row["status"] for row in csv.DictReader(file)] == ["done"]
    if name == "summary.csv":
        (kept,) = (out / "earlier").iterdir()
        assert f"the old one is kept as {kept}" in run.stderr
