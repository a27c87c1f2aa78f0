"""Simulated recordings and their ground truth, checked by measuring the samples alone."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from cleanspan.training.simulator import (
    Amplifier,
    Brain,
    Burst,
    Eyes,
    Fault,
    Mains,
    Muscle,
    Scenario,
    random_scenario,
    simulate,
)
from cleanspan.training.simulator.muscle import muscle_wave
from cleanspan.training.simulator.noise import power_law, shaped_noise

LABELS = {"blink", "muscle", "line noise", "contact loss", "other", "unsure"}
STILL = Eyes(blinks_per_minute=0, lateral_per_minute=0, vertical_per_minute=0)
QUIET = Scenario(eyes=STILL, heart_uv=0.0, mains=Mains(common_uv=0.0))


def spans(simulated, label):
    return [span for span in simulated.labels if span.label == label]


def row(simulated, channel):
    return simulated.samples_uv[simulated.electrodes.index(channel)]


def cut(simulated, channel, onset_s, duration_s):
    first, last = (round(t * simulated.rate_hz) for t in (onset_s, onset_s + duration_s))
    return row(simulated, channel)[first:last].astype(float)


def rms_between(samples, rate_hz, low_hz, high_hz):
    frequency, density = signal.periodogram(samples, rate_hz, window="hann")
    inside = (frequency >= low_hz) & (frequency <= high_hz)
    return float(np.sqrt(density[inside].sum() * frequency[1]))


def test_same_seed_same_samples_other_seed_others():
    one, same, other = (simulate(seed, scenario=Scenario(duration_s=5)) for seed in (1, 1, 2))
    np.testing.assert_array_equal(one.samples_uv, same.samples_uv)
    assert one.labels == same.labels
    assert not np.array_equal(one.samples_uv, other.samples_uv)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6))
def test_any_random_scenario_keeps_the_contract(seed):
    rng = np.random.default_rng(seed)
    scenario = random_scenario(rng, duration_s=12.0)
    simulated = simulate(rng, scenario=scenario)
    shape = (len(simulated.electrodes), round(12 * simulated.rate_hz))
    assert simulated.samples_uv.shape == shape
    assert simulated.samples_uv.dtype == np.float32
    assert np.isfinite(simulated.samples_uv).all()
    assert np.abs(simulated.samples_uv).max() <= simulated.facts.highest_uv * (1 + 1e-6)
    for span in simulated.labels:
        assert span.label in LABELS
        assert 0 <= span.onset_s < span.onset_s + span.duration_s <= 12.0 + 1e-3
        assert span.channels
        assert set(span.channels) <= set(simulated.electrodes)
        if span.label in ("other", "unsure", "contact loss"):
            assert span.kind


@pytest.mark.parametrize("rate_hz", [125.0, 160.0, 250.0, 512.0])
def test_truth_does_not_drift_against_the_samples(rate_hz):
    # A block of a quarter second is no whole number of samples at 125 and 250 Hz.
    scenario = replace(
        QUIET,
        amplifier=Amplifier(rate_hz=rate_hz, low_pass_hz=50),
        faults=(Fault("popping", "P3", 58.0, 0.5, 900.0),),
    )
    simulated = simulate(5, scenario=scenario)
    found = spans(simulated, "contact loss")
    assert {span.kind for span in found} == {"popping"}
    step_s = float(np.argmax(np.abs(np.diff(row(simulated, "P3"))))) / rate_hz
    assert found[0].onset_s <= step_s + 0.02
    assert found[0].onset_s == pytest.approx(58.0, abs=0.26)


@pytest.mark.parametrize("seed", range(4))
def test_blinks_are_where_the_front_rises(seed):
    scenario = replace(
        QUIET, eyes=replace(STILL, blinks_per_minute=15, blink_uv=200), brain=Brain(10)
    )
    simulated = simulate(seed, scenario=scenario)
    blinks = spans(simulated, "blink")
    assert len(blinks) >= 4
    for span in blinks:
        assert {"Fp1", "Fp2"} <= set(span.channels)
        assert 0.1 < span.duration_s < 0.8
        before = cut(simulated, "Fp1", max(span.onset_s - 0.1, 0), 0.1)
        during = cut(simulated, "Fp1", span.onset_s, span.duration_s)
        if span.onset_s > 0.1:
            assert during.max() - np.median(before) > 30


def test_a_rhythm_of_one_place_is_largest_there_and_clean():
    still = Eyes(blinks_per_minute=0, lateral_per_minute=0, vertical_per_minute=0)
    quiet = Scenario(duration_s=20.0, eyes=still)
    brain = replace(quiet.brain, focal_uv=40.0, focal_hz=9.0, focal_at="Pz")
    before, after = (simulate(6, scenario=made) for made in (quiet, replace(quiet, brain=brain)))
    sections = signal.butter(2, [7, 11], "bandpass", fs=before.rate_hz, output="sos")
    small, large = (
        signal.sosfiltfilt(sections, made.samples_uv, axis=1).std(axis=1)
        for made in (before, after)
    )
    grown = large / small
    assert after.electrodes[int(np.argmax(grown))] == "Pz"
    assert grown.max() > 2
    assert not [span for span in after.labels if span.label == "contact loss"]


def test_eyes_closed_have_alpha_at_the_back_and_no_blinks():
    scenario = replace(
        QUIET,
        eyes=Eyes(closed=((0.0, 60.0),)),
        brain=Brain(background_uv=12, alpha_uv=35, frontal_slow_uv=60),
    )
    simulated = simulate(11, scenario=scenario)
    assert not spans(simulated, "blink")
    back = rms_between(row(simulated, "O1"), simulated.rate_hz, 8, 13)
    front = rms_between(row(simulated, "Fp1"), simulated.rate_hz, 8, 13)
    assert back > 1.5 * front
    assert back > 12


def test_line_noise_follows_its_definition():
    scenario = replace(
        QUIET, mains=Mains(60.0, common_uv=0.0, channels=(("O2", 25.0), ("F3", 1.0)), drift=0.05)
    )
    simulated = simulate(4, scenario=scenario)
    marked = {name for span in spans(simulated, "line noise") for name in span.channels}
    assert marked == {"O2"}
    for span in spans(simulated, "line noise"):
        samples = cut(simulated, "O2", span.onset_s, span.duration_s)
        hum = rms_between(samples, simulated.rate_hz, 59, 61)
        assert hum >= 0.5 * rms_between(samples, simulated.rate_hz, 1, 40)
    whole = row(simulated, "F3")
    hum = rms_between(whole, simulated.rate_hz, 59, 61)
    assert hum < 0.35 * rms_between(whole, simulated.rate_hz, 1, 40)


def test_line_noise_of_an_appliance_is_there_while_it_is_on():
    mains = Mains(50.0, common_uv=0.0, channels=(("C3", 40.0),), drift=0.0, spans=((20.0, 15.0),))
    simulated = simulate(4, scenario=replace(QUIET, mains=mains))
    (found,) = spans(simulated, "line noise")
    assert found.onset_s == pytest.approx(20.0, abs=0.7)
    assert found.duration_s == pytest.approx(15.0, abs=1.0)
    off = cut(simulated, "C3", 2.0, 15.0)
    assert rms_between(off, simulated.rate_hz, 49, 51) < 1


def test_strong_burst_is_muscle_where_and_when_it_is():
    burst = Burst("left temple", 20.0, 3.0, 80.0)
    simulated = simulate(6, scenario=replace(QUIET, muscle=Muscle(bursts=(burst,))))
    found = [span for span in spans(simulated, "muscle") if "T7" in span.channels]
    assert len(found) == 1
    assert found[0].onset_s == pytest.approx(20.0, abs=0.5)
    assert found[0].duration_s == pytest.approx(3.0, abs=1.0)
    inside = rms_between(cut(simulated, "T7", 20.5, 2), simulated.rate_hz, 20, 70)
    outside = rms_between(cut(simulated, "T7", 40, 2), simulated.rate_hz, 20, 70)
    assert inside > 3 * outside


def test_jaw_muscle_reaches_all_channels_through_the_ears():
    # Kappel et al. 2017: with an ear reference, jaw muscle is on every channel.
    muscle = Muscle(bursts=(Burst("left jaw", 10.0, 2.0, 120.0),))
    by_ears = simulate(2, scenario=replace(QUIET, muscle=muscle))
    inside = [rms_between(by_ears.samples_uv[k, 2600:2900], 250, 20, 70) for k in range(19)]
    outside = [rms_between(by_ears.samples_uv[k, 7600:7900], 250, 20, 70) for k in range(19)]
    assert np.all(np.array(inside) > 2 * np.array(outside))


def test_muscle_has_most_of_its_power_between_20_and_300_hz():
    wave = muscle_wave(np.random.default_rng(1), 60_000, rate_hz=1000.0)
    inside = rms_between(wave, 1000.0, 20, 300)
    assert inside > 0.9 * rms_between(wave, 1000.0, 0.5, 499)


def test_flat_is_one_value_and_its_edges_are_exact():
    simulated = simulate(3, scenario=replace(QUIET, faults=(Fault("flat", "Pz", 8, 4, 0.0),)))
    (span,) = spans(simulated, "contact loss")
    assert (span.kind, span.onset_s, span.duration_s, span.channels) == ("flat", 8, 4, ("Pz",))
    assert np.ptp(cut(simulated, "Pz", 8, 4)) == 0
    assert np.ptp(cut(simulated, "Pz", 12.1, 2)) > 5


def test_railed_sits_at_the_limit_of_the_range():
    amplifier = Amplifier(bits=12, lsb_uv=0.5, range_uv=1000.0)
    scenario = replace(QUIET, amplifier=amplifier, faults=(Fault("railed", "Pz", 5, 3, 0.0),))
    simulated = simulate(3, scenario=scenario)
    samples = cut(simulated, "Pz", 5, 3)
    assert np.abs(samples).min() == pytest.approx(simulated.facts.highest_uv)


@pytest.mark.parametrize("strength", [3.0, 200.0])
def test_floating_electrode_has_lost_the_brain(strength):
    scenario = replace(
        QUIET, reference="average", faults=(Fault("floating", "C3", 0, 60, strength),)
    )
    good = simulate(8, scenario=replace(QUIET, reference="average"))
    lost = simulate(8, scenario=scenario)

    def likeness(simulated):
        sections = signal.butter(2, [2, 20], "bandpass", fs=250, output="sos")
        own, *around = (
            signal.sosfilt(sections, row(simulated, name))[500:] for name in ("C3", "F3", "P3")
        )
        return np.corrcoef(own, np.mean(around, axis=0))[0, 1]

    assert likeness(lost) < likeness(good) - 0.15
    assert [s.duration_s for s in spans(lost, "contact loss")] == [60.0]


def test_a_quiet_loose_electrode_that_shows_the_reference_is_unsure():
    """Its trace is what the reference picks up: nobody can tell it from quiet EEG by eye.

    Against a reference that picks up next to nothing the same fault is a plain one.
    """
    fault = (Fault("floating", "C3", 10, 30, 0.5),)
    names = tuple(name for name in QUIET.electrodes if name != "Cz")
    loud, quiet = (
        simulate(8, scenario=replace(QUIET, reference=reference, electrodes=names, faults=fault))
        for reference in ("Cz", "average")
    )
    inside = cut(loud, "C3", 12, 20)
    beside = np.median([cut(loud, name, 12, 20).std() for name in loud.electrodes])
    assert inside.std() > 0.6 * beside
    assert spans(loud, "contact loss") == []
    assert [s.duration_s for s in spans(loud, "unsure") if s.kind == "contact loss"] == [30.0]
    assert cut(quiet, "C3", 12, 20).std() < 0.5 * beside
    assert [s.duration_s for s in spans(quiet, "contact loss")] == [30.0]


def test_lost_reference_is_shared_by_all_channels():
    scenario = replace(QUIET, faults=(Fault("reference lost", "", 20, 10, 300.0),))
    simulated = simulate(9, scenario=scenario)
    (span,) = spans(simulated, "contact loss")
    assert span.channels == simulated.electrodes
    inside = simulated.samples_uv[:, 5100:7400]
    assert np.corrcoef(inside)[0, 1:].min() > 0.9


def test_drying_is_unsure_before_it_is_lost():
    scenario = replace(QUIET, faults=(Fault("drying", "T8", 10, 40, 200.0),))
    simulated = simulate(2, scenario=scenario)
    (doubt,) = [s for s in spans(simulated, "unsure") if s.kind == "contact loss"]
    (lost,) = spans(simulated, "contact loss")
    assert lost.kind == "floating"
    assert doubt.onset_s + doubt.duration_s == pytest.approx(lost.onset_s, abs=0.01)
    assert lost.onset_s + lost.duration_s == pytest.approx(50.0)


def test_quiet_scenario_has_no_label():
    assert [s for s in simulate(1, scenario=QUIET).labels if s.label != "unsure"] == []


@pytest.mark.parametrize("slope", [0.5, 1.5, 2.0])
def test_noise_has_unit_rms_and_the_slope_asked_for(slope):
    noise = shaped_noise(
        np.random.default_rng(0), 6, n_samples=50_000, rate_hz=250, density=power_law(slope, 0.1)
    )
    assert float(noise.std()) == pytest.approx(1.0, rel=0.15)
    frequency, density = signal.welch(noise, 250, nperseg=2048)
    inside = (frequency > 2) & (frequency < 60)
    fitted = np.polyfit(np.log(frequency[inside]), np.log(density.mean(axis=0)[inside]), 1)[0]
    assert fitted == pytest.approx(-slope, abs=0.1)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"faults": (Fault("flat", "Q9", 0, 1, 0.0),)}, "on the cap"),
        ({"faults": (Fault("floating", "Q9", 0, 1, 9.0),)}, "on the cap"),
        ({"amplifier": Amplifier(rate_hz=100, low_pass_hz=70)}, "half the rate"),
        (
            {"reference": "average", "faults": (Fault("reference lost", "", 0, 5, 90.0),)},
            "average reference cannot be lost",
        ),
    ],
)
def test_contradictory_scenarios_are_refused(change, words):
    with pytest.raises(ValueError, match=words):
        simulate(0, scenario=replace(QUIET, duration_s=6.0, **change))
