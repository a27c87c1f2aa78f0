"""Small models with invented weights: what they say does not matter here."""

import itertools

import numpy as np
import pytest

from cleanspan.config import SegmentRule
from cleanspan.labelling.model import save_model
from cleanspan.labelling.network import Head, Network, Panel, Scaling

WINDOW_FEATURES = ("rms", "band_1_4")
EVENT_FEATURES = ("lead_height",)


def panel(features, labels, rng):
    def network():
        sizes = (len(features), 3, 1)
        weights = [rng.normal(size=pair) for pair in itertools.pairwise(sizes)]
        biases = [rng.normal(size=size) for size in sizes[1:]]
        return Network(
            tuple(w.astype(np.float32) for w in weights),
            tuple(b.astype(np.float32) for b in biases),
        )

    ones = np.ones(len(features), dtype=np.float32)
    return Panel(
        features, Scaling(0 * ones, ones), tuple(Head(name, (network(),)) for name in labels)
    )


@pytest.fixture
def make_model(tmp_path):
    def make(name="small", *, seed=0, extra=(), folder=None, arrays=None):
        rng = np.random.default_rng(seed)
        folder = folder or tmp_path / "made" / f"{name}-{seed}"
        folder.mkdir(parents=True)
        save_model(
            folder,
            name=name,
            windows=panel(WINDOW_FEATURES, ("muscle", "line noise", "contact loss", *extra), rng),
            events=panel(EVENT_FEATURES, ("blink",), rng),
            rules={"muscle": SegmentRule(begin_at=0.6)},
            facts={"training": {"people": 3}},
            card=f"# {name}\n",
            extra_arrays=arrays,
        )
        return folder

    return make
