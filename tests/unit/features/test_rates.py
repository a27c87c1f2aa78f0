"""One analogue signal recorded at several rates gives about the same features."""

import numpy as np
import pytest
from scipy import signal

from cleanspan.features.registry import WINDOW_FEATURES, WINDOW_NAMES

NAMES = ("Fp1", "Fp2", "C3", "Cz", "C4", "Pz", "O1", "O2")
SECONDS = 40
ALLOWED = {
    # shape statistics are taken between 125 and 167 Hz: bandwidth moves them a little
    "mobility": 0.15, "mobility_middle": 0.15, "complexity": 0.15, "line_length": 0.15,
    # and so are snaps, within 12 to 16 ms: the largest of some changes against one in four
    **{
        f"snap_{rest}_{what}": 0.1
        for rest in ("alone", "apart", "common")
        for what in ("crest", "crest_before", "crest_near", "balance")
    },
    # what is sudden in noise depends on which samples are taken, but is as large on the whole
    **{name: 0.12 for name in WINDOW_NAMES if name.startswith("sudden_")},
}  # fmt: skip


@pytest.fixture(scope="module")
def analogue(invented):
    """2000 Hz, nothing above 70 Hz, with blinks and muscle-like noise."""
    samples = invented.background(8, SECONDS, rate_hz=2000.0, seed=8)
    low_pass = signal.butter(4, 70, fs=2000.0, output="sos")
    samples = signal.sosfiltfilt(low_pass, samples, axis=1)
    invented.add_blinks(samples, NAMES, [6.0, 14.0, 26.5, 33.0], rate_hz=2000.0)
    return samples


@pytest.fixture(scope="module")
def tables(invented, analogue):
    return {
        rate: invented.features_of(
            invented.in_memory(analogue[:, :: 2000 // rate], NAMES, rate_hz=float(rate))
        )
        for rate in (250, 500, 1000, 2000)
    }


@pytest.mark.parametrize("rate", [500, 1000, 2000])
@pytest.mark.parametrize("feature", WINDOW_FEATURES, ids=lambda feature: feature.name)
def test_features_agree_with_those_at_250_hz(tables, feature, rate):
    place = WINDOW_NAMES.index(feature.name)
    one, other = tables[250].windows[..., place], tables[rate].windows[..., place]
    np.testing.assert_array_equal(np.isnan(one), np.isnan(other))
    if np.isnan(one).all():
        return
    spread = np.nanstd(one)
    difference = np.nanmedian(np.abs(one - other))
    unit = np.nanmedian(np.abs(one)) if feature.unit in ("Hz", "ratio") else 1.0
    assert difference <= max(0.35 * spread, ALLOWED.get(feature.name, 0.06) * unit)


@pytest.mark.parametrize("rate", [500, 1000, 2000])
@pytest.mark.parametrize("name", [n for n in WINDOW_NAMES if n.startswith("sudden_")])
def test_what_is_sudden_is_as_large_at_any_rate_on_the_whole(tables, name, rate):
    place = WINDOW_NAMES.index(name)
    difference = tables[rate].windows[..., place] - tables[250].windows[..., place]
    assert abs(np.nanmedian(difference)) < 0.05


@pytest.mark.parametrize("rate", [500, 1000, 2000])
def test_blinks_are_found_at_the_same_times(tables, rate):
    one, other = tables[250].times, tables[rate].times
    for peak_s in (6.0, 14.0, 26.5, 33.0):
        places = [np.argmin(np.abs(times.peak_s - peak_s)) for times in (one, other)]
        for name in ("onset_s", "peak_s", "end_s"):
            times = [getattr(t, name)[p] for t, p in zip((one, other), places, strict=True)]
            assert abs(times[0] - times[1]) <= 0.041, name
