"""Recordings varied for learning: size, reference, pass band change; what is there stays."""

import numpy as np
import pytest
from scipy import signal

from cleanspan.training.simulator.scenario import SYSTEM_10_20
from cleanspan.training.variation import (
    GAIN,
    ROUGH_NOISE,
    hummed,
    roughened,
    tensed,
    varied,
)

RATE_HZ = 250.0


@pytest.fixture
def recording(still_eyes):
    return still_eyes


def test_a_bad_electrode_still_shows_the_scalp(recording):
    """Weaker or noisier, but at least as much signal as `ROUGH_NOISE` allows stays in it."""
    before = recording.copy()
    after = roughened(recording, 250.0, np.random.default_rng(3), share=0.4)
    np.testing.assert_array_equal(recording, before)
    changed_rows = np.flatnonzero((after != recording).any(axis=1))
    assert 3 <= changed_rows.size <= 13
    for row in changed_rows:
        r = np.corrcoef(recording[row], after[row])[0, 1]
        # noise of half the level on a signal weakened to 0.4 of it
        assert r > 0.4 / np.hypot(0.4, ROUGH_NOISE) - 0.1
    untouched = roughened(recording, 250.0, np.random.default_rng(3), share=0.0)
    np.testing.assert_array_equal(untouched, recording)


def test_the_same_seed_varies_alike_and_the_recording_is_left_alone(recording):
    before = recording.copy()
    first, again = (
        varied(recording, RATE_HZ, SYSTEM_10_20, np.random.default_rng(5)) for _ in range(2)
    )
    np.testing.assert_array_equal(first, again)
    np.testing.assert_array_equal(recording, before)
    assert np.isfinite(first).all()


def test_differences_between_electrodes_keep_their_shape(recording):
    """A reference cancels in a difference of channels: only size and pass band may change it.

    The pass band is taken out of the comparison by looking at 3 to 15 Hz.
    """
    names = list(SYSTEM_10_20)
    middle = signal.butter(3, (3.0, 15.0), "bandpass", fs=RATE_HZ, output="sos")
    pair = names.index("C3"), names.index("O2")

    def difference(samples):
        return signal.sosfiltfilt(middle, samples[pair[0]] - samples[pair[1]])[500:-500]

    own = difference(recording)
    for seed in range(12):
        other = difference(varied(recording, RATE_HZ, names, np.random.default_rng(seed)))
        lags = np.arange(-10, 11)  # a low-pass delays
        r = [np.corrcoef(own[20:-20], np.roll(other, -lag)[20:-20])[0, 1] for lag in lags]
        assert max(r) > 0.95
        assert 0.8 * GAIN[0] < other.std() / own.std() < 1.1 * GAIN[1]


def test_every_reference_and_edge_is_drawn(recording):
    """Over many draws: the mean is taken away at times, and slow and fast activity too."""
    names = list(SYSTEM_10_20)
    frequency, own = signal.welch(recording, RATE_HZ, nperseg=1000, axis=1)
    shapes = []
    for seed in range(30):
        after = varied(recording, RATE_HZ, names, np.random.default_rng(seed))
        density = signal.welch(after, RATE_HZ, nperseg=1000, axis=1)[1]
        gain = np.median(np.sqrt(density / own), axis=0)
        at = [gain[np.argmin(np.abs(frequency - hz))] for hz in (0.25, 8.0, 90.0)]
        common = np.abs(after.mean(axis=0)).max() / np.abs(after).max()
        shapes.append((at[0] / at[1], at[2] / at[1], common))
    slow, fast, common = np.array(shapes).T
    assert (slow < 0.7).any()
    assert (fast < 0.7).any()
    assert (common < 1e-3).any()
    assert (common > 0.1).any()


def test_a_reference_beside_the_ears_leaves_little_of_the_electrodes_there(recording, monkeypatch):
    """At one ear or both, above it or behind: that electrode gets small, those far off do not."""
    monkeypatch.setattr("cleanspan.training.variation.REFERENCES", ("ear",))
    names = list(SYSTEM_10_20)
    beside, far = (
        [names.index(name) for name in some] for some in (("T7", "T8", "P7", "P8"), ("Fp1", "O2"))
    )
    shares = []
    for seed in range(40):
        after = varied(recording, RATE_HZ, names, np.random.default_rng(seed))
        share = after.std(axis=1) / recording.std(axis=1)
        shares.append((share / np.median(share))[[*beside, *far]])
        assert (after.std(axis=1) > 0.05 * recording.std(axis=1)).all(), "all have contact"
    each = np.array(shares)
    assert (each[:, :4].min(axis=0) < 0.7).all(), "each of them at times"
    assert np.median(each[:, :4].min(axis=1)) < 0.8
    assert np.median(each[:, 4:]) > 0.85


def test_tensed_electrodes_keep_their_slow_activity(recording):
    """Half of the recordings are left alone; in the others fast activity is laid over some."""
    low = signal.butter(3, 8.0, fs=RATE_HZ, output="sos")
    changed = 0
    for seed in range(20):
        after = tensed(recording, RATE_HZ, list(SYSTEM_10_20), np.random.default_rng(seed))
        rows = np.flatnonzero((after != recording).any(axis=1))
        changed += bool(rows.size)
        added = after - recording
        slow = signal.sosfiltfilt(low, added, axis=1).std(axis=1)
        assert (slow <= 0.5 * added.std(axis=1) + 1e-3).all()
    assert 5 <= changed <= 15


def test_line_noise_is_laid_over_half_of_them_and_nothing_else_changes(recording):
    """Away from the mains the spectrum stays as it was (scipy's Welch estimate)."""
    changed = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        after = hummed(recording, RATE_HZ, SYSTEM_10_20, rng, mains_hz=60.0)
        rows = np.flatnonzero((after != recording).any(axis=1))
        changed += bool(rows.size)
        for row in rows:
            frequency_hz, was = signal.welch(recording[row], RATE_HZ, nperseg=1000)
            _, now = signal.welch(after[row], RATE_HZ, nperseg=1000)
            at_mains = np.abs(frequency_hz - 60) < 1
            assert now[at_mains].sum() > was[at_mains].sum()
            away = (frequency_hz > 1) & (frequency_hz < 45)
            np.testing.assert_allclose(now[away], was[away], rtol=0.05)
    assert 3 <= changed <= 9
