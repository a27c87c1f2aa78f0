"""Ctrl-C while libraries are loaded: one line, a clean status, nothing left behind."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

DEMO = Path(__file__).parents[2] / "demo_data"
SLOWLY = """
import signal, sys, time
signal.signal(signal.SIGINT, signal.default_int_handler)
slow = sys.argv.pop(1)

class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == slow:
            sys.meta_path.remove(self)
            try:
                print("loading", flush=True)
                time.sleep(1)
            except KeyboardInterrupt:  # as compiled libraries take it
                raise ImportError("half loaded") from None

sys.meta_path.insert(0, Finder())
from cleanspan.__main__ import main
main()
"""
"""The command, with one library that is slow to load and takes an exception there badly."""


def screening(tmp_path, code, *args, jobs):
    """Start a command in a process group of its own, as a terminal does."""
    (tmp_path / "tmp").mkdir()
    return subprocess.Popen(
        [sys.executable, "-c", code, *args, "screen", str(DEMO), "--out", str(tmp_path / "out"),
         "--jobs", str(jobs)],
        env={**os.environ, "TMPDIR": str(tmp_path / "tmp")}, start_new_session=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def left(tmp_path):
    """List what was left: of results, and of scratch."""
    return [
        path.name
        for pattern in ("out/harbour*", "out/.unfinished*", "tmp/cleanspan-*")
        for path in tmp_path.glob(pattern)
    ]


@pytest.mark.parametrize(
    ("library", "stop"),
    [
        ("click", signal.SIGINT),
        ("numpy", signal.SIGINT),
        ("pandas", signal.SIGINT),
        ("scipy", signal.SIGTERM),
    ],
)
def test_stopped_while_a_library_is_loaded(library, stop, tmp_path):
    with screening(tmp_path, SLOWLY, library, jobs=1) as run:
        assert run.stdout.readline() == "loading\n"
        os.killpg(run.pid, stop)
        said = run.communicate(timeout=60)[1]
    assert said.strip() == "cleanspan: stopped"
    assert run.returncode == 130
    assert left(tmp_path) == []


LOADING = """
import pathlib, sys, tempfile, time
if "popen_loky" in " ".join(sys.orig_argv):
    pathlib.Path(tempfile.gettempdir(), "loading").touch()
    time.sleep(1)
"""
"""Python runs a module `sitecustomize` first of all: here it holds up the processes that work."""


def test_stopped_while_the_processes_that_work_are_loading(tmp_path, monkeypatch):
    (tmp_path / "sitecustomize.py").write_text(LOADING)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    code = (
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
        "from cleanspan.__main__ import main; main()"
    )
    with screening(tmp_path, code, jobs=2) as run:
        until = time.monotonic() + 60
        while not (tmp_path / "tmp" / "loading").exists():
            assert time.monotonic() < until
            time.sleep(0.01)
        os.killpg(run.pid, signal.SIGINT)
        said = run.communicate(timeout=60)[1]
    assert said.strip() == "cleanspan: stopped"
    assert run.returncode == 130
    assert left(tmp_path) == []
