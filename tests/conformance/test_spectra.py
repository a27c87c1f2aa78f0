"""Spectral features against a general-purpose library and against handbook values.

Handbook values: Harris 1978 (Hann's equivalent noise bandwidth is 1.5 bins); a sine of amplitude
A has the power A²/2; white noise of standard deviation s at rate r has the one-sided density
2 s²/r. The library is scipy (`scipy.signal.welch`, after Welch 1967).
"""

import numpy as np
import pytest
from scipy import signal

from cleanspan.features.registry import SPECTRAL
from cleanspan.features.spectral import densities, plan_spectra, spectral_features

NAMES = [feature.name for feature in SPECTRAL]


def windows_of(samples, rate_hz):
    length = round(rate_hz)
    whole = samples[: samples.size // length * length]
    return whole.reshape(1, -1, length).astype(np.float32)


def sine(amplitude, frequency_hz, *, rate_hz=256.0, seconds=4.0, phase=0.3):
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return amplitude * np.sin(2 * np.pi * frequency_hz * time_s + phase)


def measured(samples, rate_hz=256.0, **kwargs):
    plan = plan_spectra(rate_hz, **kwargs)
    density = densities(windows_of(samples, rate_hz), plan)
    values = spectral_features(density, plan)[0]
    return {name: values[:, place] for place, name in enumerate(NAMES)}


@pytest.mark.parametrize("rate_hz", [100.0, 128.0, 160.0, 250.0, 256.0, 500.0, 512.0, 2048.0])
def test_density_equals_scipys_welch(rate_hz):
    samples = np.random.default_rng(3).normal(5, 12, round(12 * rate_hz))
    plan = plan_spectra(rate_hz)
    ours = densities(windows_of(samples, rate_hz), plan)[0].mean(axis=0)
    length = round(rate_hz)
    frequency, theirs = signal.welch(samples, rate_hz, window="hann", nperseg=length, noverlap=0)
    np.testing.assert_allclose(plan.frequency_hz, frequency)
    # scipy halves the two ends of a one-sided density, which no feature reads
    np.testing.assert_allclose(ours[1:-1], theirs[1:-1], rtol=2e-4)


def test_hann_has_an_equivalent_noise_bandwidth_of_1_5_bins():
    """Harris 1978, table I."""
    taper = plan_spectra(256.0).taper.astype(float)
    assert taper.size * np.sum(taper**2) / np.sum(taper) ** 2 == pytest.approx(1.5, rel=1e-5)


def test_sine_of_50_uv_holds_1250_uv2_in_the_alpha_band():
    plan = plan_spectra(256.0)
    density = densities(windows_of(sine(50, 10), 256.0), plan)[0]
    band = (plan.frequency_hz >= 8) & (plan.frequency_hz <= 13)
    np.testing.assert_allclose(density[:, band].sum(axis=1) * 1.0, 1250, rtol=1e-4)
    # peak: power over 1.5 bins of 1 Hz
    np.testing.assert_allclose(density.max(axis=1), 1250 / 1.5, rtol=1e-4)
    # six bins from 8 to 13 Hz: the feature is their mean
    np.testing.assert_allclose(10 ** measured(sine(50, 10))["band_8_13"], 1250 / 6, rtol=1e-4)


def test_white_noise_of_3_uv_has_density_0_0703():
    noise = np.random.default_rng(1).normal(0, 3, 256 * 2000)
    values = measured(noise)
    for name in NAMES[1:7]:
        assert np.mean(10 ** values[name]) == pytest.approx(0.0703, rel=0.03), name
    # Taking the mean away costs a sixth of the first of the four bins: 3/8 − 1/16 against 3/8
    assert np.mean(10 ** values["band_1_4"]) == pytest.approx(0.0703 * 23 / 24, rel=0.05)
    assert np.mean(values["slope_low"]) == pytest.approx(0, abs=0.03)
    # 90 % of the power in 1-45 Hz lies below 40.5 Hz
    assert np.mean(values["edge"]) == pytest.approx(40.5, abs=1.5)


@pytest.mark.parametrize(("mains_hz", "other_hz"), [(50, 60), (60, 50)])
@pytest.mark.parametrize("rate_hz", [160.0, 256.0, 500.0])
def test_mains_is_told_by_its_rms_and_by_its_frequency(mains_hz, other_hz, rate_hz):
    rng = np.random.default_rng(4)
    floor = rng.normal(0, 10, round(30 * rate_hz))
    line = sine(20, mains_hz, rate_hz=rate_hz, seconds=30)
    with_line, without = measured(floor + line, rate_hz), measured(floor, rate_hz)
    # a sine of amplitude 20 has an rms of 14.1
    assert np.median(10 ** with_line[f"mains_{mains_hz}_rms"]) == pytest.approx(14.14, rel=0.05)
    body_rms = np.sqrt(40 * 2 * 100 / rate_hz)
    ratio = np.median(10 ** with_line[f"mains_{mains_hz}"])
    assert ratio == pytest.approx(14.14 / body_rms, rel=0.15)
    np.testing.assert_allclose(
        with_line[f"mains_{other_hz}_rms"], without[f"mains_{other_hz}_rms"], atol=0.05
    )


def test_mains_that_drifts_by_half_a_hertz_is_still_measured():
    """Grids may leave 50 Hz by up to ± 0.5 Hz in normal operation (EN 50160: ± 1 % mostly)."""
    values = measured(sine(20, 50.5, seconds=20) + np.random.default_rng(2).normal(0, 5, 5120))
    assert np.median(10 ** values["mains_50_rms"]) == pytest.approx(14.14, rel=0.06)


UPPER = {"band_65_78", "slope_high"}
MAINS = {"mains_50", "mains_60", "mains_50_rms", "mains_60_rms"}
UNSEEN = [
    (100.0, None, UPPER | MAINS),
    (128.0, None, UPPER),
    (160.0, None, set()),
    (250.0, None, set()),
    (250.0, 100.0, set()),
    (250.0, 70.0, UPPER),
    (250.0, 40.0, UPPER),
    (250.0, 34.0, UPPER | {"band_30_45"}),
    (250.0, 15.0, UPPER | {"band_30_45", "band_20_30", "slope_low", "band_13_20"}),
]


@pytest.mark.parametrize(("rate_hz", "low_pass_hz", "unseen"), UNSEEN)
def test_what_rate_and_low_pass_cannot_show_is_unknown_and_never_zero(
    rate_hz, low_pass_hz, unseen
):
    noise = np.random.default_rng(5).normal(0, 10, round(5 * rate_hz))
    values = measured(noise, rate_hz, low_pass_hz=low_pass_hz)
    assert {name for name, row in values.items() if np.isnan(row).any()} == unseen
    assert {name for name, row in values.items() if np.isnan(row).all()} == unseen


@pytest.mark.parametrize("held_at", [0.0, 87.5, 3276.7])
def test_a_flat_signal_has_finite_values_and_no_mains(held_at):
    values = measured(np.full(1024, held_at))
    assert all(np.isfinite(row).all() for row in values.values())
    for mains_hz in (50, 60):
        assert (values[f"mains_{mains_hz}"] < -2).all()
        assert (values[f"mains_{mains_hz}_rms"] < -1.99).all()


def test_flatness_is_near_zero_for_noise_and_low_for_a_line():
    noise = np.random.default_rng(6).normal(0, 5, 256 * 60)
    assert np.median(measured(noise)["flatness"]) > -0.4
    assert np.median(measured(noise * 0.01 + sine(30, 30, seconds=60))["flatness"]) < -2
