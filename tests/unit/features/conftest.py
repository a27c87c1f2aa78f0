"""The builders of `invented.py`; loaded by path, as the tests are no package."""

import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

_invented = SimpleNamespace(**runpy.run_path(str(Path(__file__).with_name("invented.py"))))


@pytest.fixture(scope="session")
def invented():
    return _invented


@pytest.fixture(scope="session")
def busy_minute():
    """57.3 s of everything: background, blinks, mains, muscle, flat, railed and stepping parts."""
    rate_hz, seconds = 250.0, 57.3
    made = _invented
    samples = made.background(len(made.CAP), seconds, seed=11)
    rng = np.random.default_rng(12)
    # 20.2 and 39.7 lie at the edges of chunks; the close ones crowd each other
    made.add_blinks(samples, made.CAP, [3.0, 9.7, 20.2, 20.6, 21.1, 30.0, 39.7, 40.25, 52.0, 56.9])
    time_s = np.arange(samples.shape[1]) / rate_hz
    row = made.CAP.index
    samples[row("O2")] += 25 * np.sin(2 * np.pi * 50 * time_s)
    samples[row("T7"), 5000:8000] += 40 * rng.normal(size=3000)
    samples[row("Pz"), 2500:5000] = samples[row("Pz"), 2500]
    samples[row("F8"), 9000:10000] = made.LIMIT_UV
    samples[row("C3"), 11000:] += 200
    return samples
