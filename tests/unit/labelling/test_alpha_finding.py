"""A cap put on back to front shows as alpha at the front."""

import numpy as np
import pytest

from cleanspan.config import Windows
from cleanspan.features.extraction import FeatureStore
from cleanspan.labelling.findings import _alpha
from cleanspan.recording.electrodes import position
from cleanspan.recording.in_memory import ArrayRecording
from cleanspan.training.open_recordings import SYSTEM_10_20
from cleanspan.types import Channel, Role

NAMES = SYSTEM_10_20
RATE_HZ = 200.0


def found(names, *, alpha_uv, tmp_path):
    rng = np.random.default_rng(3)
    n = round(60 * RATE_HZ)
    common = np.cumsum(rng.standard_normal(n)) * 0.2
    alpha = alpha_uv * np.sin(2 * np.pi * 10 * np.arange(n) / RATE_HZ)
    # Alpha falls off from the back of the real head, whatever the plugs are called.
    share = np.array([0.6 - 0.4 * position(name)[1] for name in NAMES])
    samples = share[:, None] * alpha + common + 4 * rng.standard_normal((len(NAMES), n))
    channels = [
        Channel(index=i, label=name, role=Role.EEG, electrode=name, rate_hz=RATE_HZ)
        for i, name in enumerate(names)
    ]
    recording = ArrayRecording(samples, channels)
    with FeatureStore(recording, channels, windows=Windows(), scratch=tmp_path) as store:
        return list(_alpha(store))


def test_alpha_at_the_back_is_as_it_should_be(tmp_path):
    assert found(NAMES, alpha_uv=30, tmp_path=tmp_path) == []


def test_plugs_back_to_front_are_noticed(tmp_path):
    swapped = tuple(dict(zip(NAMES, reversed(NAMES), strict=True))[name] for name in NAMES)
    (finding,) = found(swapped, alpha_uv=30, tmp_path=tmp_path)
    assert finding.kind == "position"
    assert "back to front" in finding.text


@pytest.mark.parametrize("names", [NAMES, tuple(reversed(NAMES))])
def test_without_alpha_nothing_is_said(names, tmp_path):
    assert found(names, alpha_uv=0.5, tmp_path=tmp_path) == []
