"""Made recordings and small tables with known truth."""

import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from cleanspan.features.registry import WINDOW_NAMES
from cleanspan.training.dataset import Table

_invented = SimpleNamespace(
    **runpy.run_path(str(Path(__file__).parents[1] / "features" / "invented.py"))
)


@pytest.fixture(scope="session")
def invented():
    return _invented


@pytest.fixture
def table():
    """Rows of several people; `muscle` is told by the feature fast_size alone."""

    def make(rows_each=200, people=("anna", "bert", "cleo"), *, seed=0, unknown=0):
        rng = np.random.default_rng(seed)
        count = rows_each * len(people)
        features = rng.normal(size=(count, len(WINDOW_NAMES))).astype(np.float32)
        truth = (features[:, WINDOW_NAMES.index("fast_size")] > 0.5).astype(np.int8)
        truth[:unknown] = -1
        return Table(
            features,
            {"muscle": truth},
            np.repeat(np.array(people), rows_each),
            np.repeat(np.array([f"{who}.edf" for who in people]), rows_each),
            np.full(count, "T7"),
            np.tile(np.arange(rows_each) * 0.5, len(people)),
        )

    return make
