"""The streaming path gives what the plain path gives: all features at once, double precision."""

from pathlib import Path

import numpy as np
import pytest

from cleanspan.config import Config, Windows
from cleanspan.features.extraction import FeatureStore
from cleanspan.features.registry import EVENT_NAMES, WINDOW_NAMES
from cleanspan.labelling.model import load_model
from cleanspan.labelling.network import Head, Network, Panel, Scaling, logistic
from cleanspan.labelling.prediction import Predictions
from cleanspan.labelling.prevalence import USUAL_SHARES, reweighed, share_of
from cleanspan.screen import screened
from cleanspan.training.store import shipped_model

TOLERANCE = 1e-6
"""Single precision in three layers, against double precision, on features of single precision."""


def plain_panel(panel, names, rows):
    """The whole network in double precision, written down a second time."""
    table = rows[..., [names.index(name) for name in panel.features]].astype(float)
    scaling = panel.scaling
    scaled = np.clip((table - scaling.centre) / scaling.spread, -scaling.reach, scaling.reach)
    scaled = np.where(np.isnan(scaled), 0, scaled)
    answers = []
    for head in panel.heads:
        votes = []
        for network in head.networks:
            signal = scaled
            for weight, bias in zip(network.weights[:-1], network.biases[:-1], strict=True):
                signal = np.maximum(signal @ weight.astype(float) + bias, 0)
            votes.append(signal @ network.weights[-1].astype(float) + network.biases[-1])
        logit = np.mean(votes, axis=0)[..., 0] * head.slope + head.offset
        answers.append(1 / (1 + np.exp(-logit)))
    return np.stack(answers, axis=-1)


@pytest.fixture(scope="module")
def samples(invented):
    made = invented.background(19, 43.7, seed=21)
    invented.add_blinks(made, invented.CAP, [4.0, 9.9, 19.95, 33.3])
    made[18] += 25 * np.sin(2 * np.pi * 50 * np.arange(made.shape[1]) / 250)
    made[3, 2500:4000] = 12.0
    made[7] += 15 * np.random.default_rng(3).normal(size=made.shape[1])
    return made


@pytest.mark.parametrize("which", ["rules", "shipped"])
@pytest.mark.parametrize("block_s", [5.0, 120.0])
def test_streaming_equals_plain(invented, samples, which, block_s):
    model = invented.rule_model() if which == "rules" else load_model(shipped_model())
    recording = invented.in_memory(samples)
    whole = invented.features_of(recording, block_s=120.0)
    windows = plain_panel(model.windows, WINDOW_NAMES, whole.windows)
    # what is stuck is certain, whatever the model says
    contact = model.windows.labels.index("contact loss")
    for name in ("flat_share", "railed_share"):
        share = whole.windows[..., WINDOW_NAMES.index(name)]
        windows[..., contact] = np.maximum(windows[..., contact], share)
    events = plain_panel(model.events, EVENT_NAMES, whole.events)
    # the leads know how common blinks are in this recording
    leads = list(whole.leads)
    share = share_of(events[:, leads, 0].mean(axis=1), USUAL_SHARES["blink"])
    events[:, leads, 0] = reweighed(events[:, leads, 0], share, USUAL_SHARES["blink"])
    config = Config(windows=Windows(block_s=block_s))
    with screened(recording, config=config, model=model) as result:
        n_events = len(model.events.heads)
        for row in range(19):
            ours = result.probabilities.channel(row)
            np.testing.assert_allclose(ours[:, n_events:], windows[row], atol=TOLERANCE)
            for column in range(n_events):
                seen = [
                    max(
                        (
                            events[place, row, column]
                            for place in np.flatnonzero(
                                (whole.times.peak_s >= onset_s)
                                & (whole.times.peak_s < onset_s + 1)
                            )
                        ),
                        default=0.0,
                    )
                    for onset_s in result.probabilities.onset_s
                ]
                np.testing.assert_allclose(ours[:, column], seen, atol=TOLERANCE)


@pytest.mark.parametrize("held_at", [0.0, 87.5, 3276.7])
@pytest.mark.parametrize("which", ["rules", "shipped"])
def test_what_is_stuck_is_contact_loss_whatever_the_model_says(invented, which, held_at):
    """An amplifier that is switched off from 10 to 20 s: every channel flat at once."""
    model = invented.rule_model() if which == "rules" else load_model(shipped_model())
    made = invented.background(8, 30, seed=2)
    made[:, 2500:5000] = held_at
    recording = invented.in_memory(made, invented.SMALL_CAP)
    with screened(recording, config=Config(), model=model) as result:
        contact = result.labels.index("contact loss")
        inside = (result.probabilities.onset_s >= 10) & (result.probabilities.onset_s <= 19)
        for row in range(8):
            assert (result.probabilities.channel(row)[inside, contact] == 1).all()
        lost = result.segments[result.segments["label"] == "contact loss"]
    # the amplifier stopped: nobody's ear clip
    assert len(lost) == 8
    assert set(lost["kind"]) <= {"flat", "railed"}
    assert lost["onset_s"].tolist() == pytest.approx([10] * 8, abs=0.25)
    assert lost["duration_s"].tolist() == pytest.approx([10] * 8, abs=0.5)


@pytest.mark.parametrize("value", [0.0, -5.0])
def test_a_recording_of_one_value_is_not_called_clean(invented, value):
    recording = invented.in_memory(np.full((19, 5000), value))
    with screened(recording, config=Config(), model=load_model(shipped_model())) as result:
        assert (result.channels["clean_share"] == 0).all()
        assert (result.channels["contact_loss_share"] == 1).all()


def test_logistic_does_not_overflow():
    far = np.array([-1e30, -40, 0, 40, 1e30], dtype=np.float32)
    np.testing.assert_allclose(logistic(far), [0, 0, 0.5, 1, 1], atol=1e-12)


def test_scaling_keeps_to_its_reach_and_fills_what_is_missing():
    scaling = Scaling(np.array([10.0], np.float32), np.array([2.0], np.float32))
    rows = np.array([[10], [12], [1e9], [-1e9], [np.nan], [np.inf], [-np.inf]], np.float32)
    np.testing.assert_allclose(scaling.apply(rows)[:, 0], [0, 1, 4, -4, 0, 4, -4])


def test_rows_handled_at_a_time_do_not_matter():
    rng = np.random.default_rng(0)
    network = Network(
        (rng.normal(size=(2, 3)).astype(np.float32), rng.normal(size=(3, 1)).astype(np.float32)),
        (np.zeros(3, np.float32), np.zeros(1, np.float32)),
    )
    scaling = Scaling(np.zeros(2, np.float32), np.ones(2, np.float32))
    panel = Panel(("rms", "step"), scaling, (Head("muscle", (network,)),))
    rows = rng.normal(size=(1000, 2)).astype(np.float32)
    np.testing.assert_allclose(
        panel.probabilities(rows, at_once=7), panel.probabilities(rows), rtol=1e-5
    )
    assert panel.probabilities(rows[:0]).shape == (0, 1)


def test_heads_average_logits_before_calibration():
    """Networks that answer 1 and 3: logit 2; slope 2, offset −1: 1/(1 + e⁻³) = 0.9526."""
    one, three = (
        Network((np.zeros((1, 1), np.float32),), (np.array([value], np.float32),))
        for value in (1.0, 3.0)
    )
    head = Head("muscle", (one, three), slope=2.0, offset=-1.0)
    assert head.probability(np.zeros((1, 1), np.float32))[0] == pytest.approx(0.952574, abs=1e-5)


def test_scratch_files_are_gone_afterwards(invented, samples, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    recording = invented.in_memory(samples)
    with screened(recording, config=Config(), model=invented.rule_model()):
        assert list(tmp_path.rglob("*"))
    assert list(tmp_path.iterdir()) == []
    stop = RuntimeError("in the block")
    with (
        pytest.raises(RuntimeError, match="in the block"),
        screened(recording, config=Config(), model=invented.rule_model()),
    ):
        raise stop
    assert list(Path(tmp_path).iterdir()) == []


@pytest.mark.parametrize("mains_hz", [50, 60])
def test_a_window_hums_where_mains_drown_it_and_did_not_before(invented, mains_hz, tmp_path):
    """Loud from 20 to 30 s on one channel, throughout on another, faint on a third."""
    samples = invented.background(8, 60, seed=22)
    time_s = np.arange(samples.shape[1]) / 250
    hum = np.sin(2 * np.pi * mains_hz * time_s)
    loud = (time_s >= 20) & (time_s < 30)
    samples[0] += 200 * hum * loud
    samples[1] += 200 * hum
    samples[2] += 10 * hum * loud
    recording = invented.in_memory(samples, invented.SMALL_CAP)
    with FeatureStore(recording, recording.channels, windows=Windows(), scratch=tmp_path) as store:
        predictions = Predictions(store, invented.rule_model(), tmp_path)
        humming = [predictions.humming(row) for row in range(3)]
        inside = (store.onset_s >= 20) & (store.onset_s <= 29)
        away = (store.onset_s <= 19) | (store.onset_s >= 30)
        predictions.close()
    assert humming[0][inside].all()
    assert not humming[0][away].any()
    assert not humming[1].any()
    assert not humming[2].any()
