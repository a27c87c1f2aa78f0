"""Annotations as time-stamped lists (TALs), EDF+ specification (Kemp & Olivan 2003) 2.2."""

import math
import re
from decimal import Decimal

_FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
"""Control characters that texts may not hold (tab, line feed and carriage return they may)."""
_FURTHEST_S = 1e9


def seconds_text(seconds: float | Decimal) -> str:
    """Write seconds as the shortest decimal, never with an exponent.

    A float is rounded to the microsecond, a Decimal is written exactly.
    """
    text = f"{seconds:f}" if isinstance(seconds, Decimal) else f"{seconds:.6f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def onset_text(seconds: float | Decimal) -> str:
    """Write an onset: the sign is always there."""
    text = seconds_text(seconds)
    return text if text.startswith("-") else f"+{text}"


def time_keeping(onset_s: float | Decimal) -> bytes:
    """Write the list that says when a data record starts (2.2.4)."""
    return f"{onset_text(onset_s)}\x14\x14\x00".encode()


def annotation(onset_s: float, duration_s: float, text: str) -> bytes:
    """Write one annotation as a list of its own.

    Parameters
    ----------
    onset_s : float
        Seconds from the header's start time.
    duration_s : float
        Left out where it is 0.
    text : str
        Control characters that the specification forbids become spaces.

    Returns
    -------
    bytes
        The list with its closing zero byte.

    Raises
    ------
    ValueError
        If a time is not finite, the duration negative or the text empty.
    """
    if not (math.isfinite(onset_s) and abs(onset_s) <= _FURTHEST_S):
        raise ValueError(f"an annotation's onset must be a time in seconds, got {onset_s}")
    if not 0 <= duration_s <= _FURTHEST_S:
        raise ValueError(f"an annotation's duration must be 0 s or more, got {duration_s}")
    if not text.strip():
        raise ValueError("an annotation must have a text, got an empty one")
    duration = seconds_text(duration_s)
    between = f"\x15{duration}" if duration != "0" else ""
    text = _FORBIDDEN.sub(" ", text)
    return f"{onset_text(onset_s)}{between}\x14{text}\x14\x00".encode("utf-8", "replace")
