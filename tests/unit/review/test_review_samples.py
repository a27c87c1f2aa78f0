import base64

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from cleanspan.review.samples import NOTHING, packed, page_rate, thinned


@pytest.mark.parametrize(
    ("rate_hz", "expected"),
    [
        (100, 100),
        (160, 160),
        (200, 200),
        (250, 125),
        (256, 128),
        (500, 125),
        (1024, 128),
        (2048, 128),
    ],
)
def test_page_rate_divides_the_recordings_rate_and_shows_mains(rate_hz, expected):
    assert page_rate(rate_hz) == pytest.approx(expected)


@pytest.mark.parametrize("rate_hz", [250.0, 256.0, 512.0])
@pytest.mark.parametrize("mains_hz", [50, 60])
def test_mains_survives(rate_hz, mains_hz):
    to_hz = page_rate(rate_hz)
    shown = thinned(tone(mains_hz, rate_hz), rate_hz=rate_hz, to_hz=to_hz)[0, 200:-200]
    assert shown.std() > 0.5 * 50 / np.sqrt(2)


def tone(frequency_hz, rate_hz, seconds=12.0):
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return (50 * np.sin(2 * np.pi * frequency_hz * time_s))[None].astype(np.float32)


@pytest.mark.parametrize("rate_hz", [250.0, 256.0, 500.0, 1000.0])
def test_what_is_below_the_new_limit_stays_and_what_is_above_does_not_fold(rate_hz):
    to_hz = page_rate(rate_hz)
    kept = thinned(tone(10, rate_hz), rate_hz=rate_hz, to_hz=to_hz)[0]
    inner = slice(int(to_hz), -int(to_hz))
    expected = tone(10, to_hz)[0][: len(kept)]
    np.testing.assert_allclose(kept[inner], expected[inner], atol=0.6)
    # 0.95 of the old limit would fold to a low frequency, where it would look like EEG.
    folded = thinned(tone(0.95 * rate_hz / 2, rate_hz), rate_hz=rate_hz, to_hz=to_hz)[0]
    assert np.abs(folded[inner]).max() < 0.5


def test_a_large_offset_does_not_ring_at_the_edges():
    samples = np.full((1, 3000), 40_000.0, dtype=np.float32)
    assert np.ptp(thinned(samples, rate_hz=250, to_hz=125)) < 0.01


def test_what_was_not_recorded_stays_missing():
    samples = tone(10, 250.0)
    samples[0, 1000:1500] = np.nan
    thin = thinned(samples, rate_hz=250, to_hz=125)[0]
    assert np.isnan(thin[500:750]).all()
    assert np.isfinite(np.delete(thin, np.s_[500:750])).all()


def test_an_equal_rate_changes_nothing():
    samples = tone(10, 160.0)
    assert thinned(samples, rate_hz=160, to_hz=160) is samples


@given(
    hnp.arrays(
        np.float32,
        hnp.array_shapes(min_dims=2, max_dims=2, max_side=30),
        elements=st.floats(-(2.0**20), 2.0**20, width=32) | st.just(float("nan")),
    )
)
def test_packing_keeps_values_to_half_a_step(samples):
    got = packed(samples)
    steps = np.frombuffer(base64.b64decode(got.text), dtype="<i2").reshape(samples.shape)
    missing = np.isnan(samples)
    assert ((steps == NOTHING) == missing).all()
    for row, scale in enumerate(got.scale_uv):
        here = ~missing[row]
        if here.any():
            swing = samples[row, here].astype(float) - np.median(samples[row, here])
            error = np.abs(steps[row, here] * scale - swing)
            assert error.max() <= 0.51 * scale + 1e-6 * np.abs(swing).max() + 0.07
            assert scale >= 0.05
