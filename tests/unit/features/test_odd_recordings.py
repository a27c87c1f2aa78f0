"""Recordings as they come: short, few channels, flat, drifting far away, any rate, with gaps."""

import numpy as np
import pytest

from cleanspan.config import Config
from cleanspan.errors import RecordingError
from cleanspan.features.registry import WINDOW_NAMES
from cleanspan.screen import screened

CAPS = {
    "one channel": ("Fp1",),
    "one channel at the back": ("Oz",),
    "two channels": ("O1", "O2"),
    "no frontal channel": ("C3", "Cz", "C4", "Pz"),
    "eight sponges": ("Fp1", "Fp2", "C3", "Cz", "C4", "Pz", "O1", "O2"),
}
RATES = (90.0, 100.0, 128.0, 160.0, 200.0, 250.5, 256.0, 333.3, 500.0, 512.0, 1000.0, 2048.0)


def samples_of(kind, invented, n_channels, seconds, rate_hz):
    n_samples = int(np.ceil(seconds * rate_hz))
    noise = invented.background(n_channels, n_samples / rate_hz, rate_hz=rate_hz, seed=1)
    return {
        "brain": noise,
        "zeros": np.zeros((n_channels, n_samples)),
        "held at one value": np.full((n_channels, n_samples), 87.5),
        "100 mV away": noise + 100_000,
        "at the limit": np.full((n_channels, n_samples), invented.LIMIT_UV),
        "huge": noise * 1e4,
    }[kind]


def check(recording, invented, **kwargs):
    """Every value finite or unknown, every window there, every segment inside."""
    table = invented.features_of(recording, **kwargs)
    assert not np.isinf(table.windows).any()
    assert not np.isinf(table.events).any()
    assert table.windows.shape[1] == table.onset_s.size
    with screened(recording, config=Config(), model=invented.rule_model()) as result:
        segments = result.segments
        assert (segments["onset_s"] >= 0).all()
        assert (segments["duration_s"] > 0).all()
        ends = segments["onset_s"] + segments["duration_s"]
        assert (ends <= recording.duration_s + 1e-6).all()
        return table, segments, result.channels


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("seconds", [1.0, 1.2, 1.49, 2.0, 2.6, 3.0])
def test_recordings_of_one_to_three_seconds(invented, rate_hz, seconds):
    names = CAPS["eight sponges"]
    samples = samples_of("brain", invented, 8, seconds, rate_hz)
    table, _, _ = check(invented.in_memory(samples, names, rate_hz=rate_hz), invented)
    assert table.onset_s.size == 1 + int((samples.shape[1] / rate_hz - 1) / 0.5 + 1e-9)


@pytest.mark.parametrize("cap", CAPS)
@pytest.mark.parametrize(
    "kind", ["brain", "zeros", "held at one value", "100 mV away", "at the limit", "huge"]
)
def test_any_cap_and_any_signal(invented, cap, kind):
    names = CAPS[cap]
    samples = samples_of(kind, invented, len(names), 8, 250.0)
    limit_uv = 4e5 if kind == "100 mV away" else invented.LIMIT_UV
    recording = invented.in_memory(samples, names, limit_uv=limit_uv)
    _, segments, channels = check(recording, invented)
    lost = segments[segments["label"] == "contact loss"]
    if kind in ("zeros", "held at one value", "at the limit"):
        assert set(lost["channel"]) == set(names)
        assert (channels["contact_loss_share"] == 1).all()
    elif kind != "huge":
        assert lost.empty


def test_a_large_offset_changes_no_feature(invented):
    """DC-coupled amplifiers record tens of mV of electrode offset."""
    plain = invented.features_of(
        invented.in_memory(samples_of("brain", invented, 8, 10, 250.0), CAPS["eight sponges"])
    )
    offset = invented.features_of(
        invented.in_memory(
            samples_of("100 mV away", invented, 8, 10, 250.0), CAPS["eight sponges"], limit_uv=4e5
        )
    )
    for table in (plain, offset):
        # the cube root makes much of a skewness near zero
        table.windows[..., WINDOW_NAMES.index("skewness")] **= 3
    # single precision leaves 0.008 µV at 100 mV
    difference = np.abs(offset.windows - plain.windows).max(axis=(0, 1))
    worst = {name: d for name, d in zip(WINDOW_NAMES, difference, strict=True) if d > 0.05}
    assert not worst


def test_one_channel_knows_no_neighbour(invented):
    table = invented.features_of(invented.in_memory(invented.background(1, 6), ("Fp1",)))
    assert np.isnan(invented.column(table, "neighbour_r")).all()
    assert np.isnan(invented.column(table, "distance_mid")).all()
    assert np.isfinite(invented.column(table, "rms")).all()


def test_contact_loss_of_a_single_channel_has_a_kind(invented):
    """Pops cannot be told from floating without neighbours: it is called floating."""
    samples = invented.background(1, 20)
    samples[:, 2500:] += 700 * np.random.default_rng(0).normal(size=2500)
    _, segments, _ = check(invented.in_memory(samples, ("C3",)), invented)
    assert segments["kind"].tolist() == ["floating"]


def test_a_recording_of_nothing_but_short_pieces_is_refused(invented):
    """Nothing of it can be judged; it must not pass for clean."""
    parts = [invented.background(8, seconds, seed=0) for seconds in (0.4, 0.7, 0.6)]
    with pytest.raises(RecordingError, match=r"at least 1 s without a gap, got 0\.7 s"):
        check(invented.Gapped(parts, CAPS["eight sponges"]), invented)


@pytest.mark.parametrize("lengths", [(5.0, 7.0), (0.06, 3.0, 1.0), (12.0, 0.9, 2.5)])
def test_pieces_shorter_than_a_window_have_none(invented, lengths):
    names = CAPS["eight sponges"]
    parts = [invented.background(8, seconds, seed=place) for place, seconds in enumerate(lengths)]
    recording = invented.Gapped(parts, names)
    table, _, _ = check(recording, invented)
    expected = [
        max(int((seconds - 1) / 0.5 + 1e-9) + 1, 0) if seconds >= 1 else 0 for seconds in lengths
    ]
    assert np.diff(table.first).tolist() == expected


def test_segments_of_two_pieces_never_join(invented):
    """Flat to the end of the first piece and from the start of the second: two rows."""
    parts = [invented.background(4, 10, seed=1), invented.background(4, 10, seed=2)]
    parts[0][2, 1250:] = 5.0
    parts[1][2, :1250] = 5.0
    recording = invented.Gapped(parts, ("C3", "Cz", "C4", "Pz"), gap_s=0.2)
    _, segments, _ = check(recording, invented)
    rows = segments[segments["channel"] == "C4"]
    assert rows["onset_s"].tolist() == pytest.approx([5.0, 10.2], abs=0.13)
    ends = rows["onset_s"] + rows["duration_s"]
    assert ends.tolist() == pytest.approx([10.0, 15.2], abs=0.13)
