"""``cleanspan night`` as cron runs it: the real thing on short invented recordings."""

import csv
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

DEMO = Path(__file__).parents[2] / "demo_data"


def run(*args: object, **variables: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "cleanspan", *map(str, args)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env={**os.environ, **variables},
    )


@pytest.fixture
def config(tmp_path: Path) -> Path:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    recordings = sorted(DEMO.glob("*.edf"))
    if not recordings:
        pytest.skip("needs demo_data")
    shutil.copy(recordings[0], inbox / "Ada Example.edf")
    (inbox / "Bo Example.edf").write_text("not a recording")
    path = tmp_path / "night.toml"
    path.write_text('inbox = ["inbox"]\noutput = "out"\nsettle_s = 0\n')
    return path


def test_a_night_from_inbox_to_page_and_again(config: Path) -> None:
    first = run("night", "--config", config)
    assert first.returncode == 1, first.stderr
    assert first.stderr == ""  # cron mails what is printed: one line
    line = first.stdout
    assert line.count("\n") == 1
    assert line.startswith("cleanspan night: status=1 found=2 new=2 done=1 failed=1 ")
    out = config.parent / "out"
    page = (out / "night.html").read_text()
    assert "Bo Example.edf" in page
    assert 'href="Ada%20Example/Ada%20Example_report.html"' in page
    assert (out / "Ada Example" / "Ada Example_report.html").exists()
    rows = (out / "summary.csv").read_text().splitlines()
    assert [row.split(",")[:2] for row in rows[1:]] == [
        ["Ada Example.edf", "done"],
        ["Bo Example.edf", "failed"],
    ]
    done, failed = csv.DictReader(rows)
    assert (done["folder"], failed["folder"]) == ("Ada Example", "")
    for text in (page, (next((out / "nights").iterdir()) / "report.html").read_text()):
        assert "http://" not in text.replace("http://www.w3.org", "")
        assert "https://" not in text
        assert "<script" not in text
    events = [json.loads(row) for row in (out / "night.log").read_text().splitlines()]
    assert {event["event"] for event in events} >= {"found", "done", "not done"}

    (config.parent / "inbox" / "Bo Example.edf").unlink()
    second = run("night", "--config", config)
    assert second.returncode == 0
    assert " new=0 done=0 failed=0 " in second.stdout
    assert "Nothing new came in" in (out / "night.html").read_text()

    listed = run("ledger", "--config", config, "--format", "json")
    states = {row["recording"]: row["state"] for row in json.loads(listed.stdout)}
    assert states == {"Ada Example.edf": "done", "Bo Example.edf": "failed"}


def test_names_appear_nowhere_when_codes_are_set(config: Path) -> None:
    with config.open("a") as file:
        file.write('[page]\nnames = "code"\n')
    ended = run("night", "--config", config)
    assert ended.returncode == 1
    out = config.parent / "out"
    told = [ended.stdout, ended.stderr, run("ledger", "--config", config, "--why").stdout]
    for path in out.rglob("*"):
        told.append(str(path.relative_to(out)))
        if path.is_file() and not path.name.startswith("ledger.sqlite"):
            told.append(path.read_bytes().decode("latin-1"))
    for text in told:
        assert "Example" not in text.replace("--config", "")
    asked = run("ledger", "--config", config, "--names").stdout
    assert "Ada Example.edf" in asked


def test_the_command_afterwards_runs_also_when_the_night_cannot(config: Path) -> None:
    told = config.parent / "told"
    code = "import os, sys; open(sys.argv[1], 'a').write(os.environ['CLEANSPAN_NIGHT_STATUS'])"
    with config.open("a") as file:
        file.write(f"[after]\ncommand = {json.dumps([sys.executable, '-c', code, str(told)])}\n")
    assert run("night", "--config", config).returncode == 1
    text = config.read_text().replace(
        "[after]", '[screen.labelling]\nmodel = "none such"\n[after]'
    )
    config.write_text(text)
    ended = run("night", "--config", config)
    assert ended.returncode == 2
    assert "model" in ended.stderr
    assert ended.stderr.count("\n") == 1
    assert told.read_text() == "12"
    assert "The night did not go through" in (config.parent / "out" / "night.html").read_text()


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--since", "2031-03-01"), "--since and --until must come with --again"),
        (("--again", "--since", "2031-03-02", "--until", "2031-03-01"), "must not be after"),
        (("--cluster", "nonsense"), "must be a running scheduler's address"),
    ],
)
def test_a_wrong_use_is_one_clear_line(config: Path, args: tuple[str, ...], said: str) -> None:
    ended = run("night", "--config", config, *args)
    assert ended.returncode == 2
    assert said in ended.stderr
    assert "Traceback" not in ended.stderr


def test_a_wrong_configuration_stops_before_any_work(config: Path) -> None:
    config.write_text('inbox = []\noutputs = "out"\n[limits]\nworkers = -1\n')
    ended = run("night", "--config", config)
    assert ended.returncode == 2
    assert ended.stderr.count("\n") >= 3
    assert not (config.parent / "out").exists()


def test_a_night_without_any_inbox_is_refused_as_a_bad_setting(config: Path) -> None:
    (config.parent / "file").write_text("x")
    config.write_text(config.read_text().replace('["inbox"]', '["nowhere", "file"]'))
    ended = run("night", "--config", config)
    assert (ended.returncode, ended.stdout) == (2, "")
    nothing, file = ended.stderr.splitlines()
    assert "nowhere: an inbox must be a folder, got: nothing there" in nothing
    assert "file: an inbox must be a folder, got: a file" in file
    page = (config.parent / "out" / "night.html").read_text()
    assert "an inbox must be a folder" in page


def told_of_a_full_disk(ended: subprocess.CompletedProcess[str]) -> None:
    """Nothing could begin: status 2, and a line for each file that cannot be written."""
    assert ended.returncode == 2, ended.stderr
    assert ended.stdout == ""
    *log, last = ended.stderr.splitlines()
    assert all("night.log: the log cannot be written" in line for line in log)
    assert len(log) <= 1
    assert last.startswith("cleanspan: ")
    assert "ledger.sqlite: the ledger must be usable" in last


@pytest.mark.parametrize("free_kb", [0, 8, 128, 200])
def test_a_disk_full_from_the_start_is_told_in_lines(config: Path, free_kb: int) -> None:
    """A real one, of 1 MB; at some sizes the last lines of the log find no room when it closes."""
    out = config.parent / "out"
    out.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(out)]
    if not shutil.which("mount") or subprocess.run(mount, capture_output=True).returncode:  # noqa: PLW1510
        pytest.skip("mounting a small file system needs root")
    try:
        (out / "filler").write_bytes(bytes((1024 - free_kb) * 1024))
        told_of_a_full_disk(run("night", "--config", config))
        if not free_kb:
            (out / "filler").unlink()
            subprocess.run(["mount", "-o", "remount,size=100m", str(out)], check=True)
            assert " new=2 done=1 failed=1 " in run("night", "--config", config).stdout
    finally:
        subprocess.run(["umount", str(out)], check=True)


def test_files_that_cannot_grow_are_told_in_lines(config: Path) -> None:
    """A file-size limit of nothing stands for the full disk where mounting is not allowed."""
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "import joblib; "  # asks for shared memory when it is loaded: a file too
        "resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0)); "
        "from cleanspan.cli import main; main(sys.argv[1:])"
    )
    ended = subprocess.run(
        [sys.executable, "-B", "-c", code, "night", "--config", str(config)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    told_of_a_full_disk(ended)
    assert "the log cannot be written: [Errno 27]" in ended.stderr


def test_an_own_plan_with_an_unknown_label_stops_before_any_work(config: Path) -> None:
    plan = config.parent / "own.toml"
    plan.write_text('purpose = "x"\nrationale = "x"\nmost_bad_share = 0.5\ntolerated = ["blnk"]\n')
    config.write_text(f'{config.read_text()}[screen.export]\nplan = "{plan}"\n')
    done = run("night", "--config", config)
    assert done.returncode == 2
    assert "must name known labels, got 'blnk'; did you mean 'blink'?" in done.stderr
    assert not list((config.parent / "out").glob("*/*_facts.json"))
