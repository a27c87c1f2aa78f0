"""Faults of one recording, the disk, the inbox and the ledger: nothing else is lost by them."""

import contextlib
import csv
import errno
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from cleanspan.errors import CleanspanError, OutputError
from cleanspan.night import placing
from cleanspan.night.account import Account
from cleanspan.night.config import CODE, Limits, NightConfig, Page
from cleanspan.night.ledger import Ledger
from cleanspan.night.planning import Model, Request
from cleanspan.night.run import run_night
from cleanspan.night.schema import LedgerError
from cleanspan.recording import content

UNIT = Path(__file__).parents[1] / "unit"


class Night:
    """An inbox, an output folder, and nights run on them."""

    def __init__(self, folder: Path) -> None:
        self.inbox = folder / "inbox"
        self.inbox.mkdir()
        self.output = folder / "out"
        self.flags = folder / "flags"
        self.flags.mkdir()
        self.config = NightConfig(
            (str(self.inbox),),
            str(self.output),
            settle_s=0,
            ledger_wait_s=0.3,
            limits=Limits(workers=2, memory_mb=400, time_limit_s=30),
        )

    def put(self, **texts: str) -> None:
        for name, text in texts.items():
            (self.inbox / f"{name}.edf").write_text(text)

    def run(self, model: str = "m1", **request: object) -> Account:
        return run_night(
            self.config,
            Request(**request),  # type: ignore[arg-type]
            model=Model(model, model),
            work="night_fakes:screen",
        )

    def states(self) -> dict[str, tuple[str, str]]:
        with contextlib.closing(sqlite3.connect(self.config.ledger_path)) as db:
            rows = db.execute(
                "SELECT name, state, reason FROM jobs JOIN contents USING (digest)"
            ).fetchall()
        return {row[0].removesuffix(".edf"): row[1:] for row in rows}

    @property
    def page(self) -> str:
        return (self.output / "night.html").read_text()

    @property
    def summary(self) -> list[dict[str, str]]:
        with (self.output / "summary.csv").open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))


@pytest.fixture
def night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Night:
    made = Night(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(UNIT))
    monkeypatch.setenv("NIGHT_FLAGS", str(made.flags))
    return made


GOOD = {"good1": "ok 1", "good2": "ok 2", "good3": "ok 3"}


@pytest.mark.parametrize(
    ("text", "reason", "said"),
    [
        ("crash", "crashed", "killed by SIGSEGV"),
        ("killed", "crashed", "killed by SIGKILL"),
        ("exit", "crashed", "ended with status 3"),
        ("shout", "crashed", "RuntimeError: cannot cope"),
        ("eat", "too much memory", "get by with 400 MB"),
        ("leap", "too much memory", "get by with 400 MB"),
        ("bad", "bad recording", "must be EDF"),
    ],
)
def test_a_recording_that_fails_costs_no_other(
    night: Night, text: str, reason: str, said: str
) -> None:
    night.put(**GOOD, victim=text)
    account = night.run()
    assert account.status == 1
    assert (account.counts["done"], account.counts["failed"]) == (3, 1)
    assert night.states()["victim"] == ("failed", reason)
    assert said in night.page
    for name in GOOD:
        assert (night.output / name / f"{name}_channels.csv").exists()
    assert not (night.output / "victim").exists()


def test_a_page_of_others_is_kept_where_the_night_cannot_begin(night: Night) -> None:
    night.output.mkdir()
    (night.output / "night.html").write_text("my page")
    night.inbox.rmdir()
    for _ in range(2):
        with pytest.raises(CleanspanError):
            night.run()
    (kept,) = (night.output / "earlier").iterdir()
    assert kept.read_text() == "my page"
    assert "did not go through" in night.page


def test_files_that_were_there_before_the_first_night_are_kept(night: Night) -> None:
    night.output.mkdir()
    own = {"summary.csv": "subject,group\nHS-P01,a\n", "night.html": "my page"}
    for name, text in own.items():
        (night.output / name).write_text(text)
    account = night.run()
    kept = {path.suffix: path.read_text() for path in (night.output / "earlier").iterdir()}
    assert kept == {".csv": own["summary.csv"], ".html": own["night.html"]}
    assert "A summary.csv was there before; it is kept as" in account.remarks[0]
    night.put(R="ok")
    night.run()
    night.run()
    assert len(list((night.output / "earlier").iterdir())) == 2, "what is ours is replaced"
    (night.output / "night.html").write_text("my page again")
    night.run()
    assert len(list((night.output / "earlier").iterdir())) == 3


def test_names_that_are_no_text_or_very_long_get_results(night: Night) -> None:
    night.put(**{"x" * 250: "ok"})
    Path(os.fsdecode(os.fsencode(night.inbox) + b"/gr\xfcn.edf")).write_text("slow 1")
    account = night.run()
    assert (account.status, account.counts["done"]) == (0, 2)
    assert (night.output / "gr_xfcn").is_dir()
    assert night.run().counts["done"] == 0, "not again"


@pytest.mark.parametrize("text", ["hang", "spin"])
def test_a_hanging_recording_is_stopped_at_its_time_limit(night: Night, text: str) -> None:
    night.config = replace(night.config, limits=Limits(2, 400, 1.0, 1))
    night.put(**GOOD, victim=text)
    began = time.monotonic()
    account = night.run()
    assert time.monotonic() - began < 20
    assert account.counts["done"] == 3
    assert night.states()["victim"] == ("quarantined", "too slow")


def test_a_crash_is_tried_once_more_the_same_night(night: Night) -> None:
    night.put(unlucky="once")
    assert night.run().status == 0
    assert night.states()["unlucky"] == ("done", "done")


def test_quarantine_comes_after_the_set_number_of_tries_and_can_be_left(night: Night) -> None:
    night.put(victim="bad")
    states = []
    for _ in range(4):
        account = night.run()
        states.append((night.states()["victim"][0], account.counts["new"], account.status))
    assert states == [
        ("failed", 1, 1),
        ("failed", 1, 1),
        ("quarantined", 1, 1),
        ("quarantined", 0, 0),
    ]
    assert "In quarantine since earlier nights" in night.page
    assert night.run(release=True).counts["new"] == 1


def test_a_new_model_gets_a_new_chance(night: Night) -> None:
    night.config = replace(night.config, limits=Limits(2, 400, 30, 1))
    night.put(victim="bad")
    night.run("m1")
    assert night.run("m1").counts["new"] == 0
    assert night.run("m2").counts["new"] == 1


def test_a_full_disk_blames_no_recording_and_leaves_nothing_half_written(night: Night) -> None:
    """A file system of 3 MB: screening needs more room than that."""
    night.put(**GOOD)
    night.output.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "none", str(night.output)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip("needs the right to mount")
    try:
        account = night.run()
        assert account.status == 1
        assert set(night.states().values()) == {("waiting", "no disk space")}
        assert "disk must have room" in night.page
        assert sorted(p.name for p in night.output.iterdir() if p.is_dir()) == ["nights"]
        subprocess.run(["mount", "-o", "remount,size=100m", str(night.output)], check=True)
        account = night.run()
        assert (account.status, account.counts["done"]) == (0, 3)
    finally:
        subprocess.run(["umount", str(night.output)], check=True)


def test_a_disk_that_fills_up_under_the_ledger_is_told_and_survived(night: Night) -> None:
    """Files limited to 200 kB (RLIMIT_FSIZE) stand for a disk that is full for good."""
    night.put(**GOOD)
    night.run()
    code = (
        "import resource, signal, sys; sys.path.insert(0, sys.argv.pop(1)); "
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000)); "
        "import night_driver; night_driver.main()"
    )
    night.put(late="ok late")
    ended = subprocess.run(
        [sys.executable, "-c", code, str(UNIT), str(night.inbox), str(night.output)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert ended.returncode == 2
    assert "Traceback" not in ended.stderr
    assert "ledger must be usable" in ended.stderr
    account = night.run()
    assert (account.status, account.counts["done"]) == (0, 1)
    assert set(night.states().values()) == {("done", "done")}


def test_an_inbox_that_is_not_there_is_told_and_the_others_go_on(
    night: Night, tmp_path: Path
) -> None:
    night.config = replace(night.config, inbox=(*night.config.inbox, str(tmp_path / "nowhere")))
    night.put(**GOOD)
    account = night.run()
    assert (account.status, account.counts["done"]) == (1, 3)
    assert "is its disk mounted?" in night.page
    assert "an inbox could not be read" in night.page


def test_an_inbox_that_vanishes_during_the_run_blames_no_recording(night: Night) -> None:
    night.put(**{f"R{number}": f"slow {number}" for number in range(6)})

    def vanish() -> None:
        deadline = time.monotonic() + 30
        while not list(night.output.glob("R*")) and time.monotonic() < deadline:
            time.sleep(0.02)
        night.inbox.rename(night.inbox.with_name("elsewhere"))

    thief = threading.Thread(target=vanish)
    thief.start()
    account = night.run()
    thief.join()
    states = list(night.states().values())
    assert account.status == 1
    assert ("waiting", "file vanished") in states
    assert set(states) <= {("waiting", "file vanished"), ("done", "done")}
    night.inbox.with_name("elsewhere").rename(night.inbox)
    assert night.run().status == 0
    assert set(night.states().values()) == {("done", "done")}


def test_a_file_that_changes_while_it_is_screened_is_left_for_next_time(night: Night) -> None:
    night.put(growing="slow 1")
    stop = threading.Event()

    def grow() -> None:
        while not stop.wait(0.01):
            with (night.inbox / "growing.edf").open("a") as file:
                file.write("x")

    writer = threading.Thread(target=grow)
    writer.start()
    try:
        account = night.run()
    finally:
        stop.set()
        writer.join()
    assert account.counts["done"] == 0
    assert not (night.output / "growing").exists()
    assert night.run().counts["done"] == 1


def test_an_unreadable_file_is_told_and_the_others_go_on(
    night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reading fails with EIO, as on a damaged disk (the tests may run as root)."""
    night.put(**GOOD, torn="ok torn")
    real = content.hashlib.file_digest

    def failing(file: object, digest: object) -> object:
        if file.name.endswith("torn.edf"):  # type: ignore[attr-defined]
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(file, digest)  # type: ignore[arg-type, type-var]

    monkeypatch.setattr(content.hashlib, "file_digest", failing)
    for expected in (1, 1, 1, 0):  # a file that stays unreadable is no news after three nights
        account = night.run()
        assert account.status == expected
    assert "unreadable" in night.page
    assert "Input/output error" in night.page
    monkeypatch.undo()
    monkeypatch.setenv("PYTHONPATH", str(UNIT))
    assert night.run().counts["done"] == 1


def test_features_that_a_killed_worker_left_are_gone_when_the_night_ends(
    night: Night, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    worker = subprocess.Popen([sys.executable, "-c", ""])
    worker.wait()
    left = tmp_path / f"cleanspan-{worker.pid}-abc"
    left.mkdir()
    for name in ("in-use", "features-0"):
        (left / name).touch()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    night.put(**GOOD)
    assert night.run().status == 0
    assert not left.exists()


def test_a_folder_or_pipe_named_like_a_recording_is_passed_over(night: Night) -> None:
    night.put(**GOOD)
    (night.inbox / "folder.edf").mkdir()
    os.mkfifo(night.inbox / "pipe.edf")
    (night.inbox / "dangling.edf").symlink_to(night.inbox / "nothing")
    account = night.run()
    assert account.counts["done"] == 3
    assert "dangling.edf" in night.page


@pytest.mark.parametrize("shift_s", [-86_400 * 400, 86_400 * 400])
def test_a_clock_that_jumps_neither_repeats_nor_loses_work(
    night: Night, monkeypatch: pytest.MonkeyPatch, shift_s: float
) -> None:
    night.config = replace(night.config, settle_s=300)
    night.put(**GOOD)
    old = time.time() - 1000
    for name in GOOD:
        os.utime(night.inbox / f"{name}.edf", (old, old))
    assert night.run().counts["done"] == 3
    now_s = time.time() + shift_s
    monkeypatch.setattr("cleanspan.night.planning.time.time", lambda: now_s)
    night.put(late="ok late")
    os.utime(night.inbox / "late.edf", (old, old))
    first = night.run()
    now_s += 86_400  # the closure above sees it
    second = night.run()
    assert first.counts["done"] + second.counts["done"] == 1  # set back: one night later
    assert night.run().counts["new"] == 0


def test_a_locked_ledger_is_told_and_nothing_is_lost(night: Night) -> None:
    night.put(**GOOD)
    night.run()
    night.put(late="ok late")
    with contextlib.closing(sqlite3.connect(night.config.ledger_path)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(LedgerError, match=r"must be usable, got: .*locked.*close the program"):
            night.run()
        assert "The night did not go through" in night.page
        other.rollback()
    assert night.run().counts["done"] == 1


def damage_header(path: Path) -> None:
    path.write_bytes(b"not a database at all" * 500)


def damage_pages(path: Path) -> None:
    whole = bytearray(path.read_bytes())
    whole[4096:20_000] = bytes(len(whole[4096:20_000]))
    path.write_bytes(whole)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 3])


@pytest.mark.parametrize("damage", [damage_header, damage_pages, cut, Path.unlink])
def test_a_damaged_or_missing_ledger_is_made_anew_from_the_results(
    night: Night, damage: Callable[[Path], None]
) -> None:
    night.put(**GOOD)
    night.run("m1")
    night.run("m2", again=True)
    damage(night.config.ledger_path)
    night.put(late="ok late")
    account = night.run("m2")
    assert account.status == 0
    assert account.counts["done"] == 1  # only what is new
    assert "made" in " ".join(account.remarks)
    assert account.remarks[0][:20] in night.page
    assert len(list((night.output / "earlier").iterdir())) == 3
    with contextlib.closing(sqlite3.connect(night.config.ledger_path)) as db:
        assert db.execute("SELECT count(*) FROM jobs WHERE state = 'done'").fetchone() == (7,)
        assert db.execute("SELECT count(*) FROM electrodes").fetchone() == (21,)
    if damage is not Path.unlink:
        assert len(list(night.output.glob("ledger.sqlite.damaged-*"))) >= 1


def test_a_pipe_in_the_inbox_is_told_and_the_night_goes_on(night: Night) -> None:
    night.put(R="ok")
    os.mkfifo(night.inbox / "pipe.edf")
    account = night.run()
    assert (account.status, account.counts["done"]) == (0, 1)
    (remark,) = account.remarks
    assert "1 pipe(s), device(s) or folder(s) with a recording's name" in remark
    assert str(night.inbox / "pipe.edf") in remark
    assert "pipe.edf" in night.page
    night.config = replace(night.config, page=Page(names=CODE))
    assert "pipe.edf" not in "".join(night.run().remarks)


def test_results_that_are_gone_are_told_and_made_again_only_where_asked_for(night: Night) -> None:
    night.put(**GOOD)
    night.run()
    shutil.rmtree(night.output / "good1")
    shutil.rmtree(night.output / "good2")
    (night.output / "good2").mkdir()
    for _ in range(2):
        account = night.run()
        assert (account.status, account.counts["new"]) == (0, 0)
        (remark,) = account.remarks
        assert "the results of 2 recording(s) of the inbox: good1.edf, good2.edf. Put" in remark
        assert "cleanspan night --again" in night.page
    (night.inbox / "good2.edf").unlink()  # archived, perhaps, together with its results
    assert "1 recording(s) of the inbox: good1.edf." in night.run().remarks[0]
    assert "good1.edf" in night.run(again=True, until=date(2020, 1, 1)).remarks[0]
    account = night.run(again=True)
    assert (account.counts["done"], account.remarks) == (1, [])
    assert (night.output / "good1" / "good1_channels.csv").exists()
    assert not list(night.output.glob("earlier/*"))
    assert night.run().remarks == []


def test_results_that_are_gone_are_replaced_by_those_of_a_new_model(night: Night) -> None:
    night.put(**GOOD)
    night.run("m1")
    shutil.rmtree(night.output / "good1")
    assert "good1.edf" in night.run("m2").remarks[0]
    account = night.run("m2", again=True)
    assert (account.counts["done"], account.remarks) == (3, [])
    assert night.run("m2").remarks == []
    assert len(list((night.output / "earlier").iterdir())) == 2


def test_an_output_that_cannot_be_written_is_told(night: Night) -> None:
    night.output.write_text("in the way")
    with pytest.raises(OutputError, match="must be a folder"):
        night.run()


def test_a_folder_in_the_way_of_a_result_is_moved_not_deleted(night: Night) -> None:
    (night.output / "good1").mkdir(parents=True)
    (night.output / "good1" / "mine.txt").write_text("precious")
    night.put(**GOOD)
    assert night.run().status == 0
    kept = list((night.output / "earlier").glob("good1.not-in-ledger.*/mine.txt"))
    assert [path.read_text() for path in kept] == ["precious"]


def test_a_page_from_before_a_kill_says_that_the_run_did_not_end(night: Night) -> None:
    night.put(**GOOD)
    pages = []

    class Stop(BaseException):
        pass

    def cut_off(*args: object, **kwargs: object) -> None:
        pages.append(night.page)
        raise Stop

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("cleanspan.night.run.placing.place", cut_off)
        with pytest.raises(Stop):
            night.run()
    assert "Not finished: 0 of 3 recordings" in pages[0]
    assert "it was cut off" in pages[0]
    assert not (night.output / "summary.csv").exists()  # it would lack the labels' columns
    account = night.run()
    assert "The run before this one was cut off" in account.remarks[0]
    assert account.counts["done"] == 3


def test_a_run_that_is_killed_leaves_a_summary_of_what_was_done(
    night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    night.put(**GOOD)
    placed = placing.place
    monkeypatch.setattr("cleanspan.night.run.PAGE_EVERY_S", 0.0)

    class Stop(BaseException):
        pass

    def cut_off_after_one(ledger: Ledger, *rest: object) -> None:
        if ledger.rows("SELECT 1 FROM jobs WHERE state = 'done'"):
            raise Stop
        placed(ledger, *rest)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr("cleanspan.night.run.placing.place", cut_off_after_one)
        with pytest.raises(Stop):
            night.run()
    assert "Not finished: 1 of 3 recordings" in night.page
    assert [row["status"] for row in night.summary] == ["done"]
    night.run()
    assert [row["status"] for row in night.summary] == ["done"] * 3


def test_what_is_done_is_told_while_another_recording_goes_on(
    night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From outside, in the middle of a recording that hangs, long after the other's result."""
    monkeypatch.setattr("cleanspan.night.run.PAGE_EVERY_S", 2.5)
    night.config = replace(night.config, limits=replace(night.config.limits, time_limit_s=6))
    night.put(good1="ok 1", victim="hang")
    seen = set()

    def watch() -> None:
        while not over.wait(0.1):
            with contextlib.suppress(OSError):
                states = [row["status"] for row in night.summary]
                seen.add((*states, "Not finished: 1 of 2 recordings" in night.page))

    over = threading.Event()
    watcher = threading.Thread(target=watch)
    watcher.start()
    night.run()
    over.set()
    watcher.join()
    assert ("done", True) in seen


@pytest.mark.parametrize(
    ("in_the_way", "other", "said"),
    [("night.html", "summary.csv", "page"), ("summary.csv", "night.html", "summary")],
)
def test_page_and_summary_do_not_hinder_each_other(
    night: Night,
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
    in_the_way: str,
    other: str,
    said: str,
) -> None:
    monkeypatch.setattr("cleanspan.night.run.PAGE_EVERY_S", 0.0)
    night.put(**GOOD)
    (night.output / in_the_way / "mine").mkdir(parents=True)
    with pytest.raises(OutputError):
        night.run()
    assert (night.output / other).is_file()
    told = {message for message in caplog.messages if "cannot be written" in message}
    assert told == {f"the {said} cannot be written"}


def test_a_summary_of_somebody_else_is_kept_in_the_second_try_too(night: Night) -> None:
    night.output.mkdir()
    (night.output / "summary.csv").write_text("subject,group\nHS-P01,a\n")
    (night.output / "earlier").write_text("in the way")
    with pytest.raises(OutputError):
        night.run()
    (night.output / "earlier").unlink()
    assert "A summary.csv was there before" in night.run().remarks[0]
    (kept,) = (night.output / "earlier").glob("summary*")
    assert kept.read_text() == "subject,group\nHS-P01,a\n"


def calls(night: Night) -> list[list[str]]:
    """Read which recording was screened in which process."""
    return [line.split() for line in (night.flags / "calls").read_text().splitlines()]


def test_no_recording_is_screened_twice(night: Night) -> None:
    night.put(**{f"R{number}": f"count {number}" for number in range(4)})
    night.run()
    (night.inbox / "R0.edf").rename(night.inbox / "renamed.edf")
    (night.inbox / "deep").mkdir()
    (night.inbox / "deep" / "copy.edf").write_text("count 1")
    os.utime(night.inbox / "R2.edf", (1, 1))
    assert night.run().counts["new"] == 0
    assert len(calls(night)) == 4


def test_a_second_run_does_not_read_unchanged_files(
    night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    night.put(**GOOD)
    night.run()
    monkeypatch.setattr("cleanspan.night.planning.digest_of", pytest.fail)
    assert night.run().counts["found"] == 3


def test_a_changed_file_is_screened_anew_and_the_old_result_kept(night: Night) -> None:
    night.put(R="ok before")
    night.run()
    night.put(R="ok after")
    assert night.run().counts["done"] == 1
    assert "after" in (night.output / "R" / "R_report.html").read_text()
    kept = list((night.output / "earlier").glob("R.*/R_report.html"))
    assert ["before" in path.read_text() for path in kept] == [True]


def test_a_worker_is_used_again_replaced_after_a_failure_and_after_a_while(
    night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cleanspan.night.desk.RECYCLE_AFTER", 3)
    night.config = replace(night.config, limits=Limits(1, 400, 30, 1))
    night.put(**{f"R{number}": f"count {number}" for number in range(7)})
    night.run()
    processes = [process for _, process in calls(night)]
    assert [processes.count(process) for process in dict.fromkeys(processes)] == [3, 3, 1]


def test_numeric_libraries_keep_to_one_thread(night: Night) -> None:
    night.put(R="threads")
    assert night.run().status == 0, night.page


def test_only_the_span_asked_for_is_screened_again(night: Night) -> None:
    night.put(**GOOD)
    night.run("m1")
    with contextlib.closing(sqlite3.connect(night.config.ledger_path)) as db:
        db.execute(
            "UPDATE contents SET first_seen = '2031-03-01T12:00:00+00:00' WHERE name = 'good1.edf'"
        )
        db.commit()
    assert night.run("m2").counts["new"] == 0
    assert "have results from another model" in night.page
    day = date(2031, 3, 1)
    assert night.run("m2", again=True, since=day, until=day).counts["done"] == 1
    assert night.run("m2", again=True, since=day, until=day).counts["new"] == 0
    assert night.states()["good1"] == ("done", "done")
    assert night.run("m2", again=True).counts["done"] == 2
