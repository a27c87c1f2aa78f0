"""Every open recording is opened, or refused with a reason; three libraries agree on the samples.

The recordings are not part of the project: CLEANSPAN_OPEN_DATA names their folder, else
``../shared/open-data`` beside the repository is tried.
"""

import os
import warnings
from pathlib import Path

import numpy as np
import pytest

from cleanspan.export.marked import write_annotations_only, write_marked
from cleanspan.recording.opening import open_recording
from cleanspan.types import Note, Role

ROOT = Path(__file__).parents[2]
DATA = Path(os.environ.get("CLEANSPAN_OPEN_DATA", ROOT.parent / "shared" / "open-data"))
FILES = sorted(DATA.rglob("*.[eb]df"))
NAMES = [str(path.relative_to(DATA)) for path in FILES]
pytestmark = pytest.mark.skipif(not FILES, reason="the open recordings are not here")
each_file = pytest.mark.parametrize("name", NAMES)
few_files = pytest.mark.parametrize(
    "name",
    [n for n in NAMES if n.startswith("edf-files/") or n.endswith(("S001R01.edf", "t02_1.edf"))],
)
MARKS = [Note(0.25, 0.5, "blink@@Fp1"), Note(0.75, 0.1, "BAD_muscle µ")]
LIBRARIES_WARN = pytest.mark.filterwarnings("ignore")


def whole(recording, channel):
    return np.concatenate([b.samples_uv[0] for b in recording.blocks([channel], block_s=7.0)])


def is_bdf(path):
    return path.read_bytes()[:1] == b"\xff"


def factor(unit):
    return {"mV": 1e3, "V": 1e6}.get(unit, 1.0)


@each_file
def test_is_opened_and_read_wholly(name):
    recording = open_recording(DATA / name)
    for channel in recording.channels:
        samples = whole(recording, channel.index)
        assert len(samples) == round(channel.rate_hz * recording.duration_s)
        assert np.isfinite(samples).all()
    recording.close()


@each_file
@LIBRARIES_WARN
def test_samples_and_annotations_equal_edfio_s(name):
    import edfio

    path = DATA / name
    recording = open_recording(path)
    file = (edfio.read_bdf if is_bdf(path) else edfio.read_edf)(path)
    signals = [s for s in file.signals if "Annotations" not in s.label]
    assert len(signals) == len(recording.channels)
    for channel, signal in zip(recording.channels, signals, strict=True):
        reach = max(abs(channel.lowest_uv), abs(channel.highest_uv))
        np.testing.assert_allclose(
            whole(recording, channel.index),
            np.asarray(signal.data) * factor(channel.unit),
            rtol=1e-6,
            atol=3e-7 * reach,
        )
    theirs = sorted((round(a.onset, 4), a.text) for a in file.annotations if a.text)
    assert sorted((round(n.onset_s, 4), n.text) for n in recording.notes) == theirs


@pytest.mark.skipif(not FILES, reason="the open recordings are not here")
def test_the_eegmmidb_montage_is_64_scalp_electrodes():
    recording = open_recording(DATA / "eegmmidb" / "S001R01.edf")
    assert len({c.electrode for c in recording.channels}) == 64
    assert {c.role for c in recording.channels} == {Role.EEG}
    assert recording.warnings == ()


def test_the_eegmat_montage_is_19_scalp_electrodes_a_reference_and_an_ecg():
    recording = open_recording(DATA / "eegmat" / "Subject02_1.edf")
    roles = [c.role for c in recording.channels]
    assert roles == [Role.EEG] * 19 + [Role.REFERENCE, Role.HEART]
    assert recording.channels[6].electrode == "T7"


def test_a_held_constant_stays_exactly_constant():
    # The last 0.91-0.97 s of every eegmat file is one held value.
    recording = open_recording(DATA / "eegmat" / "Subject02_1.edf")
    end = recording.span(range(19), recording.duration_s - 0.9, 0.9)
    assert (np.ptp(end, axis=1) == 0).all()


@few_files
@LIBRARIES_WARN
def test_marked_copies_are_read_alike_by_three_libraries(name, tmp_path):
    import edfio
    import mne
    import pyedflib

    source, bdf = DATA / name, is_bdf(DATA / name)
    target = tmp_path / f"copy_marked{'.bdf' if bdf else '.edf'}"
    write_marked(source, target, MARKS)
    before, after = open_recording(source), open_recording(target)
    digital = {}
    for i, signal in enumerate(before.ordinary_signals):
        j = after.ordinary_signals[i]
        pieces = [before.stored.raw(r, signal) for r in range(before.n_records)]
        assert [after.stored.raw(r, j) for r in range(after.n_records)] == pieces
        digital[i] = whole(after, i)
    texts = sorted([*(n.text for n in before.notes), *(m.text for m in MARKS)])
    file = (edfio.read_bdf if bdf else edfio.read_edf)(target)
    assert sorted(a.text for a in file.annotations if a.text) == texts
    for channel in before.channels:
        theirs = np.asarray(file.signals[channel.index].data) * factor(channel.unit)
        reach = max(abs(channel.lowest_uv), abs(channel.highest_uv))
        np.testing.assert_allclose(digital[channel.index], theirs, rtol=1e-6, atol=3e-7 * reach)
    with pyedflib.EdfReader(str(target)) as file:
        assert sorted(file.readAnnotations()[2]) == texts
        assert file.signals_in_file == len(before.channels)
        for channel in before.channels:
            np.testing.assert_allclose(
                file.readSignal(channel.index) * factor(channel.unit),
                digital[channel.index],
                rtol=1e-6,
                atol=3e-7 * max(abs(channel.lowest_uv), abs(channel.highest_uv)),
            )
    if before.channels:
        read = mne.io.read_raw_bdf if bdf else mne.io.read_raw_edf
        raw = read(target, stim_channel=None, verbose="error")
        assert len(raw.ch_names) == len(before.channels)
        found = [text.partition("@@")[0] for text in raw.annotations.description]
        assert {"blink", "BAD_muscle µ"} <= set(found)


@few_files
@LIBRARIES_WARN
def test_annotations_alone_are_read_alike_by_three_libraries(name, tmp_path):
    import edfio
    import mne
    import pyedflib

    target = tmp_path / "marks.edf"
    write_annotations_only(DATA / name, target, MARKS)
    recording = open_recording(DATA / name)
    texts = sorted(
        {"Recording starts", *(n.text for n in recording.notes), *(m.text for m in MARKS)}
    )
    with warnings.catch_warnings():
        assert sorted({a.text for a in edfio.read_edf(target).annotations if a.text}) == texts
    with pyedflib.EdfReader(str(target)) as file:
        assert sorted(set(file.readAnnotations()[2])) == texts
    found = {t.partition("@@")[0] for t in mne.read_annotations(target).description}
    assert {text.partition("@@")[0] for text in texts} == found
