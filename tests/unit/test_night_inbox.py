"""Finding recordings: patterns, own output, settling, identity by content."""

import hashlib
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.night.config import NightConfig
from cleanspan.night.content import Stamp, stamp_of
from cleanspan.night.inbox import look, settled, wanted
from cleanspan.recording.content import digest_of


@pytest.fixture
def config(tmp_path: Path) -> NightConfig:
    (tmp_path / "in").mkdir()
    return NightConfig((str(tmp_path / "in"),), str(tmp_path / "out"))


def put(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)


def found(config: NightConfig) -> list[str]:
    inbox = config.inboxes[0]
    return [str(item.path.relative_to(inbox)) for item in look(config).found]


def test_recordings_are_found_at_any_depth_and_other_files_are_not(config: NightConfig) -> None:
    put(config.inboxes[0], "a.edf", "deep/er/B.EDF", "c.bdf", "notes.txt", "d.edf.part")
    assert found(config) == ["a.edf", "c.bdf", "deep/er/B.EDF"]


def test_exclude_takes_names_and_paths_and_wins_over_include(config: NightConfig) -> None:
    put(config.inboxes[0], "a.edf", "test_a.edf", "trials/b.edf", "trials/deep/c.edf")
    config = replace(config, exclude=("TEST*", "trials/*"))
    assert found(config) == ["a.edf"]


def test_own_output_is_never_screened(config: NightConfig, tmp_path: Path) -> None:
    inside = replace(config, output=str(config.inboxes[0] / "screened"))
    put(
        config.inboxes[0],
        "a.edf",
        "screened/a/a_marked.edf",
        "screened/a/copied.edf",
        "carried over/a_marked.edf",
        ".unfinished-night-1/x/a.edf",
        ".hidden.edf",
    )
    (config.inboxes[0] / "alias.edf").symlink_to(config.inboxes[0] / "screened/a/copied.edf")
    (config.inboxes[0] / "loop").symlink_to(config.inboxes[0])
    assert found(inside) == ["a.edf"]


def test_a_missing_inbox_is_a_problem_and_the_others_are_searched(
    config: NightConfig, tmp_path: Path
) -> None:
    put(config.inboxes[0], "a.edf")
    both = replace(config, inbox=(str(tmp_path / "gone"), *config.inbox))
    seen = look(both)
    assert [item.path.name for item in seen.found] == ["a.edf"]
    assert "must be a folder, got: nothing there; is its disk mounted?" in seen.problems[0]


def test_a_file_in_overlapping_inboxes_is_found_once(config: NightConfig) -> None:
    put(config.inboxes[0], "deep/a.edf")
    both = replace(config, inbox=(*config.inbox, str(config.inboxes[0] / "deep")))
    assert len(look(both).found) == 1


def test_what_is_named_like_a_recording_and_is_no_file_is_listed(config: NightConfig) -> None:
    inbox = config.inboxes[0]
    put(inbox, "a.edf", "packed.edf/packed.edf", "other.x/notes.txt")
    (inbox / "headset.mff").mkdir()
    os.mkfifo(inbox / "pipe.edf")
    os.mkfifo(inbox / "notes.txt")
    (inbox / "empty.edf").mkdir()
    (inbox / "linked.bdf").symlink_to(inbox / "other.x")
    (inbox / ".hidden.edf").mkdir()
    (inbox / "not wanted.edf").mkdir()
    wide = replace(config, include=("*.edf", "*.bdf", "*.mff", "*"), exclude=("not*",))
    seen = look(wide)
    assert {path.name for path in seen.strange} == {
        "empty.edf", "headset.mff", "linked.bdf", "pipe.edf",
    }  # fmt: skip
    assert "packed.edf" in {item.path.name for item in seen.found}
    assert not seen.problems
    assert {path.name for path in look(config).strange} == {
        "empty.edf", "linked.bdf", "not wanted.edf", "pipe.edf",
    }  # fmt: skip


@given(st.integers(0, 10**9), st.integers(0, 86_400), st.integers(-(10**6), 10**6))
def test_settling_goes_by_the_last_change_unless_it_lies_ahead(
    now_s: int, settle_s: int, age_s: int
) -> None:
    stamp = Stamp(1, (now_s - age_s) * 10**9, 1)
    fresh = settled(stamp, now_s=now_s, settle_s=settle_s, before=None)
    assert fresh == (age_s >= settle_s and age_s >= 0)
    if age_s < 0:  # the change lies ahead: only an earlier look at the same file helps
        same_long_ago = (stamp, now_s - settle_s)
        assert settled(stamp, now_s=now_s, settle_s=settle_s, before=same_long_ago)
        other = (Stamp(2, stamp.mtime_ns, 1), now_s - settle_s)
        assert not settled(stamp, now_s=now_s, settle_s=settle_s, before=other)


def test_content_is_identified_by_blake2b(tmp_path: Path) -> None:
    """Against hashlib over the whole file at once; the function reads it in pieces."""
    path = tmp_path / "a.edf"
    path.write_bytes(os.urandom(3_000_001))
    expected = hashlib.blake2b(path.read_bytes(), digest_size=16).hexdigest()
    assert digest_of(path) == expected


def test_a_recording_that_is_a_folder_changes_with_its_files_and_their_names(
    tmp_path: Path,
) -> None:
    put(tmp_path / "a.mff", "signal1.bin", "info.xml")
    first = digest_of(tmp_path / "a.mff")
    (tmp_path / "a.mff").rename(tmp_path / "b.mff")
    assert digest_of(tmp_path / "b.mff") == first
    (tmp_path / "b.mff" / "info.xml").rename(tmp_path / "b.mff" / "other.xml")
    renamed = digest_of(tmp_path / "b.mff")
    (tmp_path / "b.mff" / "signal1.bin").write_text("other samples")
    assert len({first, renamed, digest_of(tmp_path / "b.mff")}) == 3


def test_a_header_with_companions_changes_when_they_change(tmp_path: Path) -> None:
    put(tmp_path, "a.vhdr", "a.eeg", "b.vhdr")
    first, stamp = digest_of(tmp_path / "a.vhdr"), stamp_of(tmp_path / "a.vhdr")
    (tmp_path / "a.eeg").write_text("other samples")
    assert digest_of(tmp_path / "a.vhdr") != first
    assert stamp_of(tmp_path / "a.vhdr") != stamp


@pytest.mark.parametrize(
    ("name", "expected"),
    [("R.edf", True), ("R.EDF", True), ("R_marked.edf", False), (".R.edf", False), ("R", False)],
)
def test_names(name: str, expected: bool) -> None:
    assert wanted(Path(name), ("*.edf",), ()) is expected
