"""Drift on open recordings: another laboratory's recordings look unusual, its own do not."""

import os
import tempfile
from pathlib import Path

import numpy as np
import pytest

from cleanspan.config import Windows
from cleanspan.features.extraction import FeatureStore
from cleanspan.features.registry import WINDOW_NAMES
from cleanspan.labelling.drift import learn_reference, measure_drift
from cleanspan.recording.opening import open_recording
from cleanspan.training.lessons import screened

BESIDE = Path(__file__).parents[3] / "shared" / "open-data"
DATA = Path(os.environ.get("CLEANSPAN_OPEN_DATA", BESIDE))
CAP = {
    *("Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8", "T7", "C3", "Cz"),
    *("C4", "T8", "P7", "P3", "Pz", "P4", "P8", "O1", "O2"),
}

pytestmark = pytest.mark.skipif(
    not (DATA / "eegmat").is_dir(), reason="the open data are not here"
)


def rows_of(path):
    recording = open_recording(path)
    channels = [channel for channel in screened(recording) if channel.electrode in CAP]
    with (
        tempfile.TemporaryDirectory() as scratch,
        FeatureStore(recording, channels, windows=Windows(), scratch=Path(scratch)) as store,
    ):
        rows = [part for row in range(len(channels)) for _, part in store.window_features(row)]
    recording.close()
    return np.concatenate(rows)


@pytest.fixture(scope="module")
def own():
    return [rows_of(path) for path in sorted((DATA / "eegmmidb").glob("*.edf"))]


def reference_of(parts):
    names = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    return learn_reference(np.concatenate(parts), names, WINDOW_NAMES)


def test_another_laboratorys_recordings_are_mostly_unusual(own):
    """Another amplifier, 500 Hz, filtered and cleaned by its authors: three of four stand out."""
    reference = reference_of(own)
    paths = sorted((DATA / "eegmat").glob("*.edf"))
    drifts = [measure_drift([rows_of(path)], reference) for path in paths]
    assert len(drifts) == 4
    assert sum(drift.unusual for drift in drifts) >= 3


def test_most_recordings_of_the_same_laboratory_are_not(own):
    unusual = [
        measure_drift([part], reference_of(own[:place] + own[place + 1 :])).unusual
        for place, part in enumerate(own)
    ]
    assert sum(unusual) <= 1
