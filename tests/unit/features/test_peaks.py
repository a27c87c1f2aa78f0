import warnings

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from cleanspan.features.peaks import find_peaks

steps = st.integers(-3, 3)
traces = hnp.arrays(np.int64, st.integers(0, 200), elements=steps).map(
    lambda values: np.cumsum(values).astype(np.float32) * 3
)


def by_scipy(trace, *, prominence, width, around):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        places, facts = signal.find_peaks(
            trace, prominence=prominence, width=width, rel_height=0.5, wlen=around
        )
    return places, facts["prominences"]


@given(traces, st.floats(0.5, 30), st.floats(0.5, 5), st.floats(5, 60), st.integers(5, 131))
def test_the_peaks_are_those_of_scipy(trace, prominence, thin, wide, around):
    wanted = {"prominence": prominence, "width": (thin, wide), "around": around}
    places, heights = find_peaks(trace, **wanted)
    expected, expected_heights = by_scipy(trace, **wanted)
    assert places.tolist() == expected.tolist()
    assert heights.tolist() == pytest.approx(expected_heights.tolist())


def test_the_peaks_of_noise_are_those_of_scipy():
    rng = np.random.default_rng(3)
    trace = np.convolve(rng.normal(0, 40, 20_000), np.ones(7) / 7, mode="same").astype(np.float32)
    wanted = {"prominence": 18.0, "width": (2.75, 45.0), "around": 125}
    places, heights = find_peaks(trace, **wanted)
    expected, expected_heights = by_scipy(trace, **wanted)
    assert len(places) > 500
    assert np.array_equal(places, expected)
    assert np.array_equal(heights, expected_heights)


def test_a_raised_cosine_is_found_at_its_top_with_its_height():
    hump = 50 * (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(21) / 20))
    trace = np.concatenate((np.zeros(60), hump, np.zeros(60)))
    places, heights = find_peaks(trace, prominence=18.0, width=(2.0, 45.0), around=125)
    assert places.tolist() == [70]
    assert heights.tolist() == pytest.approx([50.0])
