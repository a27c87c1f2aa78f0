"""Caps of a few electrodes: learned from, told apart, and judged on people left out."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cleanspan.features.registry import WINDOW_NAMES
from cleanspan.recording.opening import open_recording
from cleanspan.training import crosscheck, ingredients, recipe
from cleanspan.training.crosscheck import SMALL_CAPS, judge_small
from cleanspan.training.dataset import Tables
from cleanspan.training.evaluation import evaluate_segments
from cleanspan.training.ingredients import Ingredients, small_caps, thinned_simulation
from cleanspan.training.open_recordings import SYSTEM_10_20
from cleanspan.training.report_card import _wrongly_lost
from cleanspan.training.simulator import Span
from cleanspan.training.sources import as_hand_labels, cut_down, simulated_tables


def test_small_caps_differ_from_each_other_and_are_the_same_again():
    caps = small_caps("S001R01.edf", 60)
    assert caps == small_caps("S001R01.edf", 60)
    assert caps != small_caps("S002R03.edf", 60)
    assert len(set(caps)) > 40
    assert {len(cap) for cap in caps} == set(range(1, 9))
    assert all(set(cap) <= set(SYSTEM_10_20) for cap in caps)
    above_an_eye = np.mean([bool({"Fp1", "Fp2"} & set(cap)) for cap in caps])
    assert 0.6 < above_an_eye < 0.9


def test_late_draws_inject_into_small_caps(monkeypatch, table):
    asked = []

    def noted(*_, electrodes, **__):
        asked.append(electrodes)
        made = table(8)
        return Tables(replace(made, truth={"contact loss": np.ones(len(made), np.int8)}), table(1))

    monkeypatch.setattr(ingredients, "injected_tables", noted)
    few = [ingredients.INJECTIONS + number for number in range(ingredients.SMALL_INJECTIONS)]
    for seed in (0, 1, *few):
        ingredients._injected(Path("S001R01.edf"), [], seed, 60.0)
    assert asked[:2] == [None, ingredients.SYSTEM_10_20]
    assert asked[2:] == ingredients.small_caps("S001R01.edf", len(few))


def test_rows_of_small_caps_are_learned_from(monkeypatch, table):
    made = {
        name: Tables(table(number), table(number + 1))
        for number, name in enumerate(("simulated", "read", "injected", "small_read"), start=3)
    }
    got = {}
    monkeypatch.setattr(
        recipe, "fit_panel", lambda kind, samples, *_, **__: got.setdefault(kind, samples)
    )
    recipe.fit(Ingredients(**made, small_injected=Tables(table(9), table(1))), recipe.Recipe())
    assert [len(sample.table) for sample in got["windows"]] == [9, 12, 18, 15, 27]
    assert [sample.weight for sample in got["windows"]] == [1, 2, 1, 1, 1]
    assert [len(sample.table) for sample in got["events"]] == [12, 15, 21]


def test_nobody_left_out_stays_in_the_small_caps(table):
    made = Tables(table(10), table(4))
    parts = Ingredients(made, made, made, small_read=made, small_injected=made).without(["anna"])
    for tables in (parts.small_read, parts.small_injected):
        assert set(tables.windows.person) == {"bert", "cleo"}


def test_a_recording_cut_down_keeps_its_samples(invented, tmp_path):
    path = invented.write_edf(tmp_path / "anna.edf", invented.background(19, 20, seed=1))
    before = path.read_bytes()
    small = cut_down(path, ("Pz", "Fp1"), longest_s=8.0)
    assert [channel.electrode for channel in small.channels] == ["Fp1", "Pz"]
    assert small.duration_s == 8.0
    whole = open_recording(path)
    rows = [item.index for item in whole.channels if item.electrode in ("Fp1", "Pz")]
    np.testing.assert_array_equal(small.span([0, 1], 0.0, 8.0), whole.span(rows, 0.0, 8.0))
    whole.close()
    assert path.read_bytes() == before


def test_a_simulation_cut_down_keeps_its_truth():
    """A channel's own muscle does not depend on how many others there are."""
    whole, small = simulated_tables(1010), simulated_tables(1010, electrodes=("Fp1", "F7", "Cz"))
    assert set(small.windows.channel) == {"Fp1", "F7", "Cz"}
    rms = WINDOW_NAMES.index("rms")
    for channel in ("F7", "Cz"):
        mine = [made.windows.rows(made.windows.channel == channel) for made in (whole, small)]
        truth = [table.truth["muscle"] for table in mine]
        np.testing.assert_array_equal(*truth)
        assert (truth[0] == 1).any()
        np.testing.assert_array_equal(*(table.features[:, rms] for table in mine))


def test_every_tenth_simulated_recording_has_a_few_electrodes():
    sizes = [len(set(thinned_simulation(seed).windows.channel)) for seed in (1000, 1003)]
    assert sizes[0] <= 8 < sizes[1]
    assert sizes[0] == len(small_caps("simulated-1000", 1)[0])


def test_small_caps_are_judged_cap_by_cap(invented, tmp_path):
    samples = invented.background(19, 60, seed=3)
    samples[invented.CAP.index("Pz"), 2500:5000] = 3.0  # flat from 10 to 20 s
    path = invented.write_edf(tmp_path / "S001R01.edf", samples)
    marks = as_hand_labels(
        [Span("contact loss", "flat", 10.0, 10.0, ("Pz",))], 60.0, recording=path.name
    )
    found = judge_small([path], marks, invented.rule_model())
    assert list(found) == [" ".join(cap) for cap in SMALL_CAPS]
    for cap, score in found.items():
        lost = score.cells["contact loss"]
        assert (lost.hit, lost.missed, lost.false) == ((10, 0, 0) if "Pz" in cap else (0, 0, 0))
    assert judge_small([], marks, invented.rule_model()) == {}


def test_a_small_cap_is_judged_without_the_other_channels(monkeypatch, invented, tmp_path):
    path = invented.write_edf(tmp_path / "S001R01.edf", invented.background(19, 60, seed=3))
    caps = []

    def noted(recording, *_, **__):
        caps.append(tuple(channel.electrode for channel in recording.channels))

    monkeypatch.setattr(crosscheck, "judge", noted)
    monkeypatch.setattr(crosscheck, "pooled", lambda scores, **_: len(scores))
    crosscheck.judge_small([path], [], None)
    assert [set(cap) for cap in caps] == [set(cap) for cap in SMALL_CAPS]


@pytest.mark.parametrize(("seconds", "share"), [(0, 0.0), (3, 0.3), (10, 1.0)])
def test_the_card_tells_the_share_of_good_seconds_called_lost(seconds, share):
    import pandas as pd

    marks = pd.DataFrame(
        [("Fp1", "contact loss", 0.0, float(seconds)), ("Cz", "contact loss", 0.0, 10.0)],
        columns=["channel", "label", "onset_s", "duration_s"],
    )
    known = as_hand_labels([Span("contact loss", "", 0.0, 10.0, ("Cz",))], 10.0, recording="a")
    score = evaluate_segments(
        marks[marks["duration_s"] > 0], known, channels=["Fp1", "Cz"], duration_s=10,
        names=("blink", "contact loss"), recording="a",
    )  # fmt: skip
    assert _wrongly_lost(score) == pytest.approx(share)
