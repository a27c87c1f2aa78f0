import itertools
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.export.report.palette import (
    colour_rules,
    hatchings,
    legend,
    palette,
    plain,
    short_names,
)
from cleanspan.types import LABELS

LIGHT_PAGE, DARK_PAGE = "#fbfbf8", "#12191d"
LIGHT_LETTER, DARK_LETTER = "#ffffff", "#12191d"
EIGHT = (*LABELS, "lateral eye movement", "sweat", "chewing", "swallow")

# Dichromacy at full severity: Machado, Oliveira & Fernandes (2009), IEEE TVCG 15(6); the numbers
# are from memory.
SIGHT = {
    "usual": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
# IEC 61966-2-1 (sRGB), linear RGB to XYZ at D65.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def linear(colour: str) -> np.ndarray:
    channels = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """WCAG 2.2: (L1 + 0.05) / (L2 + 0.05) of the relative luminances."""
    low, high = sorted(float(TO_XYZ[1] @ linear(colour)) for colour in (one, other))
    return (high + 0.05) / (low + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* for the white of D65."""
    xyz = TO_XYZ @ np.clip(rgb, 0, 1) / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_contrast_formula_gives_21_for_black_on_white():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


def test_letters_and_hues_reach_wcag_aa_on_both_pages():
    for swatch in palette(EIGHT):
        assert contrast(swatch.light, LIGHT_LETTER) >= 4.5, swatch
        assert contrast(swatch.dark, DARK_LETTER) >= 4.5, swatch
        assert contrast(swatch.light, LIGHT_PAGE) >= 3, swatch
        assert contrast(swatch.dark, DARK_PAGE) >= 3, swatch


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("page", ["light", "dark"])
def test_shipped_labels_stay_apart_for_every_kind_of_sight(sight, page):
    # A difference of 2.3 is just noticeable (Mahy et al. 1994, from memory); ten times that.
    hues = [getattr(swatch, page) for swatch in palette(LABELS)]
    for one, other in itertools.combinations(hues, 2):
        seen = [lab(SIGHT[sight] @ linear(colour)) for colour in (one, other)]
        assert np.linalg.norm(seen[0] - seen[1]) > 23, (one, other)


def test_page_texts_reach_wcag_aa():
    from cleanspan.export.report.page import inline

    rules = str(inline("look.css"))
    light, dark = (
        dict(re.findall(r"--([\w-]+):(#\w+)", part)) for part in rules.split("@media")[:2]
    )
    for colours in (light, dark):
        for text in ("ink", "soft", "accent"):
            for ground in ("page", "raised", "band"):
                assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
        assert contrast(colours["accent-ink"], colours["accent"]) >= 4.5


def test_letters_and_patterns_differ_and_shipped_letters_never_change():
    swatches = palette(EIGHT)
    assert len({swatch.letter for swatch in swatches}) == 8
    assert len({swatch.pattern for swatch in swatches}) == 8
    turned = palette(EIGHT[::-1])
    shipped = {swatch.label: swatch.letter for swatch in turned if swatch.label in LABELS}
    assert shipped == {"blink": "B", "muscle": "M", "line noise": "L", "contact loss": "C"}


def test_settled_letters_are_taken_by_nobody_else():
    swatches = palette(("usher", "unsure", "orbit"), fixed={"unsure": "U", "other": "O"})
    letters = {swatch.label: swatch.letter for swatch in swatches}
    assert letters["unsure"] == "U"
    assert "U" not in (letters["usher"], letters["orbit"])
    assert letters["orbit"] != "O"


@given(st.lists(st.text(min_size=1, max_size=20), max_size=30, unique=True))
def test_any_label_set_gets_a_look_and_draws_no_markup_of_its_own(labels):
    swatches = palette(labels)
    letters = [swatch.letter for swatch in swatches]
    assert len(set(letters)) == len(letters)
    assert colour_rules(swatches).count("{background") == len(labels)
    assert hatchings(swatches).count("<pattern") == 2 * len(labels)
    assert legend(swatches).count("<li>") == len(labels)


def test_control_and_direction_characters_are_shown_as_such():
    assert plain("Fp1\x00\u202egnp.exe") == "Fp1��gnp.exe"


@pytest.mark.parametrize(
    ("labels", "short"),
    [
        (["EEG Fp1-A1A2", "EEG T3-A1A2"], ["Fp1", "T3"]),
        (["Fp1", "T3"], ["Fp1", "T3"]),
        (["EEG Fp1-A1", "EEG Fp2-A2"], ["Fp1-A1", "Fp2-A2"]),
        (["EEG Fp1", "EOG left"], ["EEG Fp1", "EOG left"]),
        (["A-A", "B-A"], ["A", "B"]),
        (["EEG "], ["EEG "]),
    ],
)
def test_short_names_leave_out_only_what_all_share(labels, short):
    assert list(short_names(labels).values()) == short
