"""Units and filters out of header texts."""

import math

import pytest

from cleanspan.recording.prefilter import PassBand, parse_prefilter
from cleanspan.recording.units import factor_to_uv, voltage_factor


@pytest.mark.parametrize(
    ("unit", "factor"),
    [
        ("uV", 1),
        ("UV", 1),
        ("uv", 1),
        ("µV", 1),
        ("\u03bcV", 1),
        ("\u00c2\u00b5V", 1),
        ("microV", 1),
        ("uVolt", 1),
        ("mV", 1000),
        ("V", 1e6),
        ("Volts", 1e6),
        ("nV", 1e-3),
        ("millivolt", 1000),
        ("nanoV", 1e-3),
        ("degC", None),
        ("%", None),
        ("Boolean", None),
        ("", None),
        ("mmHg", None),
        ("uV/Hz", None),
    ],
)
def test_factor_to_microvolt(unit, factor):
    assert factor_to_uv(unit) == factor


@pytest.mark.parametrize("unit", ["", "?V", "\ufffdV"])
def test_absent_or_mangled_units_are_taken_as_microvolt_where_that_is_plausible(unit):
    factor, remark = voltage_factor(unit, -3276.8, 3276.7)
    assert factor == 1
    assert "taken as µV" in remark


def test_an_implausible_range_without_unit_stays_unknown():
    factor, remark = voltage_factor("", -0.005, 0.005)
    assert factor is None
    assert "does not look like µV" in remark


@pytest.mark.parametrize(
    ("text", "band"),
    [
        ("HP:0.1Hz LP:75Hz N:60Hz", (0.1, 75, 60)),
        ("HP:0.1 Hz, LP:75 Hz, N:50 Hz", (0.1, 75, 50)),
        ("HP: DC; LP: 417 Hz", (None, 417, None)),
        ("HP:0Hz LP:0Hz N:0Hz", (None, None, None)),
        ("HP:0.5Hz LP:100Hz [enhanced cassette BW]", (0.5, 100, None)),
        ("HP:16Hz Rectification LP:0.7Hz", (None, None, None)),
        ("hp:0,3hz lp:35hz", (0.3, 35, None)),
        ("HP=0.5 LP=70 NOTCH=50", (0.5, 70, 50)),
        ("HPF:1Hz LPF:0.5kHz", (1, 500, None)),
        ("BP:0.5-70Hz", (0.5, 70, None)),
        ("LP:30Hz", (None, 30, None)),
        ("No filtering", (None, None, None)),
        ("None", (None, None, None)),
        ("", (None, None, None)),
        ("Hold during 2 seconds", (None, None, None)),
    ],
)
def test_pass_band(text, band):
    assert parse_prefilter(text) == PassBand(*band)


def test_a_time_constant_is_a_first_order_high_pass():
    # fc = 1/(2πτ): 0.3 s is the 0.53 Hz printed on recorders' dials.
    assert parse_prefilter("TC:0.3s LP:70Hz").high_pass_hz == pytest.approx(0.5305, abs=1e-4)
    assert parse_prefilter("HP:0.3s").high_pass_hz == pytest.approx(1 / (0.6 * math.pi))
    assert parse_prefilter("TC:300ms").high_pass_hz == pytest.approx(1 / (0.6 * math.pi))
