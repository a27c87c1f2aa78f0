"""Findings about polarity: recordings and channels that are the wrong way round."""

import numpy as np
import pytest

from cleanspan.features.humps import Humps

NAMES = ("Fp1", "Fp2", "F3", "F4", "C3", "C4", "O1", "O2")
SHARES = (1.0, 0.95, 0.45, 0.45, 0.12, 0.12, 0.03, 0.03)
RATE_HZ, SECONDS = 250.0, 90


def session(blink_uv, count=15, *, seed=4):
    """Brain that neighbours share, and blinks of a height at Fp1, largest at the front."""
    rng = np.random.default_rng(seed)
    n = int(SECONDS * RATE_HZ)
    slow = np.cumsum(rng.normal(size=(1 + len(NAMES), n)), axis=1)
    for row in slow:
        row -= np.convolve(row, np.ones(500) / 500, mode="same")
    samples = 8 * slow[:1] / slow[0].std() + 4 * slow[1:] / slow[1:].std(axis=1, keepdims=True)
    time_s = np.arange(n) / RATE_HZ
    for peak_s in np.linspace(3, SECONDS - 4, count):
        lid = np.exp(-0.5 * ((time_s - peak_s) / 0.07) ** 2)
        samples += blink_uv * np.outer(SHARES, lid)
    return samples.astype(np.float32)


def polarities(screen, samples):
    found = screen(samples, NAMES, rate_hz=RATE_HZ).findings
    return [finding.channels for finding in found if finding.kind == "polarity"]


def test_blinks_upwards_are_as_they_should_be(screen):
    """Positive at Fp1/Fp2: handbook knowledge of the trade."""
    assert polarities(screen, session(180.0)) == []


def test_blinks_downwards_put_the_polarity_in_doubt(screen):
    assert polarities(screen, session(-180.0)) == [("Fp1", "Fp2")]


@pytest.mark.parametrize("count", [0, 4])
def test_too_few_humps_say_nothing(screen, count):
    assert polarities(screen, session(-180.0, count)) == []


def test_humps_that_are_larger_elsewhere_are_not_blinks(screen):
    samples = session(-60.0) * 1.5
    samples[4:6] -= 3 * session(60.0)[:2] - 3 * session(0.0)[:2]
    assert polarities(screen, samples) == []


def test_a_channel_against_all_its_neighbours_is_named(screen):
    samples = session(180.0)
    samples[3] *= -1
    assert polarities(screen, samples) == [("F4",)]


def test_the_valley_between_two_blinks_is_no_hump_downwards():
    """Pairs of blinks half a second apart: the valley is deep, but lies where the trace rests."""
    time_s = np.arange(30 * 50) / 50
    trace = np.zeros_like(time_s)
    for peak_s in np.arange(3, 27, 4):
        for beside_s in (0.0, 0.5):
            trace += 200 * np.exp(-0.5 * ((time_s - peak_s - beside_s) / 0.07) ** 2)
    trace -= 150 * np.exp(-0.5 * ((time_s - 28) / 0.07) ** 2)  # one that does point downwards
    humps = Humps(2, (0, 1))
    slow = np.stack((trace, 0.9 * trace)).astype(np.float32)
    humps.add(slow, 50.0, window_s=(0.0, 30.0), origin_s=0.0)
    assert (humps.up, humps.down) == (12, 1)
