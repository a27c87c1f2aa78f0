"""What the shipped model must never do, on made recordings: no exact probability is asked for."""

import numpy as np
import pytest

from cleanspan.labelling.model import load_model
from cleanspan.training.store import shipped_model

POSTERIOR = ("P7", "P3", "Pz", "P4", "P8", "O1", "O2")


@pytest.fixture(scope="module")
def model():
    return load_model(shipped_model())


@pytest.mark.parametrize("frequency_hz", [8.5, 10.0, 12.0])
@pytest.mark.parametrize("spread", ["everywhere", "posterior"])
def test_alpha_of_100_uv_is_no_blink(invented, screen, model, spread, frequency_hz):
    """Alpha (8-13 Hz) is never an artefact, however large."""
    samples = invented.background(19, 40, seed=2, rms_uv=6)
    alpha = 50 * np.sin(2 * np.pi * frequency_hz * np.arange(samples.shape[1]) / 250)
    for row, name in enumerate(invented.CAP):
        samples[row] += alpha * (1.0 if spread == "everywhere" or name in POSTERIOR else 0.2)
    assert not (screen(samples, model=model).segments["label"] == "blink").any()


def test_blinks_on_a_calm_background_are_found_at_the_front(invented, screen, model):
    samples = invented.background(19, 60, seed=1)
    peaks_s = [5.0, 12.3, 20.9, 33.1, 50.0]
    invented.add_blinks(samples, invented.CAP, peaks_s)
    blinks = screen(samples, model=model).segments
    blinks = blinks[(blinks["label"] == "blink") & (blinks["channel"] == "Fp1")]
    middles = (blinks["onset_s"] + blinks["duration_s"] / 2).tolist()
    assert middles == pytest.approx(peaks_s, abs=0.15)


def test_three_channels_are_screened_with_a_warning(invented, screen, model):
    """A blink at the one frontal electrode of three looks like an electrode that is off."""
    samples = invented.background(3, 20, seed=1)
    result = screen(samples, ("Fp1", "C3", "O1"), model=model)
    assert any("got 3 (Fp1, C3, O1)" in said for said in result.warnings)
    assert not any(
        "comparing" in said
        for said in screen(invented.background(19, 20, seed=1), model=model).warnings
    )


def test_one_flat_channel_among_good_ones(invented, screen, model):
    samples = invented.background(19, 60, seed=1)
    samples[5, 5000:8000] = 7.0  # 20 to 32 s
    result = screen(samples, model=model)
    (row,) = result.segments[result.segments["label"] == "contact loss"].itertuples()
    assert (row.channel, row.kind) == (invented.CAP[5], "flat")
    assert row.onset_s <= 20.1
    assert row.onset_s + row.duration_s >= 31.9


def test_a_flat_stretch_has_its_edges_within_a_sixteenth_of_a_second(invented, screen, model):
    samples = invented.background(19, 60, seed=1)
    samples[5, 5000:8000] = 7.0  # 20 to 32 s
    segments = screen(samples, model=model).segments
    (row,) = segments[segments["label"] == "contact loss"].itertuples()
    assert row.onset_s == pytest.approx(20, abs=0.07)
    assert row.onset_s + row.duration_s == pytest.approx(32, abs=0.07)


@pytest.mark.parametrize("names", [("Fp1",), ("O1", "O2"), ("C3", "Cz", "C4", "Pz")])
@pytest.mark.parametrize("seconds", [1.0, 1.6, 3.0, 12.0])
def test_any_small_recording_is_screened(invented, screen, model, names, seconds):
    samples = invented.background(len(names), seconds, seed=3)
    result = screen(samples, names, model=model)
    shares = result.channels["clean_share"]
    assert ((shares >= 0) & (shares <= 1)).all()


def popped(invented, apart_s):
    """A minute with three jumps of 600 µV on one channel, each over within a third of a second."""
    samples = invented.background(19, 60, seed=1)
    times_s = np.arange(samples.shape[1]) / 250
    for onset_s in 20 + apart_s * np.arange(3):
        after_s = times_s - onset_s
        samples[5] += np.where(after_s >= 0, 600 * np.exp(-np.maximum(after_s, 0) / 0.1), 0)
    return samples


@pytest.mark.parametrize(("apart_s", "n_segments"), [(1.6, 1), (6.0, 3)])
def test_pops_close_to_each_other_are_one_loss_of_contact(
    invented, screen, model, apart_s, n_segments
):
    segments = screen(popped(invented, apart_s), model=model).segments
    lost = segments[segments["label"] == "contact loss"]
    assert set(lost["channel"]) == {invented.CAP[5]}
    assert len(lost) == n_segments
    assert lost["onset_s"].min() == pytest.approx(20, abs=0.15)
