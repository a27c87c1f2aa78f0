"""Electrodes made to fail in open recordings by plain formulas, not by the injector.

What an open lead shows is common practice: mains far above everything else, a random walk,
amplifier noise of a few µV, pops on top of the EEG, or mains cut off at a limit that the header
does not tell. The shipped model has learned from these
recordings with other faults in them, so this shows that it is told what fails, not how well a
stranger's recording fares.
"""

import os
import zlib
from pathlib import Path

import numpy as np
import pytest

from cleanspan.config import Config
from cleanspan.labelling.model import load_model
from cleanspan.recording.in_memory import ArrayRecording
from cleanspan.recording.opening import open_recording
from cleanspan.screen import screened
from cleanspan.training.open_recordings import SYSTEM_10_20
from cleanspan.training.sources import as_channels, scalp_channels
from cleanspan.training.store import shipped_model

ROOT = Path(__file__).parents[2]
DATA = Path(os.environ.get("CLEANSPAN_OPEN_DATA", ROOT.parent / "shared" / "open-data"))
PATHS = sorted((DATA / "eegmmidb").glob("*R03.edf"))[:6] + sorted((DATA / "eegmat").glob("*.edf"))
LENGTH_S = 60.0
pytestmark = pytest.mark.skipif(not PATHS, reason="the open recordings are not here")


def hum(rng, own_uv, rate_hz):
    times_s = np.arange(own_uv.size) / rate_hz
    mains = rng.uniform(100, 2000) * np.sin(2 * np.pi * 50 * times_s)
    return mains + rng.normal(0, rng.uniform(0.5, 5), own_uv.size)


def walk(rng, own_uv, rate_hz):
    steps = np.cumsum(rng.standard_normal(own_uv.size))
    return steps / steps.std() * rng.uniform(50, 1000)


def amplifier_noise(rng, own_uv, rate_hz):
    return rng.normal(0, rng.uniform(1, 3), own_uv.size)


def pops(rng, own_uv, rate_hz):
    """About two a second, over within a few tenths of a second; the EEG stays beneath."""
    signal_uv = np.zeros(own_uv.size)
    seconds = own_uv.size / rate_hz
    moments_s = np.arange(0, seconds, 0.5) + rng.uniform(0, 0.3, int(np.ceil(seconds / 0.5)))
    for moment_s in moments_s:
        first = int(moment_s * rate_hz)
        since_s = np.arange(max(own_uv.size - first, 0)) / rate_hz
        height_uv = rng.choice([-1, 1]) * rng.uniform(150, 600)
        signal_uv[first:] += height_uv * np.exp(-since_s / rng.uniform(0.05, 0.2))
    return own_uv + signal_uv


def cut_off(rng, own_uv, rate_hz):
    limit_uv = rng.uniform(500, 5000)
    return np.clip(30 * hum(rng, own_uv, rate_hz), -limit_uv, limit_uv)


FAULTS = {
    "hum": hum,
    "walk": walk,
    "amplifier noise": amplifier_noise,
    "pops": pops,
    "cut off": cut_off,
}
FITTING = {"pops": ["popping"], "amplifier noise": ["floating", "flat"], "cut off": ["railed"]}
"""Kinds that fit, besides floating for all others: noise of a microvolt is as good as flat."""


@pytest.fixture(scope="module")
def model():
    return load_model(shipped_model())


def with_fault(path, name):
    """One channel fails for 15 s, another from start to end; which is where, by name."""
    source = open_recording(path)
    channels = scalp_channels(source.channels, SYSTEM_10_20)
    samples = source.span([channel.index for channel in channels], 0.0, LENGTH_S).astype(float)
    source.close()
    rate_hz = channels[0].rate_hz
    rng = np.random.default_rng(zlib.crc32(f"{path.name} {name}".encode()))
    names = [channel.electrode for channel in channels]
    # C4 of one person is bad throughout and cannot be told from what is made here.
    apart = rng.permutation([row for row, electrode in enumerate(names) if electrode != "C4"])
    spans = {}
    for row, (onset_s, end_s) in zip(apart[:2], ((20.0, 35.0), (0.0, LENGTH_S)), strict=True):
        piece = slice(round(onset_s * rate_hz), round(end_s * rate_hz))
        samples[row, piece] = FAULTS[name](rng, samples[row, piece], rate_hz)
        spans[names[row]] = (onset_s, end_s)
    limit_uv = 1.5 * float(np.abs(samples).max())
    described = as_channels(names, rate_hz, (-limit_uv, limit_uv), rate_hz / 2)
    made = ArrayRecording(samples.astype(np.float32), described, name=path.stem)
    return made, spans


def marked_s(segments, electrode, span_s):
    """Seconds of a span that a channel's segments cover."""
    own = segments[segments["channel"].astype(str) == electrode]
    end_s = own["onset_s"] + own["duration_s"]
    inside = np.minimum(end_s, span_s[1]) - np.maximum(own["onset_s"], span_s[0])
    return inside.clip(lower=0).groupby(own["kind"].astype(str)).sum().to_dict()


@pytest.mark.parametrize("name", FAULTS)
def test_plain_faults_are_marked_and_called_by_their_kind(model, name):
    found: dict[str, float] = {}
    true_s = 0.0
    for path in PATHS:
        made, spans = with_fault(path, name)
        with screened(made, config=Config(), model=model) as result:
            lost = result.segments[result.segments["label"] == "contact loss"]
            for electrode, span_s in spans.items():
                true_s += span_s[1] - span_s[0]
                for kind, seconds in marked_s(lost, electrode, span_s).items():
                    found[kind] = found.get(kind, 0.0) + seconds
    total_s = sum(found.values())
    # Mains cut off are in part called line noise only (measured: 0.89 of the time is found).
    assert total_s >= (0.8 if name == "cut off" else 0.9) * true_s
    fitting = FITTING.get(name, ["floating"])
    assert sum(found.get(kind, 0.0) for kind in fitting) >= 0.85 * total_s
