"""Scratch folders do not pile up."""

import os
import subprocess
import sys
import time

from cleanspan import scratch


def left_over(place, *, pid, age_s):
    folder = place / f"{scratch.PREFIX}{pid}-abc"
    folder.mkdir()
    (folder / "features-0").write_bytes(b"x")
    os.utime(folder, (time.time() - age_s, time.time() - age_s))
    return folder


def ended_process():
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    return child.pid


def test_the_folder_is_gone_after_the_block():
    with scratch.scratch_folder() as folder:
        (folder / "file").touch()
    assert not folder.exists()


def test_what_a_killed_run_left_is_swept_up_after_a_day(tmp_path):
    folder = left_over(tmp_path, pid=ended_process(), age_s=2 * scratch.STALE_S)
    scratch.sweep(tmp_path)
    assert not folder.exists()


def test_fresh_folders_and_those_of_living_processes_stay(tmp_path):
    fresh = left_over(tmp_path, pid=ended_process(), age_s=60)
    mine = left_over(tmp_path, pid=os.getpid(), age_s=2 * scratch.STALE_S)
    other = tmp_path / "cleanspan-notes-2026"
    other.mkdir()
    scratch.sweep(tmp_path)
    assert fresh.exists()
    assert mine.exists()
    assert other.exists()
