import itertools
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.export.report import strip
from cleanspan.export.report.palette import palette
from cleanspan.types import LABELS

SPANS = st.lists(
    st.tuples(st.floats(0, 99), st.floats(0.001, 30)).map(lambda s: (s[0], s[0] + s[1])),
    max_size=20,
)


@given(SPANS, st.integers(1, 40))
def test_covered_share_agrees_with_counting_fine_steps(spans, bins):
    edges = np.linspace(0, 100, bins + 1)
    got = strip.covered_share(np.array(spans).reshape(-1, 2), edges)
    moments = (np.arange(20_000) + 0.5) * 100 / 20_000
    inside = np.zeros(20_000, dtype=bool)
    for onset, end in spans:
        inside |= (moments >= onset) & (moments < end)
    counted = [inside[(moments >= a) & (moments < b)].mean() for a, b in itertools.pairwise(edges)]
    np.testing.assert_allclose(got, counted, atol=0.02 + 0.0002 * bins * len(spans))


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0:00:00"), (61, "0:01:01"), (36_000.4, "10:00:00"), (86_399.6, "24:00:00")],
)
def test_clock(seconds, text):
    assert strip.clock(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.35, "0.3 s"),
        (42, "42 s"),
        (179.575, "2 min 59 s"),
        (180.0, "3 min 00 s"),
        (200, "3 min 20 s"),
        (7500, "2 h 05 min"),
        (float("nan"), "–"),
    ],
)
def test_length(seconds, text):
    assert strip.length(seconds) == text


@pytest.mark.parametrize(
    ("share", "text"), [(0, "0 %"), (0.001, "<1 %"), (0.5, "50 %"), (0.999, ">99 %"), (1, "100 %")]
)
def test_a_little_is_never_shown_as_nothing_nor_nearly_all_as_all(share, text):
    assert strip.percent(share) == text


@given(st.floats(0.5, 1_000_000))
def test_ticks_are_few_and_inside(duration_s):
    ticks = strip.time_ticks(duration_s)
    assert 1 <= len(ticks) <= 10
    assert ticks[-1] <= duration_s + 1e-6


def heights(path: str) -> dict[int, int]:
    """Redraw a path: bin → height of its bar."""
    drawn: dict[int, int] = {}
    for bar in re.findall(r"M(\d+) \d+((?:v-?\d+(?:h\d+)?)+)z", path):
        x, height = int(bar[0]), 0
        for rise, run in re.findall(r"v(-?\d+)(?:h(\d+))?", bar[1]):
            height -= int(rise)
            for _ in range(int(run or 0)):
                drawn[x] = height
                x += 1
        assert height == 0
    return drawn


@given(SPANS)
def test_the_map_shows_every_mark_in_its_place(spans):
    edges = np.linspace(0, 130, 301)
    share = strip.covered_share(np.array(spans).reshape(-1, 2), edges)
    rows = [strip.Row("Fp1", {"blink": np.array(spans).reshape(-1, 2)})]
    drawing = strip.label_map(rows, palette(("blink",)), duration_s=130, most_bins=300)
    path = re.search(r'<path class="f0" d="([^"]*)"', drawing)
    assert path is not None
    drawn = heights(path[1])
    assert set(drawn) == set(np.flatnonzero(share > 1e-6).tolist())
    assert all(1 <= height < strip.LANE_PX for height in drawn.values())


def test_a_lane_is_higher_where_more_is_covered():
    spans = np.array([[0.0, 10.0], [20.0, 22.0]])
    drawing = strip.label_map(
        [strip.Row("Fp1", {"blink": spans})], palette(("blink",)), duration_s=3000, most_bins=300
    )
    drawn = heights(re.search(r'<path class="f0" d="([^"]*)"', drawing)[1])
    assert drawn[0] > drawn[2] >= 1


def test_a_large_map_stays_small():
    rng = np.random.default_rng(1)
    rows = []
    for number in range(128):
        onset = np.sort(rng.uniform(0, 86_000, 4000))
        spans = np.stack((onset, onset + rng.uniform(0.2, 20, 4000)), axis=1)
        rows.append(strip.Row(f"E{number}", dict.fromkeys(LABELS, spans)))
    assert len(strip.label_map(rows, palette(LABELS), duration_s=86_400)) < 1_300_000
