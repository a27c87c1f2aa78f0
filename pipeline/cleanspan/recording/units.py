"""Units of voltage as headers spell them, and their factor to µV."""

import re

_FACTOR_TO_UV = {"n": 1e-3, "u": 1.0, "m": 1e3, "": 1e6, "k": 1e9}
_VOLTAGE = re.compile(r"(nano|micro|milli|kilo|n|u|m|k|)v(?:olts?)?(?:rms|pp)?", re.IGNORECASE)
_LOWEST_RANGE_UV = 50.0
_HIGHEST_RANGE_UV = 1e6
"""Half ranges of EEG amplifiers in µV, common practice: ±50 µV (a paper scale) to ±1 V."""


def factor_to_uv(unit: str) -> float | None:
    """Give the factor that turns a unit into µV.

    Parameters
    ----------
    unit : str
        Unit as the header has it. The prefix is read with its case where that matters: ``mV`` is
        millivolt, and so is ``MV``, since no EEG amplifier writes megavolt.

    Returns
    -------
    float or None
        None if the unit is not a voltage.
    """
    text = re.sub(r"[\s.]", "", unit)
    text = text.replace("\u00b5", "u").replace("\u03bc", "u").replace("\u00c2", "")
    match = _VOLTAGE.fullmatch(text)
    if match is None:
        return None
    return _FACTOR_TO_UV[match[1][:1].lower() if match[1].lower() != "micro" else "u"]


def voltage_factor(
    unit: str, physical_min: float, physical_max: float
) -> tuple[float | None, str]:
    """Give the factor to µV of a signal, assuming µV where the unit is absent or mangled.

    Parameters
    ----------
    unit : str
        Unit as the header has it.
    physical_min, physical_max : float
        The signal's range in that unit.

    Returns
    -------
    factor : float or None
        None if the signal is no voltage or its unit cannot be guessed.
    remark : str
        What was assumed and why, empty where nothing was.
    """
    factor = factor_to_uv(unit)
    if factor is not None:
        return factor, ""
    mangled = re.fullmatch(r"[^A-Za-z0-9]{1,3}v", unit.strip(), re.IGNORECASE)
    if unit.strip() and not mangled:
        return None, f"the unit {unit!r} is not a voltage"
    half_range = max(abs(physical_min), abs(physical_max))
    shown = repr(unit) if unit.strip() else "absent"
    if _LOWEST_RANGE_UV <= half_range <= _HIGHEST_RANGE_UV:
        return 1.0, f"the unit is {shown}; taken as µV, which suits its range of ±{half_range:g}"
    return None, (
        f"the unit is {shown} and its range of ±{half_range:g} does not look like µV; "
        "its amplitude is unknown"
    )
