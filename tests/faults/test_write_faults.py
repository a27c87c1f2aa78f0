"""Real faults while writing: killed processes, full disks, odd names; nothing half is left."""

import json
import os
import runpy
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from cleanspan.atomic import UNFINISHED, replacing_file, replacing_folder
from cleanspan.errors import OutputError
from cleanspan.export.marked import write_annotations_only, write_marked
from cleanspan.recording.opening import open_recording
from cleanspan.types import Note

HERE = Path(__file__).parent
_bytes = runpy.run_path(str(HERE.parent / "conformance" / "edf_bytes.py"))
KILLS = int(os.environ.get("CLEANSPAN_KILLS", "25"))
MARKS = [Note(1.0, 0.5, "blink@@EEG Fp1-A1A2")]


def make_source(path, megabytes=3):
    n = megabytes * 50
    rng = np.random.default_rng(0)
    signal = _bytes["Signal"](digital=rng.integers(-3000, 3000, n * 10_000), samples=10_000)
    path.write_bytes(_bytes["edf_bytes"]([signal], n))
    return path


def leftovers(folder):
    return [path.name for path in folder.rglob("*") if path.name.startswith(UNFINISHED)]


def test_a_killed_writer_leaves_the_old_or_the_new_version_whole(tmp_path):
    """25 kills in CI; CLEANSPAN_KILLS=200 for more."""
    script = HERE / "kill_while_writing.py"
    seed = os.environ.get("CLEANSPAN_KILLS_SEED", "7")
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path), str(KILLS), seed],
        capture_output=True,
        text=True,
        check=False,
        timeout=60 + KILLS,
    )
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert result["problems"] == []
    assert result["kills"] == KILLS
    # Kills that hit nothing would prove nothing.
    assert result["midway"] >= KILLS // 4


WHOLE = [{"a": text, "b": text} for text in ("old", "new")]


def states_after_dying(tmp_path, way):
    done = subprocess.run(
        [sys.executable, str(HERE / "die_at_every_step.py"), str(tmp_path / "base"), way],
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)


def test_dying_at_any_step_leaves_one_whole_folder_under_its_name(tmp_path):
    states = states_after_dying(tmp_path, "exchange")
    assert len(states) > 10
    assert all(state["R"] in WHOLE for state in states)
    assert [WHOLE.index(state["R"]) for state in states] == sorted(
        WHOLE.index(state["R"]) for state in states
    )
    assert states[-1]["R"] == WHOLE[1]


def test_dying_between_two_renames_leaves_the_old_folder_aside(tmp_path):
    # The way of systems without an exchange call: the promise is weaker and stated so.
    states = states_after_dying(tmp_path, "renames")
    assert any(state["R"] is None for state in states)
    for state in states:
        assert state["R"] in WHOLE or (state["R"] is None and state["aside"] == [WHOLE[0]])


FULL = """
import resource, sys
from pathlib import Path
from cleanspan.export.marked import write_marked, write_annotations_only
from cleanspan.errors import OutputError
from cleanspan.types import Note
limit = int(sys.argv[3])
if limit:
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
write = write_annotations_only if sys.argv[4] == "only" else write_marked
count = 60_000 if sys.argv[4] == "only" else 1
marks = [Note(i / 1000, 0.5, "blink@@EEG Fp1-A1A2") for i in range(count)]
try:
    write(Path(sys.argv[1]), Path(sys.argv[2]), marks)
except OutputError as error:
    print(error)
    sys.exit(3)
"""


def write_in_child(source, target, *, limit=0, what="copy"):
    return subprocess.run(
        [sys.executable, "-c", FULL, str(source), str(target), str(limit), what],
        capture_output=True,
        text=True,
        check=False,
    )


def assert_one_line_about_room(done):
    assert done.returncode == 3, done.stderr
    assert done.stderr == ""
    assert done.stdout.count("\n") == 1
    assert "the disk must have room" in done.stdout
    assert "free some space" in done.stdout


@pytest.mark.parametrize("what", ["copy", "only"])
def test_a_file_size_limit_gives_one_line_and_leaves_the_old_file(tmp_path, what):
    source = make_source(tmp_path / "R.edf")
    out = tmp_path / "out"
    out.mkdir()
    target = out / "R_marked.edf"
    target.write_text("old result")
    assert_one_line_about_room(write_in_child(source, target, limit=1_000_000, what=what))
    assert target.read_text() == "old result"
    assert [path.name for path in out.iterdir()] == ["R_marked.edf"]


@pytest.fixture
def small_disk(tmp_path):
    """Mount a file system of 1 MB (root only)."""
    place = tmp_path / "small disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    try:
        mounted = subprocess.run(command, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        mounted = False
    if not mounted:
        pytest.skip("mounting a small file system needs root")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@pytest.mark.parametrize("what", ["copy", "only"])
def test_a_full_disk_gives_one_line_and_leaves_no_partial_file(tmp_path, small_disk, what):
    source = make_source(tmp_path / "R.edf")
    target = small_disk / "R_marked.edf"
    assert_one_line_about_room(write_in_child(source, target, what=what))
    assert list(small_disk.iterdir()) == []


def test_a_full_disk_leaves_the_old_folder(tmp_path, small_disk):
    with replacing_folder(small_disk / "R") as folder:
        (folder / "a.txt").write_text("old")

    def fill():
        with replacing_folder(small_disk / "R") as folder:
            (folder / "a.txt").write_text("new")
            (folder / "big").write_bytes(bytes(2_000_000))

    with pytest.raises(OutputError, match="room for the results"):
        fill()
    assert (small_disk / "R" / "a.txt").read_text() == "old"
    assert [path.name for path in small_disk.iterdir()] == ["R"]


NAMES = [
    "a b.edf",
    "Prüfung ä.edf",
    'it\'s "quoted".edf',
    "-rf.edf",
    "日本.edf",
    "x" * 240 + ".edf",
    "a\nb.edf",
]


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
def test_odd_names_work(tmp_path, name):
    source = make_source(tmp_path / name, megabytes=1)
    out = tmp_path / "out -x 'ü'"
    out.mkdir()
    target = out / name
    write_marked(source, target, MARKS)
    assert [note.text for note in open_recording(target).notes] == ["blink@@EEG Fp1-A1A2"]
    assert os.listdir(out) == [name]  # noqa: PTH208 - names as they are


def test_symbolic_links_are_followed_and_stay(tmp_path):
    source = make_source(tmp_path / "R.edf", megabytes=1)
    (tmp_path / "link.edf").symlink_to(source)
    (tmp_path / "real").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "real")
    (tmp_path / "real" / "there.edf").write_text("old")
    (tmp_path / "out" / "latest.edf").symlink_to("there.edf")
    write_marked(tmp_path / "link.edf", tmp_path / "out" / "latest.edf", MARKS)
    assert (tmp_path / "real" / "latest.edf").is_symlink()
    assert open_recording(tmp_path / "real" / "there.edf").notes[0].text == MARKS[0].text


def test_a_linked_folder_is_replaced_where_it_lies(tmp_path):
    real = tmp_path / "elsewhere" / "R"
    real.mkdir(parents=True)
    (real / "old.txt").touch()
    (tmp_path / "R").symlink_to(real)
    with replacing_folder(tmp_path / "R") as folder:
        (folder / "new.txt").touch()
    assert (tmp_path / "R").is_symlink()
    assert [path.name for path in real.iterdir()] == ["new.txt"]
    assert leftovers(tmp_path) == []


def test_the_source_is_never_touched(tmp_path):
    source = make_source(tmp_path / "R.edf", megabytes=1)
    source.chmod(0o444)
    before = (source.read_bytes(), source.stat().st_mtime_ns, source.stat().st_mode)
    write_marked(source, tmp_path / "copy.edf", MARKS)
    write_annotations_only(source, tmp_path / "only.edf", MARKS)
    assert (source.read_bytes(), source.stat().st_mtime_ns, source.stat().st_mode) == before


def test_no_file_is_opened_for_writing_but_the_one_beside_the_target(tmp_path):
    source = make_source(tmp_path / "R.edf", megabytes=1)
    code = (
        "import os, sys\nfrom pathlib import Path\n"
        "from cleanspan.export.marked import write_marked\n"
        "opened = []\n"
        "def hook(event, args):\n"
        "    if event == 'open' and args[2] & (os.O_WRONLY | os.O_RDWR):\n"
        "        opened.append(str(args[0]))\n"
        "sys.addaudithook(hook)\n"
        "write_marked(Path(sys.argv[1]), Path(sys.argv[2]), [])\n"
        "print('|'.join(Path(p).name for p in opened))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(source), str(tmp_path / "copy.edf")],
        capture_output=True,
        text=True,
        check=True,
    )
    names = done.stdout.strip().split("|")
    assert len(names) == 1
    assert names[0].startswith(UNFINISHED)


def test_a_missing_folder_is_one_clear_line(tmp_path):
    source = make_source(tmp_path / "R.edf", megabytes=1)
    with pytest.raises(OutputError, match="the output must be writable, got: No such file"):
        write_marked(source, tmp_path / "missing" / "R_marked.edf", MARKS)


def test_a_source_cut_while_it_is_copied_leaves_nothing(tmp_path):
    from cleanspan.errors import RecordingError

    source = make_source(tmp_path / "R.edf")
    recording = open_recording(source)
    os.truncate(source, 1_000_000)
    with pytest.raises(RecordingError, match="must not change while it is read"):
        write_marked(recording, tmp_path / "copy.edf", MARKS)
    with pytest.raises(RecordingError, match="must not change while it is read"):
        list(recording.blocks([0]))
    assert [path.name for path in tmp_path.iterdir()] == ["R.edf"]


def test_an_error_inside_the_block_leaves_the_old_result(tmp_path):
    with replacing_folder(tmp_path / "R") as folder:
        (folder / "a").write_text("old")

    def fail_in_a_folder():
        with replacing_folder(tmp_path / "R") as folder:
            (folder / "a").write_text("new")
            raise KeyError

    def fail_in_a_file():
        with replacing_file(tmp_path / "R" / "a") as beside:
            beside.write_text("new")
            raise KeyError

    for fail in (fail_in_a_folder, fail_in_a_file):
        with pytest.raises(KeyError):
            fail()
    assert (tmp_path / "R" / "a").read_text() == "old"
    assert leftovers(tmp_path) == []


def test_without_the_exchange_call_folders_are_still_replaced(tmp_path, monkeypatch):
    from cleanspan import atomic

    monkeypatch.setattr(atomic, "_renameat2", lambda: None)
    for text in ("old", "new"):
        with replacing_folder(tmp_path / "R") as folder:
            (folder / "a").write_text(text)
    assert (tmp_path / "R" / "a").read_text() == "new"
    assert leftovers(tmp_path) == []


def test_a_file_in_the_folders_place_is_refused(tmp_path):
    (tmp_path / "R").write_text("a file")
    with pytest.raises(OutputError), replacing_folder(tmp_path / "R") as folder:
        (folder / "a").touch()
    assert (tmp_path / "R").read_text() == "a file"
    assert leftovers(tmp_path) == []
