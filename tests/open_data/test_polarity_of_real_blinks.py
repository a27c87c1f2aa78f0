"""Real blinks point upwards; the same recordings turned round are found out."""

import os
from dataclasses import replace
from pathlib import Path

import pytest

from cleanspan.config import Windows
from cleanspan.features.extraction import FeatureStore
from cleanspan.labelling.polarity import polarity_findings
from cleanspan.recording.in_memory import ArrayRecording
from cleanspan.recording.opening import open_recording
from cleanspan.training.sources import scalp_channels

BESIDE = Path(__file__).parents[3] / "shared" / "open-data"
DATA = Path(os.environ.get("CLEANSPAN_OPEN_DATA", BESIDE))

pytestmark = pytest.mark.skipif(
    not (DATA / "eegmmidb").is_dir(), reason="the open data are not here"
)


def polarities(recording, channels, folder):
    store = FeatureStore(recording, channels, windows=Windows(), scratch=folder)
    try:
        return [finding.channels for finding in polarity_findings(store)]
    finally:
        store.close()


@pytest.mark.parametrize("folder", ["eegmmidb", "eegmat"])
def test_no_recording_as_it_is_looks_turned_round(folder, tmp_path):
    """Schalk et al. 2004 and Zyma et al. 2019, PhysioNet: 20 recordings, 18 people."""
    paths = sorted((DATA / folder).glob("*.edf"))
    assert paths
    for path in paths:
        recording = open_recording(path)
        assert polarities(recording, scalp_channels(recording.channels), tmp_path) == []
        recording.close()


@pytest.mark.parametrize("name", ["S003R01", "S008R03", "S016R03"])
def test_a_recording_turned_round_is_found_out(name, tmp_path):
    """Three of those in which people blink often and plainly."""
    recording = open_recording(DATA / "eegmmidb" / f"{name}.edf")
    channels = scalp_channels(recording.channels)
    samples = recording.span([channel.index for channel in channels], 0, recording.duration_s)
    recording.close()
    described = tuple(replace(channel, index=row) for row, channel in enumerate(channels))
    turned = ArrayRecording(-samples, described, name="turned round")
    assert polarities(turned, described, tmp_path) == [("Fp1.", "Fp2.")]
