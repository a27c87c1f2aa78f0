"""Texts that go into CSV cells and file names."""

import re
from collections.abc import Sequence
from pathlib import Path

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes a cell that begins so for a formula (OWASP list, from memory)."""

FOLDER = "folder"
"""Column with the name of the folder that holds a recording's results."""

_NOT_IN_NAMES = re.compile(r'[\x00-\x1f\x7f<>:"/\\|?*]')
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_LONGEST_STEM = 150  # bytes; file systems allow 255, our suffixes need some of them


def plain_cell(text: str) -> str:
    """Make free text safe for a spreadsheet: one line, never a formula.

    A text that begins like a formula gets an apostrophe in front. Channel names and labels are
    not passed through here: programs match them with the recording's own.
    """
    line = readable(" ".join(text.split("\n"))).strip()
    return f"'{line}" if line.startswith(FORMULA_STARTS) else line


def readable(name: str | Path) -> str:
    r"""Write a file's name or path as text, bytes that are not UTF-8 spelled out (``\xff``).

    Old archives have names in other encodings; such a name opens the file, but no table and no
    page can hold it. A line's end and other control characters are spelled out too.
    """
    text = str(name)
    try:
        text = text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    except UnicodeEncodeError:  # half a character that is no byte of a name either
        text = text.encode("utf-8", "backslashreplace").decode()
    return _CONTROL.sub(lambda found: found[0].encode("unicode_escape").decode(), text)


def formula_warning(channels: Sequence[str]) -> str | None:
    """Warn where channel names, which are never changed, look like formulas."""
    odd = [name for name in channels if name.startswith(FORMULA_STARTS)]
    if not odd:
        return None
    return (
        f"channel names begin with = + - or @ ({', '.join(odd[:3])}): "
        "open the CSV files in a spreadsheet as text only"
    )


def told_apart(recording: str, folder: str) -> str:
    """Name a recording for a person, with its results' folder where that has another name.

    Recordings that share a name have folders with a number.
    """
    return recording if folder in ("", safe_stem(recording)) else f"{recording} ({folder})"


def safe_stem(name: str) -> str:
    """Give the part of a file's name that its results are named after.

    Parameters
    ----------
    name : str
        The recording's file name.

    Returns
    -------
    str
        The name without its last suffix; characters that some file system forbids are ``_``, it
        never begins with a dot or a dash and is at most 150 bytes long.
    """
    stem = _NOT_IN_NAMES.sub("_", readable(_CONTROL.sub("_", Path(name).stem))).strip()
    stem = re.sub(r"^[.\-]+", "_", stem).rstrip(". ") or "recording"
    return stem.encode()[:_LONGEST_STEM].decode("utf-8", "ignore")


def column_name(label: str) -> str:
    """Spell a label as a column: ``line noise`` → ``line_noise``."""
    return label.replace(" ", "_")
