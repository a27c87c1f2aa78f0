"""What identifies a recording: its content, and cheaply, what the file system says of it."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

COMPANIONS = {".vhdr": (".eeg", ".dat", ".vmrk"), ".set": (".fdt",)}
"""Files that belong to a recording whose header is a file of its own."""


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


def printable(path: Path | str) -> str:
    """Spell a path in valid UTF-8, bytes that are not UTF-8 spelled out."""
    raw = str(path).encode("utf-8", "surrogateescape")
    return raw.decode("utf-8", "backslashreplace")


def companions(path: Path) -> list[Path]:
    """Name the existing files that belong to a recording."""
    endings = COMPANIONS.get(path.suffix.lower(), ())
    return [
        item
        for ending in endings
        for item in (path.with_suffix(ending), path.with_suffix(ending.upper()))
        if item.is_file()
    ]


def digest_of(path: Path) -> str:
    """Identify a recording by its content: BLAKE2b (RFC 7693), 32 hex digits, read in pieces.

    Raises
    ------
    OSError
        If a file cannot be read.
    """
    total = hashlib.blake2b(digest_size=16)
    for item in (path, *companions(path)):
        with item.open("rb") as file:
            one = hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16))
        if item == path and not companions(path):
            return one.hexdigest()
        total.update(item.suffix.lower().encode() + one.digest())
    return total.hexdigest()
