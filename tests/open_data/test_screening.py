"""Open recordings through the whole screening: no surprise, and what is known about them holds.

The recordings are not part of the project: CLEANSPAN_OPEN_DATA names their folder, else
``../shared/open-data`` beside the repository is tried. What must hold is said of the recordings
by their authors (cleaned, notched, eyes closed) or was measured with scipy, not with this package.
"""

import os
import re
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from cleanspan.config import Config, Export
from cleanspan.labelling.model import load_model
from cleanspan.recording.opening import open_recording
from cleanspan.screen import screen_recording, screened
from cleanspan.training.store import shipped_model

ROOT = Path(__file__).parents[2]
DATA = Path(os.environ.get("CLEANSPAN_OPEN_DATA", ROOT.parent / "shared" / "open-data"))
ODD = sorted((DATA / "edf-files").rglob("*.[eb]df"))
EEGMAT = sorted((DATA / "eegmat").glob("*.edf"))
EEGMMI = sorted((DATA / "eegmmidb").glob("*.edf"))
LEAN = Config(export=Export(marked="none", report=False, windows=False))
pytestmark = pytest.mark.skipif(not EEGMMI, reason="the open recordings are not here")


def by_name(paths):
    return pytest.mark.parametrize(
        "path", paths, ids=lambda path: f"{path.parent.name}/{path.name}"
    )


@pytest.fixture(scope="module")
def model():
    return load_model(shipped_model())


@pytest.fixture(scope="module")
def results(model):
    """Segments, channels, findings and mains of each recording; computed once."""
    known = {}

    def of(path):
        if path not in known:
            with screened(path, config=LEAN, model=model) as result:
                known[path] = (
                    result.segments.astype(dict.fromkeys(("channel", "label", "kind"), str)),
                    result.channels.set_index("channel"),
                    result.findings,
                    result.mains_hz,
                    result.recording.duration_s,
                    [channel.electrode for channel in result.eeg],
                )
        return known[path]

    return of


@by_name(ODD)
def test_odd_files_are_screened_or_refused_with_a_reason(path, model, tmp_path):
    outcome = screen_recording(path, tmp_path / "out", config=LEAN, model=model)
    assert "unexpected" not in outcome.error
    if outcome.status == "failed":
        assert outcome.error.startswith(f"{path.name}: ")
        assert re.search(r"must|at least", outcome.error)
    else:
        assert outcome.channels > 0
        assert 0 <= outcome.clean_share <= 1


@by_name([*EEGMAT, *EEGMMI])
def test_real_recordings_are_screened(path, results):
    segments, channels, _, _, duration_s, electrodes = results(path)
    assert len(electrodes) == (19 if path in EEGMAT else 64)
    assert (segments["onset_s"] >= 0).all()
    assert (segments["onset_s"] + segments["duration_s"] <= duration_s + 1e-6).all()
    shares = channels.loc[channels["verdict"] != "not screened"].filter(like="_share")
    assert ((shares >= 0) & (shares <= 1)).all(axis=None)


def correlation_by_minute(path, labels):
    """Lowest correlation of two channels over whole minutes (or what there is)."""
    recording = open_recording(path)
    rows = [channel.index for channel in recording.channels if channel.label in labels]
    samples = recording.span(rows, 0, recording.duration_s)
    size = round(60 * recording.channels[rows[0]].rate_hz)
    recording.close()
    parts = [samples[:, at : at + size] for at in range(0, samples.shape[1], size)]
    return min(np.corrcoef(part)[0, 1] for part in parts if part.shape[1] >= size / 2)


@by_name([*EEGMAT, *EEGMMI])
def test_salt_bridges_meet_the_published_criterion(path, results):
    """Published lab criterion: r > .995 over a minute (Tenke & Kayser 2001 and after).

    Several of these 64-channel gel caps are bridged: their neighbours differ by less than 1.4 µV
    rms while the signal has 15 to 50 µV.
    """
    bridges = [finding for finding in results(path)[2] if finding.kind == "salt bridge"]
    assert len(bridges) == 0 or path in EEGMMI
    agreements = [correlation_by_minute(path, bridge.channels) for bridge in bridges]
    assert all(agreement > 0.97 for agreement in agreements)
    assert not agreements or np.median(agreements) > 0.995


@pytest.mark.parametrize("name", ["S001R01", "S001R02", "S005R03", "S010R03"])
def test_caps_without_a_bridge(name, results):
    """No pair of channels differs by less than 2 µV rms (measured with numpy)."""
    findings = results(DATA / "eegmmidb" / f"{name}.edf")[2]
    assert not [finding for finding in findings if finding.kind == "salt bridge"]


@by_name(EEGMAT)
def test_the_held_last_second_is_contact_loss_on_every_channel(path, results):
    """Each file ends in 0.91 to 0.97 s of one value: a stretch that no amplifier records."""
    segments, _, _, _, duration_s, electrodes = results(path)
    recording = open_recording(path)
    eeg = [channel for channel in recording.channels if channel.electrode in electrodes]
    last = recording.span([channel.index for channel in eeg], duration_s - 0.5, 0.5)
    recording.close()
    assert (np.ptp(last, axis=1) == 0).all()
    ends = segments["onset_s"] + segments["duration_s"]
    lost = segments[(segments["label"] == "contact loss") & (ends > duration_s - 0.1)]
    assert set(lost["channel"]) == {channel.label for channel in eeg}


@by_name(EEGMAT)
def test_cleaned_and_notched_recordings_have_no_line_noise(path, results):
    segments, _, _, mains_hz, *_ = results(path)
    assert mains_hz is None
    assert not (segments["label"] == "line noise").any()


def mains_ratio(path):
    """60 Hz rms against 1-40 Hz rms of each channel, by scipy's Welch estimate."""
    recording = open_recording(path)
    eeg = [channel.index for channel in recording.channels if channel.electrode]
    samples = recording.span(eeg, 0, recording.duration_s)
    rate_hz = recording.channels[eeg[0]].rate_hz
    recording.close()
    frequency, density = signal.welch(samples, rate_hz, nperseg=round(4 * rate_hz), axis=1)
    line = density[:, np.abs(frequency - 60) <= 1].sum(axis=1)
    body = density[:, (frequency >= 1) & (frequency <= 40)].sum(axis=1)
    return np.sqrt(line / body)


def test_strong_line_noise_is_found_where_it_is(results):
    path = DATA / "eegmmidb" / "S005R03.edf"
    _, channels, _, mains_hz, *_ = results(path)
    assert mains_hz == 60
    ratio = mains_ratio(path)
    share = channels["line_noise_share"].to_numpy()[: ratio.size]
    assert (ratio > 1).sum() > 10
    assert (share[ratio > 1] > 0.9).mean() > 0.9


@pytest.mark.parametrize("name", ["S002R03.edf", "S014R03.edf"])
def test_no_line_noise_where_there_is_none(name, results):
    path = DATA / "eegmmidb" / name
    assert mains_ratio(path).max() < 0.25
    assert not (results(path)[0]["label"] == "line noise").any()


@pytest.mark.parametrize("name", ["S001R02.edf", "S003R02.edf"])
def test_alpha_with_eyes_closed_is_no_blink(name, results):
    """Of the seconds of Fp1, Fp2, O1 and O2 hardly any holds a mark that calls alpha a blink."""
    segments, _, _, _, duration_s, _ = results(DATA / "eegmmidb" / name)
    blinks = segments[segments["label"] == "blink"]
    marked = set()
    for row in blinks.itertuples():
        site = row.channel.strip(".").casefold()
        if site in ("fp1", "fp2", "o1", "o2"):
            end = row.onset_s + row.duration_s
            marked |= {(site, second) for second in range(int(row.onset_s), int(end) + 1)}
    assert len({second for site, second in marked if site in ("o1", "o2")}) == 0
    assert len(marked) / (4 * duration_s) < 0.05


def test_eyes_open_has_blinks_and_eyes_closed_few(results):
    """One minute of rest with eyes open, then closed, of the same people: about 17 blinks a
    minute at rest (Bentivoglio et al. 1997)."""
    counts = {}
    for name in ("S001R01", "S003R01", "S001R02", "S003R02"):
        segments = results(DATA / "eegmmidb" / f"{name}.edf")[0]
        front = segments[segments["channel"].str.strip(".").str.casefold() == "fp1"]
        counts[name] = int((front["label"] == "blink").sum())
    assert min(counts["S001R01"], counts["S003R01"]) >= 5
    assert max(counts["S001R02"], counts["S003R02"]) <= 3
