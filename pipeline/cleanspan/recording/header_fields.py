"""Single fields of an EDF header: texts, numbers, the start."""

import math
import re
from datetime import date, datetime, time

MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")


def decode(raw: bytes) -> str:
    """Decode header bytes: ASCII by the specification, UTF-8 or Latin-1 as found in practice."""
    raw = raw.rstrip(b"\0 ")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return "".join(char if char.isprintable() else " " for char in text).strip()


def number(raw: bytes) -> float:
    """Read a header number; NaN where it is none. Python-only spellings do not count."""
    text = raw.strip(b" \0").replace(b",", b".").decode("ascii", "replace")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text):
        return math.nan
    return float(text)


def whole_number(raw: bytes) -> int | None:
    """Read a whole number; None where it is none."""
    value = number(raw)
    return int(value) if math.isfinite(value) and value == int(value) else None


def parse_start(raw: bytes, *, plus: bool) -> tuple[datetime | None, list[str]]:
    """Read the start date and time.

    Parameters
    ----------
    raw : bytes
        The header.
    plus : bool
        Whether it is EDF+, which repeats the date with a whole year in the recording field.

    Returns
    -------
    start : datetime or None
        None where it is missing or impossible. Two-digit years are 1985-2084.
    warnings : list of str
    """
    day, clock = _parse_date(decode(raw[168:176])), _parse_time(decode(raw[176:184]))
    repeated = _repeated_date(decode(raw[88:168])) if plus else None
    warnings = []
    if (
        day
        and repeated
        and (day.year % 100, day.month, day.day)
        != (
            repeated.year % 100,
            repeated.month,
            repeated.day,
        )
    ):
        warnings.append("start date: the header's two start dates differ")
    day = repeated or day
    for name, value in (("date", day), ("time", clock)):
        if value is None:
            warnings.append(
                f"start {name}: it is missing or impossible; times count from the start"
            )
            return None, warnings
    return (datetime.combine(day, clock) if day and clock is not None else None), warnings


def _repeated_date(recording: str) -> date | None:
    named = re.match(r"Startdate (\d\d?)-([A-Za-z]{3})-(\d{4})\b", recording)
    if named is None or named[2].upper() not in MONTHS:
        return None
    return _date(int(named[3]), MONTHS.index(named[2].upper()) + 1, int(named[1]))


def _parse_date(text: str) -> date | None:
    parts = re.fullmatch(r"(\d{1,2})[./:-](\d{1,2})[./:-](\d{2})", text)
    if parts is None:
        return None
    day, month, year = (int(part) for part in parts.groups())
    return _date(year + (1900 if year >= 85 else 2000), month, day)


def _date(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _parse_time(text: str) -> time | None:
    parts = re.fullmatch(r"(\d{1,2})[.:](\d{1,2})[.:](\d{1,2})", text)
    if parts is None:
        return None
    try:
        return time(int(parts[1]), int(parts[2]), int(parts[3]))
    except ValueError:
        return None
