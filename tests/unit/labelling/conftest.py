"""Made recordings, and a store of features whose answers are given."""

import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from cleanspan.config import Config
from cleanspan.features.registry import RAW_NAMES
from cleanspan.features.windows import CELL_S, window_onsets
from cleanspan.screen import screened
from cleanspan.types import LABELS, SEGMENT_COLUMNS, Piece

_invented = SimpleNamespace(
    **runpy.run_path(str(Path(__file__).parents[1] / "features" / "invented.py"))
)


@pytest.fixture(scope="session")
def invented():
    return _invented


@pytest.fixture(scope="session")
def screen():
    """Screen samples with the model of plain thresholds; give a namespace of results."""

    def run(samples_uv, names=_invented.CAP, *, recording=None, model=None, **kwargs):
        made = recording or _invented.in_memory(samples_uv, names, **kwargs)
        with screened(made, config=Config(), model=model or _invented.rule_model()) as result:
            return SimpleNamespace(
                segments=result.segments,
                channels=result.channels.set_index("channel"),
                findings=result.findings,
                warnings=result.warnings,
                mains_hz=result.mains_hz,
                recording=made,
            )

    return run


class Rows:
    """Stands for a file of feature rows."""

    def __init__(self, values):
        self.held = np.asarray(values, dtype=np.float32)

    def read(self, channel, first, last):
        return self.held[channel, first:last].copy()


class GivenStore:
    """A feature store in which only what a test gives differs from calm brain activity."""

    def __init__(self, names, seconds, *, hop_s=0.5, events_s=(), leads=(0, 1)):
        self.channels = _invented.channels(names)
        self.pieces = (Piece(0.0, float(seconds)),)
        self.hop_s = hop_s
        self.onset_s, self.first = window_onsets(self.pieces, 250.0, hop_s)
        raw = np.zeros((len(names), self.onset_s.size, len(RAW_NAMES)))
        raw[..., RAW_NAMES.index("rms")] = 1.0
        self.rows = Rows(raw)
        self.n_cells, self.first_cell = [int(seconds / CELL_S)], [0]
        self.cells = Rows(np.zeros((len(names), self.n_cells[0], 2)))
        self.leads = leads
        peaks = np.array([0.5 * (begin + end) for begin, end in events_s])
        spans = np.array(events_s, dtype=float).reshape(-1, 2)
        self.times = SimpleNamespace(onset_s=spans[:, 0], peak_s=peaks, end_s=spans[:, 1])
        size = len(names)
        self.pairs = SimpleNamespace(
            difference_uv2=np.full((size, size), 100.0), variance_uv2=np.full(size, 100.0)
        )
        self.near = np.array([[k for k in range(size) if k != row][:3] for row in range(size)])
        self.humps = SimpleNamespace(up=0, down=0, depth_uv=np.zeros(size), leads=list(leads))
        frequency = np.arange(0.0, 126.0)
        self.spectra = SimpleNamespace(
            frequency_hz=frequency, density_uv2_hz=np.tile(10 / (1 + frequency), (size, 1))
        )
        self.shares = np.ones((len(events_s), size, 24), dtype=np.float32)

    def set_raw(self, name, channel, first, last, value):
        self.rows.held[channel, first:last, RAW_NAMES.index(name)] = value

    def event_features(self):
        yield 0, self.shares


class GivenPredictions:
    """Probabilities as a test gives them: zero elsewhere."""

    labels = LABELS
    window_s = 1.0
    n_event_labels = 1

    def __init__(self, store):
        self.onset_s = store.onset_s
        self.values = np.zeros((len(store.channels), store.onset_s.size, 4), dtype=np.float32)
        self.stuck, self.drowned = np.zeros((2, *self.values.shape[:2]), dtype=bool)
        self.given = np.zeros((store.times.peak_s.size, len(store.channels), 1), dtype=np.float32)

    def channel(self, row):
        return self.values[row]

    def events(self, row):
        return self.given[:, row].copy()

    def still(self, row):
        return self.stuck[row].copy()

    def humming(self, row):
        return self.drowned[row].copy()

    def set(self, label, channel, first, last, value=0.9):
        self.values[channel, first:last, LABELS.index(label)] = value


@pytest.fixture
def given():
    """Make a store and its predictions."""

    def make(names=("Fp1", "Fp2", "C3", "C4", "O1", "O2"), seconds=60, **kwargs):
        store = GivenStore(names, seconds, **kwargs)
        return store, GivenPredictions(store)

    return make


@pytest.fixture
def table():
    """Segments out of rows of (channel, label, kind, onset_s, duration_s)."""

    def make(*rows, channels=("Fp1", "Fp2", "C3", "C4", "O1", "O2")):
        made = pd.DataFrame([(*row, 0.9) for row in rows], columns=list(SEGMENT_COLUMNS))
        made["channel"] = pd.Categorical(made["channel"], channels)
        made["label"] = pd.Categorical(made["label"], LABELS)
        made["kind"] = pd.Categorical(made["kind"])
        return made.astype({"onset_s": float, "duration_s": float})

    return make
