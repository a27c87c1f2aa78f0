"""Training rows to mix with the lab's own: the shipped model's sample, else simulated anew."""

import logging
from pathlib import Path

from cleanspan.training.dataset import Tables
from cleanspan.training.sample import SAMPLE, OtherFeaturesError, load_tables
from cleanspan.training.sources import all_joined, simulated_tables
from cleanspan.training.store import shipped_model

SIMULATED_RECORDINGS = 60
logger = logging.getLogger(__name__)


def background(model: Path, *, seed: int, recordings: int = SIMULATED_RECORDINGS) -> Tables:
    """Find the rows that keep a small lab's model from forgetting what the lab has not seen.

    Rows of a model that another version of cleanspan made have other columns: the shipped ones
    take their place.

    Parameters
    ----------
    model : Path
        Folder of the model that retraining starts from.
    seed : int
        For simulating, where the model brings no sample.
    recordings : int
        How many to simulate then.

    Raises
    ------
    ModelError
        If the model's sample is damaged.
    """
    path = model / SAMPLE
    if path.is_file():
        try:
            return load_tables(path)
        except OtherFeaturesError:
            logger.info("%s was made by another version; using the shipped rows", model.name)
            return load_tables(shipped_model() / SAMPLE)
    logger.info("%s brings no training rows; simulating %d recordings", model.name, recordings)
    return all_joined([simulated_tables(seed + number) for number in range(recordings)])
