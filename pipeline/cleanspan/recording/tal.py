"""Time-stamped annotation lists (TALs), EDF+ specification section 2.2.2."""

import re
from dataclasses import dataclass

_TAL = re.compile(
    rb"([+-]\d{1,12}(?:\.\d{0,20})?)(?:\x15(\d{1,12}(?:\.\d{0,20})?)?)?\x14(.*)\x14", re.DOTALL
)
_ONLY_STAMP = re.compile(rb"([+-]\d{1,12}(?:\.\d{0,20})?)\x14\x14\0*")
_FURTHEST_S = 1e9
"""About 31 years: an onset beyond it is damage, not time."""


@dataclass(frozen=True, slots=True)
class Tal:
    """One time-stamped annotation list.

    Attributes
    ----------
    onset_s : float
        Seconds from the header's start time.
    duration_s : float
        0 where none is given.
    texts : tuple of str
        The annotations; an empty first text marks the time-keeping list.
    """

    onset_s: float
    duration_s: float
    texts: tuple[str, ...]


def parse_tals(raw: bytes) -> tuple[list[Tal], int]:
    """Read the annotation signal of one data record.

    Parameters
    ----------
    raw : bytes
        The signal's bytes in that record, padded with zero bytes.

    Returns
    -------
    tals : list of Tal
        Those that could be read, in order.
    damaged : int
        How many could not.
    """
    tals: list[Tal] = []
    damaged = 0
    for chunk in raw.split(b"\0"):
        if not chunk:
            continue
        match = _TAL.fullmatch(chunk)
        if match is None or abs(float(match[1])) > _FURTHEST_S:
            damaged += 1
            continue
        texts = tuple(_decode(text) for text in match[3].split(b"\x14"))
        tals.append(Tal(float(match[1]), float(match[2] or 0), texts))
    return tals, damaged


def time_stamp(raw: bytes) -> float | None:
    """Read the onset of a record that holds its time-keeping list and nothing else.

    The fast way for nearly every record of a long recording; None means: look closer.
    """
    match = _ONLY_STAMP.fullmatch(raw)
    if match is None:
        return None
    onset_s = float(match[1])
    return onset_s if abs(onset_s) <= _FURTHEST_S else None


def _decode(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")
