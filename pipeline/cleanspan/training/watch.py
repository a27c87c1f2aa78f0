"""Whether recordings look like what a model learned from."""

from pathlib import Path

from cleanspan.config import Windows
from cleanspan.errors import ModelError
from cleanspan.features.extraction import FeatureStore
from cleanspan.features.registry import WINDOW_NAMES
from cleanspan.labelling.drift import Drift, load_reference, measure_drift
from cleanspan.labelling.model import Model
from cleanspan.labelling.network import columns_of
from cleanspan.recording.opening import open_recording
from cleanspan.scratch import scratch_folder
from cleanspan.training.lessons import screened


def watch_recording(path: Path, model: Model) -> Drift:
    """Measure a recording's drift from a model's training data.

    Raises
    ------
    RecordingError
        If it cannot be read.
    ModelError
        If the model brings no quantiles of its training data.
    """
    reference = load_reference(model.folder, model.windows.features)
    if reference is None:
        raise ModelError(
            f"{model.folder}: a model must bring quantiles of its training data to watch drift, "
            "got none; retrain it"
        )
    columns = columns_of(WINDOW_NAMES, model.windows.features)
    recording = open_recording(path)
    try:
        with (
            scratch_folder() as scratch,
            FeatureStore(
                recording, screened(recording), windows=Windows(), scratch=scratch
            ) as store,
        ):
            blocks = (
                features[:, columns]
                for row in range(len(store.channels))
                for _, features in store.window_features(row)
            )
            return measure_drift(blocks, reference)
    finally:
        recording.close()
