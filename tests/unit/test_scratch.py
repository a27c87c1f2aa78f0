"""Scratch folders do not pile up."""

import errno
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cleanspan import scratch
from cleanspan.atomic import UNFINISHED, remove_left_by_dead
from cleanspan.errors import OutputError


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


HOLD = """
import sys, time
from cleanspan.scratch import scratch_folder
with scratch_folder() as folder:
    (folder / "features-0").write_bytes(b"x")
    print(folder, flush=True)
    time.sleep(60)
"""


def holder(place):
    """Start a process that holds a scratch folder; give both."""
    child = subprocess.Popen(
        [sys.executable, "-c", HOLD],
        env={**os.environ, "TMPDIR": str(place)},
        stdout=subprocess.PIPE,
        text=True,
    )
    return child, Path(child.stdout.readline().strip())


def test_what_a_killed_run_left_goes_at_once_where_its_lock_says_that_it_is_dead(tmp_path):
    child, folder = holder(tmp_path)
    assert (folder / "features-0").exists()
    child.kill()
    child.communicate()
    assert folder.exists()
    scratch.sweep(tmp_path)
    assert not folder.exists()


def test_a_lock_that_is_held_keeps_a_folder_whatever_its_number_says(tmp_path, monkeypatch):
    """A run in another container has a number that means nothing here."""
    child, folder = holder(tmp_path)
    monkeypatch.setattr(scratch, "is_alive", lambda pid: False)
    scratch.sweep(tmp_path)
    assert (folder / "features-0").exists()
    child.kill()
    child.communicate()


def test_no_room_for_a_scratch_folder_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr(scratch.tempfile, "mkdtemp", full)
    with pytest.raises(OutputError, match="the disk must have room"), scratch.scratch_folder():
        pass


def full(**_):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_folders_half_filled_by_a_dead_process_go_and_others_stay(tmp_path):
    dead = ended_process()
    left, older, old_result, mine = (
        tmp_path / name
        for name in (
            f"{UNFINISHED}{dead}.0a-new",
            f"{UNFINISHED}{dead}.0b-new",
            f"{UNFINISHED}{dead}.0a-old",
            f"{UNFINISHED}{os.getpid()}.0a-new",
        )
    )
    for folder in (left, older, old_result, mine):
        folder.mkdir()
    remove_left_by_dead(tmp_path, but={older})
    assert not left.exists()
    assert older.exists()
    assert old_result.exists()
    assert mine.exists()
