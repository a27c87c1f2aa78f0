"""Faults injected into recordings: what is named was changed, what is not named was not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from cleanspan.training.injection import (
    CONTACT_KINDS,
    KINDS,
    POP_CLEAR,
    POP_DOUBTFUL,
    TOGETHER,
    TOGETHER_DEG,
    inject,
)
from cleanspan.training.simulator.head import electrode_directions
from cleanspan.training.simulator.scenario import SYSTEM_10_20


@pytest.fixture
def recording(still_eyes):
    return still_eyes


def changed(before, after, spans, rate_hz, margin_s):
    """Samples that differ although no span names them."""
    named = np.zeros(before.shape, dtype=bool)
    for span in spans:
        first = max(int((span.onset_s - margin_s) * rate_hz), 0)
        last = int((span.onset_s + span.duration_s + margin_s) * rate_hz) + 1
        for name in span.channels:
            named[SYSTEM_10_20.index(name), first:last] = True
    return (before != after) & ~named


@pytest.mark.parametrize("kind", ["flat", "railed", "floating", "reference lost"])
@pytest.mark.parametrize("seed", range(3))
def test_replaced_spans_are_named_exactly(recording, kind, seed, monkeypatch):
    monkeypatch.setattr("cleanspan.training.injection.CLIP_POPS", 0.0)
    rng = np.random.default_rng(seed)
    after, spans = inject(recording, 250.0, SYSTEM_10_20, rng, kinds=(kind,), per_minute=6)
    assert spans
    assert {(span.label, span.kind) for span in spans} == {("contact loss", kind)}
    assert not changed(recording, after, spans, 250.0, 0.01).any()
    for span in spans:
        first, last = (round(t * 250) for t in (span.onset_s, span.onset_s + span.duration_s))
        for name in span.channels:
            k = SYSTEM_10_20.index(name)
            share = np.mean(recording[k, first:last] != after[k, first:last])
            assert share > 0.95


def test_faults_of_every_length_are_injected(recording):
    """An electrode that fell off early and one that is off for a moment, but for whole ones."""
    duration_s = recording.shape[1] / 250
    lengths = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        _, spans = inject(recording, 250.0, SYSTEM_10_20, rng, kinds=("floating", "flat"))
        lengths += [span.duration_s / duration_s for span in spans if span.duration_s < duration_s]
    assert 0.6 < max(lengths) <= 0.9
    assert np.mean(np.array(lengths) > 0.5) > 0.05
    assert min(lengths) * duration_s < 1.5


def test_an_ear_clip_pops_on_every_channel_alike(recording, monkeypatch):
    monkeypatch.setattr("cleanspan.training.injection.CLIP_POPS", 1.0)
    monkeypatch.setattr("cleanspan.training.injection.CLIP_HUMS", 0.0)
    rng = np.random.default_rng(3)
    after, spans = inject(recording, 250.0, SYSTEM_10_20, rng, kinds=("reference lost",))
    lost = [span for span in spans if span.label == "contact loss"]
    assert lost
    assert {(span.kind, span.channels) for span in lost} == {("reference lost", SYSTEM_10_20)}
    added = after - recording
    np.testing.assert_allclose(added, added[:1].repeat(len(added), axis=0), atol=1e-3)
    for span in lost:
        first, last = (round(t * 250) for t in (span.onset_s, span.onset_s + span.duration_s))
        assert np.abs(added[0, first:last]).max() >= 25


def lost_clip(recording, *, seed, per_minute, mains_hz=50.0):
    """Inject lost references; the samples, and the spans that count."""
    after, spans = inject(
        recording,
        250.0,
        SYSTEM_10_20,
        np.random.default_rng(seed),
        kinds=("reference lost",),
        per_minute=per_minute,
        mains_hz=mains_hz,
    )
    return after, [span for span in spans if span.label == "contact loss"]


def test_mains_come_in_through_a_loose_clip_from_its_first_pop_to_its_last(recording, monkeypatch):
    """Nothing is added but the mains and the pops: the one span reaches from pop to pop."""
    for name in ("CLIP_POPS", "CLIP_HUMS"):
        monkeypatch.setattr(f"cleanspan.training.injection.{name}", 1.0)
    band = signal.butter(4, [45, 55], "bandpass", fs=250.0, output="sos")
    humming = 0
    for seed in range(6):
        after, lost = lost_clip(recording, seed=seed, per_minute=1.0)
        added = after - recording
        np.testing.assert_allclose(added, added[:1].repeat(len(added), axis=0), atol=0.01)
        mains_uv = np.abs(signal.hilbert(signal.sosfiltfilt(band, added[0])))
        quiet = np.ones(mains_uv.size, dtype=bool)
        for span in lost:
            first, last = (round(t * 250) for t in (span.onset_s, span.onset_s + span.duration_s))
            quiet[max(first - 125, 0) : last + 125] = False
            if last - first > 500:
                humming += 1
                assert np.median(mains_uv[first:last]) > 10
        if quiet.any():
            assert np.median(mains_uv[quiet]) < 1
    assert humming >= 2


def test_the_span_of_a_humming_clip_is_that_of_all_its_pops(recording, monkeypatch):
    """Mains above what the rate can show add nothing, and each pop is its own."""
    monkeypatch.setattr("cleanspan.training.injection.CLIP_POPS", 1.0)

    def lost(how_often, mains_hz):
        monkeypatch.setattr("cleanspan.training.injection.CLIP_HUMS", how_often)
        return lost_clip(recording, seed=11, per_minute=0.1, mains_hz=mains_hz)

    (plain, pops), (humming, (whole,)) = lost(0.0, 50.0), lost(1.0, 50.0)
    assert len(pops) > 1
    assert whole.onset_s == pops[0].onset_s
    last_s = max(span.onset_s + span.duration_s for span in pops)
    assert whole.onset_s + whole.duration_s == pytest.approx(last_s)
    assert not np.array_equal(plain, humming)
    too_fast, same = lost(1.0, 124.0)
    np.testing.assert_array_equal(too_fast, plain)
    assert same == pops


def test_pops_are_named_where_they_stand_out(recording):
    after, spans = inject(
        recording, 250.0, SYSTEM_10_20, np.random.default_rng(5), kinds=("popping",), per_minute=9
    )
    clear = [span for span in spans if span.label == "contact loss"]
    assert clear
    level = 1.4826 * np.median(np.abs(recording - np.median(recording, axis=1)[:, None]), axis=1)
    for named, (ratio, least_uv) in ((clear, POP_CLEAR), (spans, POP_DOUBTFUL)):
        left = np.abs(after - recording)[changed(recording, after, named, 250.0, 0.01)]
        assert left.max(initial=0) <= max(ratio * level.max(), least_uv) + 1


def test_no_neighbours_go_together_where_none_are_asked_for(recording):
    def joint(**options):
        """Of which seeds several electrodes change."""
        found = []
        for seed in range(30):
            rng = np.random.default_rng(seed)
            after, _ = inject(
                recording, 250.0, SYSTEM_10_20, rng, kinds=("popping",), per_minute=0.1, **options
            )
            if (np.abs(after - recording).max(axis=1) > 1e-3).sum() > 1:
                found.append(seed)
        return found

    assert len(joint()) > 3
    assert joint(together={}) == []


def test_neighbours_that_are_pulled_together_pop_together(recording):
    """The jumps come at the same moments on electrodes that sit side by side; sizes differ."""
    rng = np.random.default_rng(6)
    options = {"kinds": ("popping",), "per_minute": 0.1, "together": {"popping": 1.0}}
    after, spans = inject(recording, 250.0, SYSTEM_10_20, rng, **options)
    added = after - recording
    rows = np.flatnonzero(np.abs(added).max(axis=1) > 1e-3)
    assert 2 <= rows.size <= 4
    places = electrode_directions(tuple(SYSTEM_10_20[row] for row in rows))
    together = np.degrees(np.arccos(np.clip(places @ places.T, -1, 1)))
    assert (together <= TOGETHER_DEG).all(axis=1).any()
    assert {name for span in spans for name in span.channels} <= {SYSTEM_10_20[r] for r in rows}
    assert np.corrcoef(added[rows]).min() > 0.99
    heights = np.abs(added[rows]).max(axis=1)
    assert heights.max() / heights.min() > 1.05


def largest_steps(kind):
    """Signed by where they lead: above zero away from where it lay, below zero back.

    Sums of one or two pops only: in long series a step may lead anywhere.
    """
    steps = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        quiet = np.zeros((19, 15_000), dtype=np.float32)
        after, spans = inject(quiet, 250.0, SYSTEM_10_20, rng, kinds=(kind,), per_minute=0.1)
        row = after[SYSTEM_10_20.index(spans[0].channels[0])]
        step = row[3:] - row[:-3]
        first = int(np.argmax(np.abs(step)))
        steps.append(float(np.abs(row[first + 3]) - np.abs(row[first])))
    return np.array(steps)


@pytest.mark.parametrize(
    ("kind", "leads"),
    [("popping", 1), ("pulling", -1), ("reference pulled", -1)],
)
def test_pops_jump_away_and_pulls_snap_back(kind, leads, monkeypatch):
    monkeypatch.setattr("cleanspan.training.injection._high_passed", lambda target, rng, uv: uv)
    assert np.mean(np.sign(largest_steps(kind)) == leads) > 0.8


@pytest.mark.parametrize(("kind", "rows"), [("pulling", 1), ("reference pulled", 19)])
def test_pulls_begin_and_end_where_the_channel_lay(kind, rows, monkeypatch):
    """No second step at either end of the span, and as many channels as the fault has."""
    monkeypatch.setitem(TOGETHER, "pulling", 0.0)
    sections = signal.butter(1, 0.3, "highpass", fs=250.0, output="sos")
    monkeypatch.setattr(
        "cleanspan.training.injection._high_passed",
        lambda target, rng, fault_uv: signal.sosfilt(sections, fault_uv),
    )
    for seed in range(20):
        quiet = np.zeros((19, 15_000), dtype=np.float32)
        after, spans = inject(
            quiet, 250.0, SYSTEM_10_20, np.random.default_rng(seed), kinds=(kind,), per_minute=0.1
        )
        lost = [span for span in spans if span.label == "contact loss"]
        assert lost
        assert all(len(span.channels) == rows for span in lost)
        changed_rows = np.flatnonzero(np.abs(after).max(axis=1) > 0)
        assert changed_rows.size == rows
        row = after[changed_rows[0]]
        there = np.flatnonzero(row)
        assert np.abs(row[there[:2]]).max() < 0.02 * np.abs(row).max()
        assert np.abs(row[there[-2:]]).max() < 0.02 * np.abs(row).max()


def test_electrodes_of_unknown_names_fail_alone(recording, monkeypatch):
    monkeypatch.setitem(TOGETHER, "flat", 1.0)
    names = [f"E{number}" for number in range(len(recording))]
    _, spans = inject(recording, 250.0, names, np.random.default_rng(2), kinds=("flat",))
    assert all(len(span.channels) == 1 for span in spans)
    assert len({span.onset_s for span in spans}) == len(spans)


def test_blinks_fall_off_backwards(recording):
    after, spans = inject(
        recording, 250.0, SYSTEM_10_20, np.random.default_rng(8), kinds=("blink",), per_minute=9
    )
    assert spans
    added = (after - recording).max(axis=1)
    size = dict(zip(SYSTEM_10_20, added, strict=True))
    assert size["Fp1"] > size["F3"] > size["C3"] > size["P3"] > size["O1"] - 1
    assert all({"Fp1", "Fp2"} <= set(s.channels) for s in spans if s.label == "blink")


def test_line_noise_is_clear_where_it_is_above_the_definition(recording):
    after, spans = inject(
        recording, 250.0, SYSTEM_10_20, np.random.default_rng(1), kinds=("line noise",),
        per_minute=5, mains_hz=60.0,
    )  # fmt: skip
    assert any(span.label == "line noise" for span in spans)
    for span in spans:
        if span.label != "line noise":
            continue
        first, last = (round(t * 250) for t in (span.onset_s, span.onset_s + span.duration_s))
        for name in span.channels:
            samples = after[SYSTEM_10_20.index(name), first:last]
            frequency, density = signal.periodogram(samples, 250, window="hann")
            hum = density[(frequency > 58) & (frequency < 62)].sum()
            rest = density[(frequency >= 1) & (frequency <= 40)].sum()
            assert np.sqrt(hum / rest) > 0.45


def test_muscle_is_fast_activity(recording):
    after, spans = inject(
        recording, 250.0, SYSTEM_10_20, np.random.default_rng(2), kinds=("muscle",), per_minute=9
    )
    assert any(span.label == "muscle" for span in spans)
    added = (after - recording).astype(float)
    strongest = added[np.argmax(added.std(axis=1))]
    frequency, density = signal.periodogram(strongest, 250)
    assert density[frequency > 15].sum() > 0.8 * density.sum()


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    n_channels=st.integers(1, 24),
    duration_s=st.floats(2.0, 20.0),
    rate_hz=st.sampled_from([100.0, 128.0, 160.0, 250.0, 500.0]),
)
def test_any_array_is_accepted_and_never_changed(seed, n_channels, duration_s, rate_hz):
    rng = np.random.default_rng(seed)
    before = rng.normal(0, 20, (n_channels, round(duration_s * rate_hz)))
    copy = before.copy()
    names = [f"K{k}" for k in range(n_channels)]
    after, spans = inject(before, rate_hz, names, rng, kinds=KINDS, per_minute=20)
    np.testing.assert_array_equal(before, copy)
    assert after.shape == before.shape
    assert np.isfinite(after).all()
    for span in spans:
        assert 0 <= span.onset_s < span.onset_s + span.duration_s <= duration_s + 0.6
        assert set(span.channels) <= set(names)


def test_same_generator_same_result(recording):
    results = [
        inject(recording, 250.0, SYSTEM_10_20, np.random.default_rng(4), kinds=KINDS)
        for _ in range(2)
    ]
    np.testing.assert_array_equal(results[0][0], results[1][0])
    assert results[0][1] == results[1][1]


def test_contact_faults_do_not_overlap(recording):
    _, spans = inject(
        recording,
        250.0,
        SYSTEM_10_20,
        np.random.default_rng(3),
        kinds=CONTACT_KINDS,
        per_minute=60,
    )
    held = [s for s in spans if s.kind not in ("popping", "contact loss")]
    for k, one in enumerate(held):
        for other in held[k + 1 :]:
            if set(one.channels) & set(other.channels):
                apart = other.onset_s >= one.onset_s + one.duration_s - 1e-9
                assert apart or one.onset_s >= other.onset_s + other.duration_s - 1e-9


@pytest.mark.parametrize(
    ("shape", "kinds", "words"),
    [
        ((3, 500), ("flat",), "one row for each of 2 electrodes"),
        ((500,), ("flat",), "one row for each"),
        ((2, 500), ("sneeze",), "got sneeze"),
        ((2, 500), (), "kinds must be out of"),
    ],
)
def test_wrong_arguments_are_explained(shape, kinds, words):
    with pytest.raises(ValueError, match=words):
        inject(np.zeros(shape), 250.0, ("Fz", "Cz"), np.random.default_rng(0), kinds=kinds)
