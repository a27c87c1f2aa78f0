"""What people added to a folder of results or changed in it: kept when the folder is replaced."""

import logging
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

from cleanspan.atomic import output_error, replacing_folder
from cleanspan.export.stored import FACTS
from cleanspan.types import EARLIER

log = logging.getLogger(__name__)

SLACK_S = 2.0
"""Files younger than the facts by more than this were added or changed later: the facts are
written last, and file systems count time in steps of up to two seconds (FAT)."""


def keep_handwork(folder: Path) -> Path | None:
    """Copy what was added or changed by hand out of results that are about to be replaced.

    A corrected copy of the recording, a plan's lists, a note: what a person made is not ours to
    delete, and what can be made again is not worth the risk of asking which is which.

    Parameters
    ----------
    folder : Path
        Results of one recording; it need not exist.

    Returns
    -------
    Path or None
        Where the files are kept, beside the folder in ``earlier/``; None if there were none.

    Raises
    ------
    OutputError
        If they cannot be copied: then nothing must be replaced.
    """
    found = handwork(folder)
    if not found:
        return None
    kept = folder.parent / EARLIER / f"{folder.name}.{_now()}.by-hand"
    with replacing_folder(kept) as beside:
        for path in found:
            target = beside / path.relative_to(folder)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, target, follow_symlinks=False)
        # With the facts the folder counts as results, never as one of recordings to screen.
        for path in folder.glob(f"*{FACTS}"):
            shutil.copy2(path, beside / path.name)
    names = ", ".join(str(path.relative_to(folder)) for path in found[:3])
    more = f" and {len(found) - 3} more" if len(found) > 3 else ""
    log.warning(
        "%s: what was added or changed there since is kept in %s: %s%s", folder, kept, names, more
    )
    return kept


def keep_file(path: Path) -> Path:
    """Move a file that is about to be replaced, and is not one of ours, to ``earlier/``.

    Raises
    ------
    OutputError
    """
    kept = path.parent / EARLIER / f"{path.stem}.{_now()}{path.suffix}"
    try:
        kept.parent.mkdir(exist_ok=True)
        os.replace(path, kept)  # noqa: PTH105 - says what it does
    except OSError as error:
        raise output_error(kept, error) from error
    return kept


def _now() -> str:
    """Write the time so that names sort by it."""
    return datetime.now(tz=UTC).strftime("%Y-%m-%dT%H%M%S")


def handwork(folder: Path) -> list[Path]:
    """List the files of a result folder that are younger than its results, sorted.

    Without facts, which say when the results were written, everything is.
    """
    files = sorted(path for path in folder.rglob("*") if path.is_file() or path.is_symlink())
    written_s = max((_changed_s(path) for path in folder.glob(f"*{FACTS}")), default=-1.0)
    return [path for path in files if _changed_s(path) > written_s + SLACK_S]


def _changed_s(path: Path) -> float:
    """When a file was last written or put in its place: a copy may keep an older date."""
    state = os.lstat(path)
    return max(state.st_mtime, state.st_ctime)
