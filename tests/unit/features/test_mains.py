"""Mains taken out of slower signals: nothing of it left, and nothing else touched."""

import numpy as np
import pytest
from scipy import signal

from cleanspan.features.mains import Mains
from cleanspan.features.windows import boxed


def made(rate_hz, hz, *, seconds=20, amplitude_uv=100.0, wander=True, seed=3):
    """Brain-like noise, and mains whose amplitude and frequency wander a little."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    time_s = np.arange(n) / rate_hz
    brain = rng.normal(size=(3, n))
    brain = 10 * signal.sosfilt(signal.butter(1, 4, fs=rate_hz, output="sos"), brain, axis=1)
    brain += np.array([[4e4], [0], [-300]])  # offsets of a DC amplifier
    drift = 1 + 0.2 * np.sin(2 * np.pi * time_s / 7) * wander
    phase = 2 * np.pi * (hz + 0.03 * wander) * time_s + np.array([[0.3], [1.0], [2.0]])
    return brain.astype(np.float32), (amplitude_uv * drift * np.sin(phase)).astype(np.float32)


@pytest.mark.parametrize(
    ("rate_hz", "hz", "factor"),
    [
        *((160.0, 60.0, factor) for factor in (1, 3)),
        *((256.0, 60.0, factor) for factor in (2, 5)),
        *((500.0, 50.0, factor) for factor in (3, 7)),
        (125.0, 50.0, 2),
        (128.0, 50.0, 3),
    ],
)
def test_little_of_it_is_left(rate_hz, hz, factor):
    """What averaging leaves of 100 µV shrinks at least eightfold; the rest changes little."""
    brain, mains = made(rate_hz, hz)
    together = Mains(brain + mains, rate_hz, 0).taken_from(boxed(brain + mains, factor), factor, 0)
    left = (together - boxed(brain, factor)).std(axis=1)
    before = boxed(mains, factor).std(axis=1)
    assert (before > 3).all()
    assert (left < np.maximum(before / 8, 0.6)).all()


@pytest.mark.parametrize("factor", [1, 3])
def test_without_mains_nothing_is_taken(factor):
    """Below 0.3 µV it is left alone: the same array comes back."""
    brain, _ = made(160.0, 60.0)
    smooth = signal.sosfiltfilt(signal.butter(4, 20, fs=160, output="sos"), brain, axis=1)
    slower = boxed(smooth.astype(np.float32), factor)
    assert Mains(smooth.astype(np.float32), 160.0, 0).taken_from(slower, factor, 0) is slower


def test_offset_and_drift_are_not_mistaken_for_mains():
    """A ramp of 50,000 µV a second and an offset of 0.1 V at 125 Hz, where 50 Hz is uneven."""
    ramp = (1e5 + 5e4 * np.arange(2500) / 125).astype(np.float32)[None]
    assert np.abs(Mains(ramp, 125.0, 0).taken_from(ramp, 1, 0) - ramp).max() < 0.5


def test_it_does_not_matter_how_samples_are_cut():
    """Blocks lie on the piece's grid: from a block inwards the answers are the same."""
    brain, mains = made(160.0, 60.0)
    samples = brain + mains
    whole = Mains(samples, 160.0, 0).taken_from(boxed(samples, 3), 3, 0)
    begin = 3 * 211
    part = samples[:, begin : begin + 1800]
    cut = Mains(part, 160.0, begin).taken_from(boxed(part, 3), 3, begin // 3)
    inside = slice(round(0.75 * 53.3) + 1, 600 - round(0.75 * 53.3) - 1)
    np.testing.assert_allclose(cut[:, inside], whole[:, 211:811][:, inside], atol=1e-2)


def test_less_than_a_block_is_left_alone():
    short = np.ones((2, 40), dtype=np.float32)
    assert Mains(short, 160.0, 0).taken_from(short, 1, 0) is short


def test_mains_changes_no_feature_of_the_slower_signals(invented):
    """60 Hz at 160 samples a second folds back to 6.7 Hz: agreement and size stay as they were."""
    clean = invented.background(8, 30, seed=5, rate_hz=160.0)
    time_s = np.arange(clean.shape[1]) / 160
    phase = np.arange(8)[:, None]
    noisy = clean + 150 * np.sin(2 * np.pi * 60 * time_s + phase).astype(np.float32)
    without, with_it = (
        invented.features_of(invented.in_memory(part, invented.SMALL_CAP, rate_hz=160.0))
        for part in (clean, noisy)
    )
    for name in ("neighbour_r", "neighbour_r_best", "slow_size", "rms", "mobility"):
        before, after = (invented.column(part, name) for part in (without, with_it))
        np.testing.assert_allclose(after, before, atol=0.1 * np.ptp(before) + 0.02, err_msg=name)
    assert (invented.column(with_it, "mains_60") > invented.column(without, "mains_60")).all()
