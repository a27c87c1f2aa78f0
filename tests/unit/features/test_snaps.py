"""Snaps: pops that rise within milliseconds, alone or together with the neighbours."""

import numpy as np
import pytest
from scipy import signal

from cleanspan.features.registry import WINDOW_NAMES

CAP = (
    *("Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8", "T7", "C3", "Cz", "C4", "T8"),
    *("P7", "P3", "Pz", "P4", "P8", "O1", "O2"),
)
RATE_HZ = 160.0
AT_S = 10.2


@pytest.fixture(scope="module")
def quiet(invented):
    return invented.background(len(CAP), 20, rate_hz=RATE_HZ, seed=21)


def with_pop(samples, electrodes, height_uv, *, tau_s=0.3, at_s=AT_S):
    changed = samples.copy()
    first = round(at_s * RATE_HZ)
    since_s = np.arange(samples.shape[1] - first) / RATE_HZ
    for name in electrodes:
        changed[CAP.index(name), first:] += height_uv * np.exp(-since_s / tau_s)
    return changed


def columns(invented, samples, electrode, *names, onset_s=10.0):
    """Values of one electrode in the window that begins then."""
    table = invented.features_of(invented.in_memory(samples, CAP, rate_hz=RATE_HZ))
    window = np.argmin(np.abs(table.onset_s - onset_s))
    row = table.windows[CAP.index(electrode), window]
    return [row[WINDOW_NAMES.index(name)] for name in names]


def test_a_pop_is_as_high_as_it_was_made(invented, quiet):
    popped = with_pop(quiet, ["P4"], 300)
    alone, apart = columns(invented, popped, "P4", "snap_alone", "snap_apart")
    assert 10**alone == pytest.approx(300, rel=0.15)
    assert 10**apart == pytest.approx(300, rel=0.15)


def test_a_pop_of_neighbours_is_seen_against_the_head_but_not_against_them(invented, quiet):
    together = ["P4", "P8", "O2", "C4", "T8", "Pz"]
    popped = with_pop(quiet, together, 150)
    lead, crest, height = columns(
        invented, popped, "P8", "snap_alone_lead", "snap_apart_crest", "snap_apart"
    )
    usual = columns(invented, quiet, "P8", "snap_apart_crest")[0]
    assert lead < 0.3
    assert 10**height == pytest.approx(150, rel=0.15)
    assert crest > usual + 0.3


def test_a_pop_of_the_reference_is_no_channels_own(invented, quiet):
    everywhere = columns(invented, with_pop(quiet, CAP, 300), "P4", "snap_alone", "snap_apart")
    nowhere = columns(invented, quiet, "P4", "snap_alone", "snap_apart")
    assert everywhere == pytest.approx(nowhere, abs=0.01)


def test_a_pop_of_the_reference_is_seen_in_what_all_channels_share(invented, quiet):
    names = ("snap_common", "sudden_common", "snap_common_balance", "level_common")
    popped = with_pop(quiet, CAP, 100)
    height, sudden, balance, level = columns(invented, popped, "P4", *names)
    usual = columns(invented, quiet, "P4", *names)
    assert 10**height == pytest.approx(100, rel=0.15)
    assert 10**sudden == pytest.approx(100, rel=0.25)
    assert balance > 0.7
    assert level > usual[3] + 0.3
    assert columns(invented, popped, "O1", *names) == [height, sudden, balance, level]


def test_where_all_channels_lie_says_nothing_about_what_stands_out(invented, quiet):
    levels = [
        columns(invented, samples, "P4", "level_common")[0] for samples in (quiet, quiet + 500)
    ]
    assert levels[0] == pytest.approx(levels[1], abs=0.02)


def test_a_pop_of_some_electrodes_is_not_shared_and_neither_is_a_blink(invented, quiet):
    some = with_pop(quiet, ["P4", "P8", "O2", "Fp1", "F7", "T7"], 500)
    blinking = quiet.copy()
    invented.add_blinks(blinking, CAP, [10.5], rate_hz=RATE_HZ)
    everywhere = columns(invented, with_pop(quiet, CAP, 100), "P4", "sudden_common_crest")[0]
    for samples in (some, blinking):
        assert columns(invented, samples, "P4", "sudden_common_crest")[0] < everywhere - 0.5


def test_a_step_stays_and_a_spike_is_taken_back(invented, quiet):
    step = with_pop(quiet, ["P4"], 300)
    spike = with_pop(quiet, ["P4"], 300, tau_s=0.004)
    for name in ("snap_alone_balance", "snap_apart_balance"):
        stays = columns(invented, step, "P4", name)[0]
        back = columns(invented, spike, "P4", name)[0]
        assert stays > 0.8
        assert back < 0.4


def test_a_slow_wave_of_the_same_height_is_no_snap(invented, quiet):
    time_s = np.arange(quiet.shape[1]) / RATE_HZ
    waved = quiet.copy()
    waved[CAP.index("P4")] += 150 * np.exp(-0.5 * ((time_s - 10.5) / 0.12) ** 2)
    wave = columns(invented, waved, "P4", "snap_alone_crest")[0]
    pop = columns(invented, with_pop(quiet, ["P4"], 150), "P4", "snap_alone_crest")[0]
    assert wave < pop - 0.4


def test_the_level_after_a_pop_stands_out(invented, quiet):
    popped = with_pop(quiet, ["P4"], 300)
    after, before = (
        columns(invented, samples, "P4", "level_apart")[0] for samples in (popped, quiet)
    )
    assert after > before + 0.5


def test_neighbours_alone_are_what_a_snap_leads(invented, quiet):
    """A larger pop at the other end of the head takes nothing from it."""
    popped = with_pop(with_pop(quiet, ["O1"], 2000), ["F8"], 300)
    assert columns(invented, popped, "F8", "snap_alone_lead")[0] > 0.4


def test_a_pop_belongs_to_the_windows_it_lies_in(invented, quiet):
    """At 10 s sharp: the window from 9 to 10 s has not seen it, the one from 10 s on has."""
    popped = with_pop(quiet, ["P4"], 300, at_s=10.0)
    before, after = (
        columns(invented, popped, "P4", "snap_alone", onset_s=onset_s)[0]
        for onset_s in (9.0, 10.0)
    )
    assert 10**before < 100
    assert 10**after == pytest.approx(300, rel=0.15)


@pytest.mark.parametrize("rest", ["alone", "apart"])
def test_a_step_is_sudden_and_neither_a_slope_nor_a_spike_is(invented, quiet, rest):
    """A large blink rises 300 µV within 80 ms: as much in 12 ms as a small pop, but it goes on."""
    time_s = np.arange(quiet.shape[1]) / RATE_HZ
    sloping = quiet.copy()
    sloping[CAP.index("P4")] += 300 * np.clip((time_s - AT_S) / 0.08, 0, 1)
    spike = with_pop(quiet, ["P4"], 300, tau_s=0.004)
    step = with_pop(quiet, ["P4"], 60)
    sudden, snap = (
        [
            10 ** columns(invented, samples, "P4", f"{name}_{rest}")[0]
            for samples in (step, sloping, spike, quiet)
        ]
        for name in ("sudden", "snap")
    )
    assert snap[1] > 40
    assert sudden[0] == pytest.approx(60, rel=0.25)
    assert max(sudden[1:]) < 0.5 * sudden[0]


@pytest.mark.parametrize("rate_hz", [100.0, 125.0, 200.0, 240.0, 250.0, 500.0])
def test_a_step_behind_a_low_pass_is_as_sudden_at_any_rate(invented, rate_hz):
    """Whichever sample it falls on."""
    found = []
    for number in range(6):
        samples = invented.background(len(CAP), 12, rate_hz=rate_hz, seed=30 + number)
        time_s = np.arange(samples.shape[1]) / rate_hz
        since_s = time_s - (5.3 + 0.0007 * number)
        step = np.where(since_s >= 0, 150 * np.exp(-np.maximum(since_s, 0) / 0.4), 0)
        low_pass = signal.butter(2, min(70.0, 0.4 * rate_hz), fs=rate_hz, output="sos")
        samples[CAP.index("P4")] += signal.sosfilt(low_pass, step)
        table = invented.features_of(invented.in_memory(samples, CAP, rate_hz=rate_hz))
        window = np.argmin(np.abs(table.onset_s - 5.0))
        found.append(table.windows[CAP.index("P4"), window, WINDOW_NAMES.index("sudden_apart")])
    height_uv = 10 ** np.array(found)
    assert height_uv.min() > 90
    assert height_uv.max() < 175


def test_a_sudden_change_stands_out_from_the_usual_ones(invented, quiet):
    names = ("sudden_apart_crest", "sudden_alone_crest")
    step = columns(invented, with_pop(quiet, ["P4"], 150), "P4", *names)
    usual = columns(invented, quiet, "P4", *names)
    assert np.all(np.array(step) > np.array(usual) + 0.8)
