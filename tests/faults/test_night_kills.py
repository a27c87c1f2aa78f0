"""Killing the run: whatever the moment, starting again ends as if nothing had happened.

``CLEANSPAN_KILLS`` sets how many random kills there are (8 by default);
``CLEANSPAN_KILL_STEPS=all`` tries every step between commits and renames, not every 17th.
"""

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest

UNIT = Path(__file__).parents[1] / "unit"
DRIVER = UNIT / "night_driver.py"
KILLS = int(os.environ.get("CLEANSPAN_KILLS", "8"))
STRIDE = 1 if os.environ.get("CLEANSPAN_KILL_STEPS") == "all" else 17

Environment = dict[str, str]


@pytest.fixture
def environment(tmp_path: Path) -> Environment:
    flags = tmp_path / "flags"
    flags.mkdir()
    path = os.pathsep.join([str(UNIT), os.environ.get("PYTHONPATH", "")])
    return {**os.environ, "PYTHONPATH": path, "NIGHT_FLAGS": str(flags)}


def start(environment: Environment, *args: object) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, str(DRIVER), *map(str, args)],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def finish(environment: Environment, *args: object) -> dict[str, int]:
    process = start(environment, *args)
    out, err = process.communicate(timeout=60)
    assert process.returncode in (0, 1), err.decode()
    counts: dict[str, int] = json.loads(out)
    return counts


def results(output: Path) -> dict[str, str]:
    """Read all results, without the times at which they were made."""
    found = {}
    for path in sorted([*output.glob("*/*"), *output.glob("earlier/*/*")]):
        if path.is_dir() or path.is_relative_to(output / "nights"):
            continue
        text = path.read_text()
        if path.name.endswith("_origin.json"):
            facts = json.loads(text)
            facts = {k: v for k, v in facts.items() if k not in ("screened_at", "first_seen")}
            text = json.dumps(facts)
        found[str(path.relative_to(output))] = text
    return found


def jobs(output: Path) -> list[tuple[object, ...]]:
    """Read where every recording stands, by name."""
    with sqlite3.connect(output / "ledger.sqlite") as db:
        rows = db.execute(
            "SELECT name, model, state, folder, attempts FROM jobs JOIN contents USING (digest) "
            "ORDER BY name, model"
        ).fetchall()
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    db.close()
    return rows


def under_way(output: Path) -> bool:
    """Tell whether a recording is being screened; the ledger may be just being made."""
    try:
        return any(row[2] == "working" for row in jobs(output))
    except sqlite3.OperationalError:
        return False


def ended(output: Path) -> bool:
    """Tell whether the latest run, the second one of these tests or later, came to its end."""
    with sqlite3.connect(output / "ledger.sqlite") as db:
        runs = db.execute("SELECT ended_at FROM runs ORDER BY id").fetchall()
    db.close()
    return len(runs) > 1 and runs[-1][0] is not None


def leftovers(output: Path) -> list[Path]:
    """List what is unfinished; a summary's unfinished copy may be another program's."""
    found = [*output.glob(".unfinished*"), *output.glob("nights/*/.unfinished*")]
    return [path for path in found if not path.name.endswith("-summary.csv")]


@pytest.fixture
def scene(tmp_path: Path, environment: Environment) -> Callable[[str], tuple[Path, Path]]:
    """An inbox with results of an older model, a changed file and new ones."""

    def make(name: str) -> tuple[Path, Path]:
        inbox, output = tmp_path / "inbox", tmp_path / name
        shutil.rmtree(inbox, ignore_errors=True)
        inbox.mkdir()
        for number in range(2):
            (inbox / f"old{number}.edf").write_text(f"ok old {number}")
        finish(environment, inbox, output, "--model", "m1")
        (inbox / "old1.edf").write_text("ok now another content")
        (inbox / "new.edf").write_text("slow new")
        (inbox / "bad.edf").write_text("bad")
        (inbox / "crash.edf").write_text("killed")
        return inbox, output

    return make


def test_random_kills_change_nothing(
    scene: Callable[[str], tuple[Path, Path]], environment: Environment
) -> None:
    args = ("--model", "m2", "--again")
    inbox, whole = scene("whole")
    began = time.monotonic()
    finish(environment, inbox, whole, *args)
    takes_s = time.monotonic() - began
    dice = random.Random(os.environ.get("CLEANSPAN_KILL_SEED", "1"))
    kills = rounds = 0
    while kills < KILLS:
        rounds += 1
        inbox, output = scene(f"killed{rounds}")
        for _ in range(4):
            if ended(output):
                break  # killed after its work was done: the next run is another night
            process = start(environment, inbox, output, *args)
            time.sleep(dice.uniform(0.15, takes_s))
            process.kill()
            process.communicate()
            kills += process.returncode == -signal.SIGKILL
        if not ended(output):
            finish(environment, inbox, output, *args)
        assert results(output) == results(whole)
        assert jobs(output) == jobs(whole)
        assert leftovers(output) == []
        again = finish(environment, inbox, output, *args)
        assert again["new"] == 2  # what failed
        shutil.rmtree(output)
    print(f"{kills} kills in {rounds} rounds")  # noqa: T201 - shown with pytest -s


def test_a_kill_at_any_step_of_placing_changes_nothing(
    scene: Callable[[str], tuple[Path, Path]], environment: Environment, tmp_path: Path
) -> None:
    args = ("--model", "m2", "--again", "--workers", 1)
    inbox, whole = scene("whole")
    shutil.copytree(whole, tmp_path / "before")
    finish(environment, inbox, whole, *args)
    step = killed = 0
    while True:
        step += STRIDE
        output = tmp_path / "before-killed"
        shutil.rmtree(output, ignore_errors=True)
        shutil.copytree(tmp_path / "before", output)
        process = start(environment, inbox, output, *args, "--die-at", step)
        process.communicate(timeout=60)
        if process.returncode != -signal.SIGKILL:
            break
        killed += 1
        if ended(output):
            continue
        finish(environment, inbox, output, *args)
        assert results(output) == results(whole), f"killed at step {step}"
        assert jobs(output) == jobs(whole)
        assert leftovers(output) == []
    assert killed * STRIDE > 60  # the steps were really counted
    print(f"killed at {killed} steps")  # noqa: T201


def test_a_killed_run_leaves_no_process_behind(tmp_path: Path, environment: Environment) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "endless.edf").write_text("spin")
    process = start(environment, inbox, tmp_path / "out")
    flags = Path(environment["NIGHT_FLAGS"])
    deadline = time.monotonic() + 30
    while not list(flags.iterdir()) and time.monotonic() < deadline:
        time.sleep(0.05)
    child = int(next(flags.iterdir()).name)
    assert psutil.pid_exists(child)
    assert "cleanspan-desk-" in psutil.Process(child).environ()["TMPDIR"]
    assert list((tmp_path / "out").glob(".unfinished-night-*/cleanspan-desk-*"))
    process.kill()
    process.communicate()
    deadline = time.monotonic() + 5
    while psutil.pid_exists(child) and psutil.Process(child).status() != psutil.STATUS_ZOMBIE:
        assert time.monotonic() < deadline, "the screening process outlived its run"
        time.sleep(0.02)


def test_two_runs_at_once_never_collide(tmp_path: Path, environment: Environment) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    for number in range(6):
        (inbox / f"R{number}.edf").write_text(f"slow {number}")
    running = [start(environment, inbox, tmp_path / "out") for _ in range(3)]
    ended = [(*process.communicate(timeout=60), process.returncode) for process in running]
    winners = [item for item in ended if item[2] == 0]
    losers = [item for item in ended if item[2] != 0]
    assert len(winners) == 1
    for _, err, status in losers:
        assert status == 2
        assert "only one night may run at a time" in err.decode()
        assert "nothing was done" in err.decode()
    assert json.loads(winners[0][0])["done"] == 6
    with sqlite3.connect(tmp_path / "out" / "ledger.sqlite") as db:
        assert db.execute("SELECT count(*) FROM attempts").fetchone() == (6,)
    db.close()


def test_a_lock_is_free_after_its_owner_was_killed(
    tmp_path: Path, environment: Environment
) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "R.edf").write_text("hang")
    process = start(environment, inbox, tmp_path / "out")
    lock = tmp_path / "out" / ".night.lock"
    deadline = time.monotonic() + 30
    while not (lock.exists() and lock.read_text()) and time.monotonic() < deadline:
        time.sleep(0.02)
    process.kill()
    process.communicate()
    (inbox / "R.edf").write_text("ok")
    assert finish(environment, inbox, tmp_path / "out")["done"] == 1


def test_sigterm_ends_in_good_order_and_counts_no_try(
    tmp_path: Path, environment: Environment
) -> None:
    inbox, output = tmp_path / "inbox", tmp_path / "out"
    inbox.mkdir()
    for number in range(4):
        (inbox / f"R{number}.edf").write_text(f"hang {number}")
    config = tmp_path / "night.toml"
    config.write_text(f'inbox = ["{inbox}"]\noutput = "{output}"\nsettle_s = 0\n')
    code = (
        "import sys; from cleanspan.cli import night; from cleanspan.night import run; "
        "from cleanspan.night.planning import Model; "
        "run.SCREEN = 'night_fakes:screen'; run.model_in_use = lambda config: Model('m', 'm'); "
        "run.run_night.__kwdefaults__['work'] = run.SCREEN; "
        f"night.command(['--config', {str(config)!r}])"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], env=environment, stdout=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        time.sleep(0.1)
        if under_way(output):
            break
    process.terminate()
    out, _ = process.communicate(timeout=30)
    assert process.returncode == 1
    assert "status=1" in out
    assert {row[2:] for row in jobs(output)} == {("waiting", None, 0)}
    assert "the run was stopped early" in (output / "night.html").read_text()
