"""Formats that go through mne: BrainVision and FIF, written by hand and by mne."""

import numpy as np
import pytest

from cleanspan.errors import NotARecordingError, OutputError, RecordingError
from cleanspan.export.marked import can_copy, derived_name, write_annotations_only, write_marked
from cleanspan.recording.opening import open_recording
from cleanspan.types import Note, Role

HEADER = """Brain Vision Data Exchange Header File Version 1.0

[Common Infos]
Codepage=UTF-8
DataFile=night.eeg
MarkerFile=night.vmrk
DataFormat=BINARY
DataOrientation=MULTIPLEXED
NumberOfChannels=4
SamplingInterval=4000

[Binary Infos]
BinaryFormat=INT_16

[Channel Infos]
Ch1=Fp1,,0.1,µV
Ch2=T3,,0.1,µV
Ch3=HEOG,,0.1,µV
Ch4=Spare,,0.1,µV
"""
MARKERS = """Brain Vision Data Exchange Marker File, Version 1.0

[Common Infos]
Codepage=UTF-8
DataFile=night.eeg

[Marker Infos]
Mk1=New Segment,,1,1,0,20260302210000000000
Mk2=Comment,eyes closed,501,250,0
Mk3=New Segment,,1501,1,0
"""


@pytest.fixture
def digital():
    return np.random.default_rng(1).integers(-2000, 2000, (2500, 4)).astype("<i2")


@pytest.fixture
def brainvision(tmp_path, digital):
    (tmp_path / "night.vhdr").write_text(HEADER, encoding="utf-8")
    (tmp_path / "night.vmrk").write_text(MARKERS, encoding="utf-8")
    (tmp_path / "night.eeg").write_bytes(digital.tobytes())
    recording = open_recording(tmp_path / "night.vhdr")
    yield recording
    recording.close()


def test_brainvision_channels(brainvision):
    found = [(c.label, c.electrode, c.role, c.rate_hz) for c in brainvision.channels]
    assert found == [
        ("Fp1", "Fp1", Role.EEG, 250.0),
        ("T3", "T7", Role.EEG, 250.0),
        ("HEOG", None, Role.EYE, 250.0),
        ("Spare", None, Role.UNUSED, 250.0),
    ]
    assert brainvision.start.isoformat() == "2026-03-02T21:00:00"


def test_filters_that_the_header_does_not_state_are_not_made_up(brainvision):
    """Mne gives 0 Hz and half the sampling rate where a file says nothing."""
    bands = {(c.high_pass_hz, c.low_pass_hz, c.notch_hz) for c in brainvision.channels}
    assert bands == {(None, None, None)}


def test_brainvision_segments_are_pieces(brainvision, digital):
    assert [(p.onset_s, p.duration_s) for p in brainvision.pieces] == [(0.0, 6.0), (6.0, 4.0)]
    blocks = list(brainvision.blocks([0, 1], block_s=5.0))
    assert [(b.piece, b.first_sample, b.samples_uv.shape) for b in blocks] == [
        (0, 0, (2, 1250)),
        (0, 1250, (2, 250)),
        (1, 0, (2, 1000)),
    ]
    whole = np.concatenate([b.samples_uv for b in blocks], axis=1)
    np.testing.assert_allclose(whole, digital[:, :2].T * 0.1, atol=1e-4)
    assert whole.dtype == np.float32


def test_brainvision_span_and_notes(brainvision, digital):
    span = brainvision.span([1], 9.0, 2.0)[0]
    np.testing.assert_allclose(span[:250], digital[2250:, 1] * 0.1, atol=1e-4)
    assert np.isnan(span[250:]).all()
    assert Note(2.0, 1.0, "Comment/eyes closed") in brainvision.notes


def test_only_annotations_can_be_written(brainvision, tmp_path):
    assert not can_copy(brainvision)
    with pytest.raises(OutputError, match="annotations-only"):
        write_marked(brainvision, tmp_path / "x.edf", [])
    assert derived_name(brainvision) == "night_marked.edf"
    write_annotations_only(brainvision, tmp_path / "x.edf", [Note(1.5, 0.2, "blink@@Fp1")])
    written = open_recording(tmp_path / "x.edf")
    assert written.start == brainvision.start
    assert Note(1.5, 0.2, "blink@@Fp1") in written.notes


@pytest.fixture
def fif(tmp_path):
    import mne

    data = np.random.default_rng(2).normal(0, 2e-5, (3, 3000))
    info = mne.create_info(["C3", "EEG 001", "Cz"], 300.0, ["eeg", "eeg", "eeg"])
    raw = mne.io.RawArray(data, info, first_samp=900, verbose="error")
    raw.set_annotations(
        mne.Annotations([1.0, 4.0], [0.5, 2.0], ["note", "BAD_ACQ_SKIP"]), verbose="error"
    )
    path = tmp_path / "night_raw.fif"
    raw.save(path, fmt="double", verbose="error")
    return path, data


def test_fif_skips_are_left_out_and_times_count_from_the_first_sample(fif):
    path, data = fif
    recording = open_recording(path)
    assert [(p.onset_s, p.duration_s) for p in recording.pieces] == [(0.0, 4.0), (6.0, 4.0)]
    span = recording.span([0], 3.5, 3.0)[0]
    np.testing.assert_allclose(span[:150], data[0, 1050:1200] * 1e6, rtol=1e-5, atol=1e-4)
    assert np.isnan(span[150:750]).all()
    np.testing.assert_allclose(span[750:], data[0, 1800:1950] * 1e6, rtol=1e-5, atol=1e-4)
    assert recording.notes[0] == Note(1.0, 0.5, "note")
    recording.close()


def test_a_label_without_a_10_10_name_is_not_screened(fif):
    recording = open_recording(fif[0])
    assert [c.role for c in recording.channels] == [Role.EEG, Role.OTHER, Role.EEG]
    assert any("not screened: EEG 001" in text for text in recording.warnings)
    recording.close()


@pytest.mark.parametrize("name", ["x.vhdr", "x.fif", "x.set", "x.gdf", "x.cnt", "x.txt", "x"])
def test_damaged_or_foreign_files_are_refused_in_one_line(name, tmp_path):
    path = tmp_path / name
    path.write_bytes(bytes(range(256)) * 9)
    with pytest.raises(NotARecordingError) as caught:
        open_recording(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(f"{name}: it must be an EEG recording")


@pytest.mark.parametrize(("make", "said"), [("folder", "got a folder"), ("nothing", "must exist")])
def test_what_is_no_file_is_refused(make, said, tmp_path):
    path = tmp_path / "x.edf"
    if make == "folder":
        path.mkdir()
    with pytest.raises(NotARecordingError, match=said):
        open_recording(path)


def test_a_file_that_was_cut_while_it_was_copied_is_told_as_such(tmp_path):
    """Its header is whole, so it opens; the samples break off."""
    import mne

    info = mne.create_info(["Fp1", "Fp2", "O1", "O2"], 250.0, "eeg")
    samples = np.random.default_rng(2).normal(0, 1e-5, (4, 250 * 60))
    path = tmp_path / "night_raw.fif"
    mne.io.RawArray(samples, info, verbose="error").save(path, verbose="error")
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    recording = open_recording(path)
    with pytest.raises(RecordingError, match=r"^night_raw.fif: .*copy it again"):
        list(recording.blocks([0, 1, 2, 3]))


def test_the_content_decides_not_the_name(tmp_path):
    import runpy
    from pathlib import Path

    source = Path(__file__).parents[1] / "conformance" / "edf_bytes.py"
    made = runpy.run_path(str(source))
    path = tmp_path / "night.dat"
    path.write_bytes(made["edf_bytes"]([made["Signal"]()]))
    assert open_recording(path).format == "EDF"


def test_a_text_file_named_as_a_recording_is_told_in_plain_words(tmp_path):
    path = tmp_path / "notes_raw.fif"
    path.write_text("hello\nworld\n")  # too short for a tag: mne stumbles over None
    with pytest.raises(NotARecordingError) as caught:
        open_recording(path)
    assert "its content is not what its name says" in str(caught.value)
    assert "NoneType" not in str(caught.value)
