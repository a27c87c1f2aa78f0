"""Where training rows come from."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from cleanspan.training.ingredients import Ingredients, thinned_simulation
from cleanspan.training.simulator import Span
from cleanspan.training.sources import (
    all_joined,
    as_channels,
    as_hand_labels,
    injected_recording,
    injected_tables,
    read_tables,
    scalp_channels,
    simulated_tables,
)
from cleanspan.types import Channel, Role

SEED = 1003


@pytest.fixture(scope="module")
def simulated():
    return simulated_tables(SEED)


def test_channels_of_a_simulation():
    made = as_channels(("Fp1", "Cz"), 250.0, (-3000.0, 3000.0), 70.0)
    assert [(item.index, item.label, item.electrode, item.role) for item in made] == [
        (0, "Fp1", "Fp1", Role.EEG), (1, "Cz", "Cz", Role.EEG),
    ]  # fmt: skip
    assert {(item.lowest_uv, item.highest_uv, item.low_pass_hz) for item in made} == {
        (-3000.0, 3000.0, 70.0)
    }


def test_known_spans_become_the_marks_of_a_reader_who_saw_everything():
    spans = [Span("muscle", "temporal", 3.0, 2.0, ("T7",))]
    marks = as_hand_labels(spans, 60.0, recording="a")
    assert [(row.label, row.onset_s, row.duration_s, row.channels) for row in marks] == [
        ("muscle", 3.0, 2.0, ("T7",)), ("reviewed", 0.0, 60.0, ("all",)),
    ]  # fmt: skip


def test_scalp_channels_of_the_commonest_rate():
    made = [
        Channel(0, "Fp1", Role.EEG, "Fp1", 250.0), Channel(1, "C3", Role.EEG, "C3", 500.0),
        Channel(2, "Cz", Role.EEG, "Cz", 250.0), Channel(3, "ECG", Role.HEART, None, 250.0),
    ]  # fmt: skip
    assert [item.label for item in scalp_channels(made)] == ["Fp1", "Cz"]
    assert [item.label for item in scalp_channels(made, ("Cz", "C3", "Pz"))] in (["Cz"], ["C3"])
    assert scalp_channels(made, ("Pz",)) == ()


def test_a_simulation_is_the_same_again_and_another_by_another_seed(simulated):
    again = simulated_tables(SEED)
    np.testing.assert_array_equal(again.windows.features, simulated.windows.features)
    assert set(simulated.windows.person) == {f"simulated-{SEED}"}


def test_some_headers_state_their_pass_band_and_some_do_not():
    """By name, and names of one length must not all fall on one side."""
    import zlib

    stated = [zlib.crc32(f"simulated-{seed}".encode()) % 2 == 0 for seed in range(1000, 1600)]
    assert 0.4 < np.mean(stated) < 0.6


def test_thinning_keeps_every_label_and_less_of_the_rest(simulated):
    thin = thinned_simulation(SEED)
    assert len(thin.windows) < len(simulated.windows)
    for label, truth in simulated.windows.truth.items():
        had, kept = (truth == 1).sum(), (thin.windows.truth[label] == 1).sum()
        assert kept >= 0.4 * had
    blinks = (simulated.events.truth["blink"] == 1).sum()
    assert (thin.events.truth["blink"] == 1).sum() == blinks


def test_a_read_recording_as_a_smaller_cap_would_have_had_it(invented, tmp_path):
    samples = invented.background(19, 20, seed=1)
    path = invented.write_edf(tmp_path / "anna.edf", samples)
    marks = as_hand_labels([Span("muscle", "", 5.0, 5.0, ("C3",))], 20.0, recording="anna.edf")
    whole = read_tables(path, marks, person="anna")
    small = read_tables(path, marks, person="anna", electrodes=invented.SMALL_CAP)
    assert set(whole.windows.channel) == set(invented.CAP)
    assert set(small.windows.channel) == set(invented.SMALL_CAP)
    for made in (whole, small):
        mine = made.windows.channel == "C3"
        assert (made.windows.truth["muscle"][mine] == 1).any()


def test_faults_are_injected_into_copies_and_known(invented, tmp_path):
    samples = invented.background(19, 40, seed=2)
    path = invented.write_edf(tmp_path / "anna.edf", samples)
    before = path.read_bytes()
    marks = as_hand_labels(
        [Span("contact loss", "floating", 30.0, 5.0, ("O1",))], 40.0, recording="x"
    )
    made, labels = injected_recording(
        path, marks, seed=1, electrodes=invented.SMALL_CAP, longest_s=35.0
    )
    assert made.duration_s == 35.0
    assert [item.electrode for item in made.channels] == list(invented.SMALL_CAP)
    injected = [row for row in labels if row.label == "contact loss"]
    assert injected
    assert path.read_bytes() == before
    # the reader's own mark is no truth about what was injected: nothing is known there
    doubts = [row for row in labels if row.label == "unsure" and row.onset_s == 30.0]
    assert [(row.duration_s, row.note) for row in doubts] == [(5.0, "contact loss")]
    tables = injected_tables(
        path, marks, person="anna", seed=1, electrodes=invented.SMALL_CAP, longest_s=35.0
    )
    assert set(tables.windows.truth) == {"contact loss"}
    assert (tables.windows.truth["contact loss"] == 1).sum() > 5
    assert len(tables.events) == 0


def test_ingredients_without_a_person(table):
    from cleanspan.training.dataset import Tables

    made = Tables(table(10), table(4))
    parts = Ingredients(made, read=all_joined([made, made]), injected=None)
    without = parts.without(["anna"])
    assert set(without.read.windows.person) == {"bert", "cleo"}
    assert len(without.read.events) == 16
    assert without.injected is None
    assert set(without.simulated.windows.person) == {"anna", "bert", "cleo"}


def test_on_channels_that_nobody_read_only_the_faults_are_known(monkeypatch, table):
    from cleanspan.training import ingredients
    from cleanspan.training.dataset import Tables

    made = table(60)
    names = np.where(np.arange(len(made)) % 2 == 0, "Fp1", "CP6")
    windows = replace(
        made,
        channel=names,
        truth={"contact loss": (np.arange(len(made)) % 3 == 0).astype(np.int8)},
    )
    monkeypatch.setattr(ingredients, "INJECTED_SHARES", (1.0, 1.0))
    monkeypatch.setattr(ingredients, "injected_tables", lambda *_, **__: Tables(windows, table(1)))
    kept = ingredients._injected(Path("S001R01.edf"), [], 0, 60.0).windows
    unread = kept.channel == "CP6"
    assert unread.any()
    assert (kept.truth["contact loss"][unread] == 1).all()
    assert (~unread).sum() == (names == "Fp1").sum()


def test_every_draw_and_recording_is_injected_anew(monkeypatch):
    from cleanspan.training import crosscheck

    seeds = []

    def noted(path, labels, *, seed, **_):
        seeds.append(seed)
        return SimpleNamespace(duration_s=1.0), labels

    monkeypatch.setattr(crosscheck, "injected_recording", noted)
    monkeypatch.setattr(crosscheck, "judge", lambda *_, **__: None)
    monkeypatch.setattr(crosscheck, "pooled", lambda scores, **_: len(scores))
    paths = [Path("S001R01.edf"), Path("S002R03.edf")]
    found = crosscheck.judge_injected(paths, [], None, seed=7)
    assert set(found.values()) == {2 * crosscheck.DRAWS}
    assert len(set(seeds)) == 2 * crosscheck.DRAWS
