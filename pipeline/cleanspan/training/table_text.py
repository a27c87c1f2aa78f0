"""The text of a label table, whichever program saved it."""

import codecs
import io
from pathlib import Path

from cleanspan.errors import LabelsError


def table_text(path: Path) -> io.StringIO:
    """Read a label table's text; ends of lines stay as they are, for a cell may hold some.

    Raises
    ------
    LabelsError
        If the file cannot be read, or is not in UTF-8.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise LabelsError(
            [f"{path}: a label table must be readable, got: {error.strerror}"]
        ) from error
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        got = "UTF-16" if _is_utf_16(content) else f"other bytes in line {line} (Latin-1, perhaps)"
        raise _not_utf_8(path, got) from error
    if "\0" in text:  # UTF-16 without its mark: each letter of plain English beside a zero
        raise _not_utf_8(path, "UTF-16, or no text at all")
    return io.StringIO(text, newline="")


def _is_utf_16(content: bytes) -> bool:
    """Whether a file begins with the mark of UTF-16."""
    return content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))


def _not_utf_8(path: Path, got: str) -> LabelsError:
    """Say what to do about another encoding."""
    return LabelsError(
        [f"{path}: a label table must be in UTF-8, got {got}; save it again as 'CSV UTF-8'"]
    )
