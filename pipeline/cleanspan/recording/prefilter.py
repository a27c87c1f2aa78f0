"""The recorded pass band, out of a header's free text such as ``HP:0.1Hz LP:75Hz N:60Hz``."""

import math
import re
from dataclasses import dataclass

_NUMBER = r"(\d+(?:[.,]\d+)?|\.\d+|DC)"
_FIELD = re.compile(
    rf"\b(HPF?|LPF?|NOTCH|N|TC|BPF?|BAND)\b\s*[:=]?\s*{_NUMBER}\s*"
    rf"(?:(?:-|\.\.|to)\s*{_NUMBER}\s*)?(k?Hz|m?s(?:ec)?\b)?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class PassBand:
    """What the recorder's filters let through; None where the header does not say."""

    high_pass_hz: float | None = None
    low_pass_hz: float | None = None
    notch_hz: float | None = None


def parse_prefilter(text: str) -> PassBand:
    """Read a prefiltering field.

    A time constant τ counts as a first-order high-pass at 1/(2πτ). A value of 0 Hz, or a
    high-pass at or above the low-pass (rectified envelopes), says nothing about the band.

    Parameters
    ----------
    text : str
        The EDF header's field.

    Returns
    -------
    PassBand
    """
    found: dict[str, float] = {}
    for match in _FIELD.finditer(text):
        name = match[1].upper()
        first = _frequency(match[2], match[4], seconds=name == "TC")
        if name.startswith("B"):
            if match[3] is not None:
                found["H"] = first
                found["L"] = _frequency(match[3], match[4], seconds=False)
        elif match[3] is None:
            found["H" if name == "TC" else name[0]] = first
    high, low, notch = (found.get(key) or None for key in "HLN")
    if high is not None and low is not None and high >= low:
        return PassBand(notch_hz=notch)
    return PassBand(high, low, notch)


def _frequency(number: str, unit: str | None, *, seconds: bool) -> float:
    """Turn a number with its unit into Hz; 0 means nothing known."""
    if number.upper() == "DC":
        return 0.0
    value = float(number.replace(",", "."))
    unit = (unit or "").lower()
    if unit == "khz":
        return value * 1000
    if seconds or unit.endswith(("s", "sec")):
        tau_s = value / 1000 if unit.startswith("ms") else value
        return 1 / (2 * math.pi * tau_s) if tau_s > 0 else 0.0
    return value
