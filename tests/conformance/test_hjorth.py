"""Hjorth 1970 (Electroencephalogr Clin Neurophysiol 29:306): mobility and complexity.

Closed form: the first difference of a sine of frequency f sampled at rate r is a sine again,
larger by 2 sin(π f / r); so the mobility of a sampled sine is 2 sin(π f / r) and its complexity 1.
"""

import numpy as np
import pytest

from cleanspan.features.statistical import hjorth


def sine(frequency_hz, rate_hz, seconds=4.0):
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.sin(2 * np.pi * frequency_hz * time_s + 0.4).astype(np.float32)[None]


@pytest.mark.parametrize("rate_hz", [125.0, 160.0, 170.67])
@pytest.mark.parametrize("frequency_hz", [2.0, 5.0, 10.0, 23.0, 40.0, 60.0])
def test_mobility_of_a_sampled_sine_is_its_frequency(frequency_hz, rate_hz):
    mobility_hz, complexity = hjorth(sine(frequency_hz, rate_hz), rate_hz)
    assert mobility_hz[0] == pytest.approx(frequency_hz, rel=0.01)
    plain = 2 * np.sin(np.pi * mobility_hz[0] / rate_hz)
    assert plain == pytest.approx(2 * np.sin(np.pi * frequency_hz / rate_hz), rel=0.01)
    assert complexity[0] == pytest.approx(1.0, rel=0.02)


def test_mobility_is_the_ratio_of_two_standard_deviations():
    noise = np.random.default_rng(0).normal(size=(3, 160)).astype(np.float32)
    noise -= noise.mean(axis=1, keepdims=True)
    step = np.diff(noise, axis=1)
    mobility = np.sqrt((step**2).mean(axis=1) / (noise**2).mean(axis=1))
    mobility_hz, complexity = hjorth(noise, 160.0)
    np.testing.assert_allclose(2 * np.sin(np.pi * mobility_hz / 160), mobility, rtol=1e-4)
    bend = np.sqrt((np.diff(step, axis=1) ** 2).mean(axis=1) / (step**2).mean(axis=1))
    np.testing.assert_allclose(complexity, bend / mobility, rtol=1e-4)


def test_size_does_not_matter():
    noise = np.random.default_rng(1).normal(size=(1, 160)).astype(np.float32)
    noise -= noise.mean()
    for one, other in zip(hjorth(noise, 160.0), hjorth(noise * 250, 160.0), strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-4)


def test_a_flat_window_has_finite_values():
    for values in hjorth(np.zeros((1, 160), dtype=np.float32), 160.0):
        assert np.isfinite(values).all()
