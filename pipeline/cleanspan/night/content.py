"""Whether a file has changed, cheaply: what the file system says of it."""

from dataclasses import dataclass
from pathlib import Path

from cleanspan.recording.content import companions


@dataclass(frozen=True, slots=True)
class Stamp:
    """What the file system says of a file; equal stamps mean an unchanged file."""

    size: int
    mtime_ns: int
    inode: int


def stamp_of(path: Path) -> Stamp:
    """Read a recording's stamp, files that belong to it included.

    Raises
    ------
    OSError
        If the file is gone.
    """
    status = path.stat()
    others = [item.stat() for item in companions(path)]
    return Stamp(
        status.st_size + sum(other.st_size for other in others),
        max([status.st_mtime_ns, *(other.st_mtime_ns for other in others)]),
        status.st_ino,
    )
