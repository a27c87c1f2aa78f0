"""The benchmark script works; how fast anything is, is no test's business."""

import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).parent / "run.py"


def run(*arguments):
    return subprocess.run(
        [sys.executable, SCRIPT, *arguments], capture_output=True, text=True, check=False
    )


def test_a_minute_is_measured_and_described():
    done = run("--hours", str(1 / 60), "--repeat", "1", "--stages", "whole,stages,short")
    assert done.returncode == 0, done.stderr
    assert "load average at the start" in done.stdout
    for heading in ("| everything |", "| EDF+ copy |", "| cleanspan --help |"):
        assert heading in done.stdout
    assert "≤ 0.3 s wall" in done.stdout


def test_an_unknown_stage_is_refused():
    done = run("--stages", "whole,nothing")
    assert done.returncode == 2
    assert "got nothing" in done.stderr
