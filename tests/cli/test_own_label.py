"""A lab's own label goes through every output without a line of code about it."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from edfio import Edf, EdfSignal, read_edf

from cleanspan.cli import main
from cleanspan.config import SegmentRule
from cleanspan.labelling.model import save_model
from cleanspan.training.dataset import Table
from cleanspan.training.fitting import Recipe, Sample, View, fit_panel
from cleanspan.training.simulator import Amplifier, Burst, Muscle, Scenario, simulate
from cleanspan.training.sources import WINDOW_LABELS, all_joined, simulation_tables

OWN = "swallowing"
CAP = ("Fp1", "Fp2", "T7", "Cz", "T8", "O2")
LABELS = ("blink", *WINDOW_LABELS, OWN)
QUICK = Recipe(
    views={label: (View((6,), 0.003, 1),) for label in LABELS}, epochs=12, folds=2, most_rows=4000
)


def simulated(number):
    scenario = Scenario(
        duration_s=30.0,
        electrodes=CAP,
        amplifier=Amplifier(rate_hz=200.0),
        muscle=Muscle(bursts=(Burst("left temple", 8.0, 6.0, 80.0),)),
    )
    return simulate(number, scenario=scenario)


def with_own_label(table: Table) -> Table:
    """What the readers of this lab call swallowing is what others call muscle."""
    return dataclasses.replace(table, truth={**table.truth, OWN: table.truth["muscle"]})


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    root = tmp_path_factory.mktemp("own")
    tables = all_joined([simulation_tables(simulated(n), name=f"s{n}") for n in range(4)])
    windows = [Sample(with_own_label(tables.windows))]
    model = root / "model"
    model.mkdir()
    save_model(
        model,
        name="lab",
        windows=fit_panel("windows", windows, (*WINDOW_LABELS, OWN), recipe=QUICK),
        events=fit_panel("events", [Sample(tables.events)], ("blink",), recipe=QUICK),
        rules={OWN: SegmentRule(begin_at=0.5, keep_above=0.4)},
        facts={},
        card="",
    )
    made = simulated(77)
    signals = [
        EdfSignal(
            np.clip(samples, -3000, 3000).astype(float),
            200,
            label=name,
            physical_dimension="uV",
            physical_range=(-3000, 3000),
        )
        for name, samples in zip(CAP, made.samples_uv, strict=True)
    ]
    Edf(signals).write(root / "r.edf")
    paths = [str(root / "r.edf"), "--out", str(root / "out"), "--model", str(model)]
    with pytest.raises(SystemExit) as caught:
        main(["screen", *paths, "--bids", "-q"])
    assert (caught.value.code or 0) == 0
    return root / "out"


def test_it_has_segments(results):
    segments = pd.read_csv(results / "r" / "r_segments.csv")
    own = segments[segments["label"] == OWN]
    assert "T7" in set(own["channel"])
    assert own["onset_s"].between(6, 10).any()


def test_it_has_a_share_in_the_tables(results):
    channels = pd.read_csv(results / "r" / "r_channels.csv").set_index("channel")
    assert channels.loc["T7", f"{OWN}_share"] > 0.05
    assert f"{OWN}_share" in pd.read_csv(results / "summary.csv").columns


def test_it_has_probabilities(results):
    assert OWN in pd.read_parquet(results / "r" / "r_windows.parquet").columns


def test_it_is_marked_in_the_copy(results):
    texts = {note.text for note in read_edf(results / "r" / "r_marked.edf").annotations}
    assert f"{OWN}@@T7" in texts


def test_plans_that_count_every_label_count_it(results):
    reasons = pd.read_csv(results / "r" / "r_usable.csv").set_index("channel")
    assert reasons.loc["T7", "bad_s"] > 1


def test_it_stands_on_the_page(results):
    assert OWN in (results / "r" / "r_report.html").read_text()
