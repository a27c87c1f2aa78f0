"""Findings about channels: bridges, dead and drying electrodes, the reference, positions."""

import numpy as np
import pytest

from cleanspan.features.registry import EVENT_NAMES
from cleanspan.labelling.findings import findings_of


def kinds(findings):
    return [(finding.kind, finding.channels) for finding in findings]


def test_nothing_to_say_about_a_good_session(given, table):
    store, predictions = given()
    assert findings_of(store, predictions, table()) == []


@pytest.mark.parametrize(("seconds", "told"), [(60, True), (15, False)])
def test_a_short_recording_tells_nothing_about_where_electrodes_sit(given, table, seconds, told):
    store, predictions = given(seconds=seconds)
    store.humps.down, store.humps.depth_uv[:2] = 40, 100.0
    found = kinds(findings_of(store, predictions, table()))
    assert ("polarity" in {kind for kind, _ in found}) is told


def test_a_lost_reference_is_said_once(given, table):
    store, predictions = given()
    names = [channel.label for channel in store.channels]
    rows = [(name, "contact loss", "reference lost", at, 5) for at in (10, 30) for name in names]
    (finding,) = findings_of(store, predictions, table(*rows))
    assert finding.kind == "reference lost"
    assert finding.channels == tuple(names)
    assert "2 times, 10 s in all" in finding.text


def test_a_reference_that_popped_once_was_not_lost_for_0_s(given, table):
    store, predictions = given()
    rows = [(one.label, "contact loss", "reference lost", 10, 0.4) for one in store.channels]
    (finding,) = findings_of(store, predictions, table(*rows))
    assert "once, less than 1 s in all" in finding.text


@pytest.mark.parametrize(("left_out", "told"), [(0, True), (1, True), (3, False)])
def test_line_noise_on_nearly_all_channels_is_said_once(given, table, left_out, told):
    """Eight channels; edges differ by a window, as they do between channels."""
    store, predictions = given()
    names = [channel.label for channel in store.channels]
    noisy = names[left_out:]
    rows = [(name, "line noise", "", at + 0.25 * (name == "O2"), 5) for at in (10, 30)
            for name in noisy]  # fmt: skip
    found = findings_of(store, predictions, table(*rows))
    assert kinds(found) == ([("line noise everywhere", tuple(names))] if told else [])
    assert all("10 s in all, first at 10 s: check the ear clips" in one.text for one in found)


def test_line_noise_on_one_channel_after_the_other_is_not_everywhere(given, table):
    store, predictions = given()
    names = [channel.label for channel in store.channels]
    rows = [(name, "line noise", "", 5 * place, 5) for place, name in enumerate(names)]
    assert findings_of(store, predictions, table(*rows)) == []


def test_an_amplifier_that_drops_out_again_and_again_is_told_with_its_whole_time(given, table):
    """1 s every 5 s, twelve times: a window each; in 10 s at the end there are 19."""
    store, predictions = given()
    predictions.stuck[:, 4:100:10] = True
    names = [channel.label for channel in store.channels]
    drops = [(name, "contact loss", "flat", at, 1) for at in range(2, 52, 5) for name in names]
    (finding,) = findings_of(store, predictions, table(*drops))
    assert (finding.kind, finding.channels) == ("stopped", tuple(names))
    assert "about 10 s in all, first at 2 s" in finding.text
    predictions.stuck[:] = False
    predictions.stuck[:, 100:119] = True
    (finding,) = findings_of(store, predictions, table())
    assert "about 10 s in all, first at 50 s" in finding.text


def test_all_channels_at_the_limits_are_no_stopped_amplifier(given, table):
    """Half at the upper and half at the lower one, say: a ground or reference that fell off."""
    store, predictions = given()
    predictions.stuck[:, 20:61] = True
    names = [channel.label for channel in store.channels]
    rows = table(*((name, "contact loss", "railed", 10, 20.5) for name in names))
    (finding,) = findings_of(store, predictions, rows)
    assert "check the ground, the ear clips and the amplifier; no electrode is" in finding.text
    assert "stopped or" not in finding.text


def test_no_electrode_is_dead_where_all_stood_still_throughout(given, table):
    store, predictions = given()
    predictions.stuck[:] = True
    names = [channel.label for channel in store.channels]
    found = findings_of(
        store, predictions, table(*((name, "contact loss", "flat", 0, 60) for name in names))
    )
    assert [finding.kind for finding in found] == ["stopped"]


@pytest.mark.parametrize(("covered_s", "dead"), [(57.0, False), (59.0, True), (60.0, True)])
def test_dead_from_start_to_end(given, table, covered_s, dead):
    store, predictions = given()
    found = findings_of(store, predictions, table(("C4", "contact loss", "flat", 0, covered_s)))
    assert kinds(found) == ([("dead", ("C4",))] if dead else [])


def test_drying_in_a_long_session(given, table):
    """20 minutes: no loss in the first third, 30 % of the last."""
    store, predictions = given(seconds=1200)
    rows = table(("O1", "contact loss", "floating", 1080, 120))
    (finding,) = findings_of(store, predictions, rows)
    assert (finding.kind, finding.channels) == ("drying", ("O1",))
    assert "0% of the first third and 30% of the last" in finding.text


def test_no_trend_in_a_short_session(given, table):
    store, predictions = given(seconds=60)
    rows = table(("O1", "contact loss", "floating", 45, 15))
    assert findings_of(store, predictions, rows) == []


@pytest.mark.parametrize(
    ("difference_uv2", "variance_uv2", "bridged"),
    [
        (0.5, 100.0, True),  # 0.7 µV rms between channels of 10 µV
        (1.5, 100.0, False),  # r = 0.9925: below the published criterion
        (3.0, 1000.0, False),  # more than amplifier noise
        (0.01, 4.0, False),  # two dead channels
    ],
)
def test_salt_bridge(given, table, difference_uv2, variance_uv2, bridged):
    store, predictions = given()
    store.pairs.variance_uv2[[2, 3]] = variance_uv2
    store.pairs.difference_uv2[2, 3] = store.pairs.difference_uv2[3, 2] = difference_uv2
    found = kinds(findings_of(store, predictions, table()))
    assert found == ([("salt bridge", ("C3", "C4"))] if bridged else [])


def with_blinks(given, count, share_at_the_back):
    spans = [(2.0 + 3 * number, 2.3 + 3 * number) for number in range(count)]
    store, predictions = given(events_s=spans)
    predictions.given[:] = 0.9
    store.shares[..., EVENT_NAMES.index("own_share")] = [1, 1, 0.1, 0.1, 0.05, share_at_the_back]
    return store, predictions


@pytest.mark.parametrize(
    ("count", "share", "doubted"), [(10, 1.5, True), (10, 1.1, False), (5, 1.5, False)]
)
def test_blinks_larger_at_the_back_put_a_position_in_doubt(given, table, count, share, doubted):
    store, predictions = with_blinks(given, count, share)
    found = kinds(findings_of(store, predictions, table()))
    assert found == ([("position", ("O2",))] if doubted else [])


@pytest.mark.parametrize(
    ("front_uv", "back_uv", "doubted"),
    [(30, 10, True), (10, 30, False), (20, 18, False), (0, 0, False), (3, 25, False)],
)
def test_alpha_at_the_front_puts_the_cap_in_doubt(invented, screen, front_uv, back_uv, doubted):
    """Alpha is posterior, on any head: 10 Hz larger at the front is a cap put on back to front."""
    samples = invented.background(19, 40, seed=3, rms_uv=6)
    alpha = np.sin(2 * np.pi * 10 * np.arange(10_000) / 250)
    for row, name in enumerate(invented.CAP):
        at_front, at_back = name.startswith("F"), name.startswith(("P", "O"))
        samples[row] += alpha * (front_uv * at_front + back_uv * at_back)
    found = [finding.kind for finding in screen(samples).findings]
    assert ("position" in found) == doubted


def test_shorted_channels_are_found_in_samples(invented, screen):
    """C3 and Cz joined by salt water: one potential, two amplifier inputs of 0.5 µV noise."""
    samples = invented.background(19, 60, seed=1)
    rng = np.random.default_rng(2)
    row = invented.CAP.index
    samples[row("Cz")] = samples[row("C3")]
    samples += 0.5 * rng.normal(size=samples.shape)
    found = kinds(screen(samples).findings)
    assert found == [("salt bridge", ("C3", "Cz"))]


def test_neighbours_that_agree_are_no_bridge(invented, screen):
    """98 % common: r = .98 all over the cap, below the published r > .995."""
    samples = invented.background(19, 60, seed=1, shared=0.99, rms_uv=20)
    assert screen(samples).findings == ()
