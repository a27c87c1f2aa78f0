"""What people added to a folder of results or changed in it: kept when the folder is replaced."""

import json
import logging
import os
import shutil
import zlib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cleanspan.atomic import output_error, replacing_folder
from cleanspan.export.facts import facts_in
from cleanspan.export.tables import facts_text
from cleanspan.recording.odd import listed
from cleanspan.types import EARLIER

log = logging.getLogger(__name__)

_PIECE = 1 << 20
WRITTEN = "written"
"""Key of the facts under which each file of the results stands with its size and check sum."""

SLACK_S = 2.0
"""Results of an earlier version have no such list: there, files younger than the facts by more
than this were added or changed later (file systems count time in steps of up to two seconds)."""


def note_written(folder: Path, facts: Path) -> None:
    """Write down in the facts what the results consist of, when all of them are written.

    Parameters
    ----------
    folder : Path
    facts : Path
        In that folder; written again with the list.
    """
    known = json.loads(facts.read_text(encoding="utf-8"))
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    known[WRITTEN] = {_name(path, folder): _state(path) for path in files}
    facts.write_text(facts_text(known), encoding="utf-8")


def keep_handwork(folder: Path) -> None:
    """Copy what was added or changed by hand out of results that are about to be replaced.

    It goes to ``earlier/`` beside the folder, and that is said.

    A corrected copy of the recording, a plan's lists, a note: what a person made is not ours to
    delete, and what can be made again is not worth the risk of asking which is which.

    Parameters
    ----------
    folder : Path
        Results of one recording; it need not exist.

    Raises
    ------
    OutputError
        If they cannot be copied: then nothing must be replaced.
    """
    found = handwork(folder)
    if not found:
        return
    kept = _free(folder.parent / EARLIER, f"{folder.name}.{_now()}", ".by-hand")
    with replacing_folder(kept) as beside:
        for path in found:
            target = beside / path.relative_to(folder)
            if path.is_dir() and not path.is_symlink():
                target.mkdir(parents=True, exist_ok=True)
                continue
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, target, follow_symlinks=False)
        # With the facts the folder counts as results, never as one of recordings to screen.
        for path in facts_in(folder):
            shutil.copy2(path, beside / path.name)
    names = listed([str(path.relative_to(folder)) for path in found], 3)
    log.warning("%s: what was added or changed there since is kept in %s: %s", folder, kept, names)


def keep_file(path: Path) -> Path:
    """Move a file that is about to be replaced, and is not one of ours, to ``earlier/``.

    Raises
    ------
    OutputError
    """
    kept = _free(path.parent / EARLIER, f"{path.stem}.{_now()}", path.suffix)
    try:
        kept.parent.mkdir(exist_ok=True)
        os.replace(path, kept)  # noqa: PTH105 - says what it does
    except OSError as error:
        raise output_error(kept, error) from error
    return kept


def _free(folder: Path, name: str, end: str) -> Path:
    """Give a path where nothing stands: what was kept a moment ago must stay."""
    path, number = folder / f"{name}{end}", 1
    while os.path.lexists(path):
        number += 1
        path = folder / f"{name}-{number}{end}"
    return path


def _now() -> str:
    """Write the time so that names sort by it."""
    return datetime.now(tz=UTC).strftime("%Y-%m-%dT%H%M%S")


def handwork(folder: Path) -> list[Path]:
    """List what stands in a result folder and is not as the results were written, sorted.

    Files and links, and folders without anything in them; pipes and the like hold nothing.
    """
    there = sorted(path for path in folder.rglob("*") if _can_be_kept(path))
    facts = facts_in(folder)
    written = _written(facts[0]) if len(facts) == 1 else None
    if written is None:
        when_s = max((_changed_s(path) for path in facts), default=-1.0)
        return [path for path in there if _changed_s(path) > when_s + SLACK_S]
    return [path for path in there if not _is_as_written(path, folder, written)]


def _can_be_kept(path: Path) -> bool:
    if path.is_symlink() or path.is_file():
        return True
    return path.is_dir() and not any(path.iterdir())


def _written(facts: Path) -> dict[str, Any] | None:
    """Read what the results consist of; None where the facts do not tell."""
    try:
        known = json.loads(facts.read_text(encoding="utf-8"))
        written = known.pop(WRITTEN)
        # The list cannot hold the check sum of the file that it stands in, but of the rest of it.
        if written.pop(facts.name) == _sum_of(facts_text(known).encode()):
            written[facts.name] = _state(facts)
        return dict(written)
    except (OSError, ValueError, LookupError, AttributeError, TypeError):
        return None


def _is_as_written(path: Path, folder: Path, written: Mapping[str, Any]) -> bool:
    known = written.get(_name(path, folder))
    if known is None or path.is_symlink():
        return False
    # The size first: a file of another size need not be read.
    return bool(path.lstat().st_size == known[0] and _state(path) == known)


def _name(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix()


def _state(path: Path) -> list[int]:
    """Give a file's size and check sum: they tell changes, not forgeries."""
    size = checked = 0
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            size += len(piece)
            checked = zlib.crc32(piece, checked)
    return [size, checked]


def _sum_of(content: bytes) -> list[int]:
    return [len(content), zlib.crc32(content)]


def _changed_s(path: Path) -> float:
    """When a file was last written or put in its place: a copy may keep an older date."""
    state = os.lstat(path)
    return max(state.st_mtime, state.st_ctime)
