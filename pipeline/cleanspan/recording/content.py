"""What identifies a recording: its content, whatever its name and place."""

import hashlib
from pathlib import Path

COMPANIONS = {".vhdr": (".eeg", ".dat", ".vmrk"), ".set": (".fdt",)}
"""Files that belong to a recording whose header is a file of its own."""


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
    if path.is_dir():
        return _digest_of_folder(path)
    others = companions(path)
    if not others:
        return _file_digest(path).hex()
    total = hashlib.blake2b(digest_size=16)
    for item in (path, *others):
        total.update(item.suffix.lower().encode() + _file_digest(item))
    return total.hexdigest()


def _digest_of_folder(folder: Path) -> str:
    """Identify a recording that is a folder by the names and contents of its files."""
    total = hashlib.blake2b(digest_size=16)
    for item in sorted(item for item in folder.rglob("*") if item.is_file()):
        total.update(item.relative_to(folder).as_posix().encode("utf-8", "surrogateescape"))
        total.update(b"\0" + _file_digest(item))
    return total.hexdigest()


def _file_digest(path: Path) -> bytes:
    with path.open("rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).digest()
