"""Every row of the table in ``guides/reading.md``: read, with a warning by name, or refused."""

import runpy
from pathlib import Path

import numpy as np
import pytest

from cleanspan.errors import NotARecordingError
from cleanspan.recording.opening import open_recording
from cleanspan.types import Role

_module = runpy.run_path(str(Path(__file__).with_name("odd_edf_cases.py")))
CASES = {case.name: case for case in _module["all_cases"]()}
READ = [name for name, case in CASES.items() if case.verdict == "reads"]
REFUSED = [name for name, case in CASES.items() if case.verdict == "refuses"]


def opened(tmp_path, name):
    case = CASES[name]
    path = tmp_path / f"case{case.suffix}"
    path.write_bytes(case.content)
    return open_recording(path)


@pytest.mark.parametrize("name", READ)
def test_is_read_and_the_warnings_name_the_matter(name, tmp_path):
    recording = opened(tmp_path, name)
    words = CASES[name].words
    assert len(recording.warnings) == len(words), recording.warnings
    for warning, expected in zip(recording.warnings, words, strict=True):
        assert expected in warning
        assert "\n" not in warning


@pytest.mark.parametrize("name", [name for name in READ if CASES[name].samples])
def test_stored_samples_arrive_whole_and_in_order(name, tmp_path):
    recording = opened(tmp_path, name)
    got = np.concatenate([block.samples_uv[0] for block in recording.blocks([0], block_s=1.3)])
    low, high = recording.digital_limits(0)
    stored = np.resize(np.arange(4000) * 7 - 100, CASES[name].samples).astype(float)
    if name == "records of a minute":
        stored = ((np.arange(2400) * 7 - 100) % 3000).astype(float)
    signal = recording.header.signals[0]
    scale = (signal.physical_max - signal.physical_min) / (high - low) if high != low else 0
    calibrated = np.isfinite(scale) and 0 < abs(scale) < 1e9
    expected = signal.physical_min + scale * (stored - low) if calibrated else stored
    np.testing.assert_allclose(got, expected, rtol=2e-6, atol=2e-3)


@pytest.mark.parametrize("name", REFUSED)
def test_is_refused_with_a_reason(name, tmp_path):
    with pytest.raises(NotARecordingError) as caught:
        opened(tmp_path, name)
    assert str(caught.value).startswith("case.edf: ")
    for expected in CASES[name].words:
        assert expected in str(caught.value)
    assert "\n" not in str(caught.value)


def test_all_annotation_signals_are_read(tmp_path):
    notes = opened(tmp_path, "two annotation signals").notes
    assert [(note.onset_s, note.duration_s, note.text) for note in notes] == [
        (1.0, 0.0, "one"),
        (2.0, 1.0, "two"),
    ]


def test_a_sub_second_start_is_the_start_of_the_first_sample(tmp_path):
    start = opened(tmp_path, "sub-second start").start
    assert start.isoformat() == "2026-03-02T21:00:00.250000"


def test_a_gap_makes_two_pieces_and_no_block_spans_it(tmp_path):
    recording = opened(tmp_path, "EDF+D with a gap")
    assert [(p.onset_s, p.duration_s) for p in recording.pieces] == [(0.0, 2.0), (7.5, 2.0)]
    blocks = [(b.piece, b.first_sample, b.samples_uv.shape[1]) for b in recording.blocks([0])]
    assert blocks == [(0, 0, 20), (1, 0, 20)]
    assert recording.duration_s == 9.5


def test_a_span_over_a_gap_is_nan_where_nothing_was_recorded(tmp_path):
    recording = opened(tmp_path, "EDF+D with a gap")
    span = recording.span([0], 1.5, 7.0)[0]
    assert len(span) == 70
    assert np.isfinite(span[:5]).all()
    assert np.isnan(span[5:60]).all()
    assert np.isfinite(span[60:]).all()
    whole = np.concatenate([block.samples_uv[0] for block in recording.blocks([0])])
    np.testing.assert_array_equal(span[:5], whole[15:20])
    np.testing.assert_array_equal(span[60:], whole[20:30])


def test_rounded_time_stamps_are_no_gap(tmp_path):
    assert len(opened(tmp_path, "EDF+D without a gap, stamps rounded").pieces) == 1


def test_records_that_step_back_begin_a_piece_of_their_own(tmp_path):
    pieces = opened(tmp_path, "EDF+C whose time stamps step back").pieces
    assert [(p.onset_s, p.duration_s) for p in pieces] == [(0.0, 2.0), (2.0, 2.0)]


@pytest.mark.parametrize("name", ["bytes outside ASCII: Latin-1", "bytes outside ASCII: UTF-8"])
def test_micro_is_understood_in_any_encoding(name, tmp_path):
    channel = opened(tmp_path, name).channels[0]
    assert channel.unit == "µV"
    assert channel.role is Role.EEG


def test_channels_of_different_rates_cannot_share_a_block(tmp_path):
    recording = opened(tmp_path, "sampling rates differ by channel")
    with pytest.raises(ValueError, match="one common sampling rate"):
        next(recording.blocks([0, 1]))
    assert next(recording.blocks([0, 2])).samples_uv.shape == (2, 40)


def test_repeated_and_empty_labels_become_unique(tmp_path):
    labels = [channel.label for channel in opened(tmp_path, "duplicate labels").channels]
    assert labels == ["EEG Fp1-A1A2", "EEG Fp1-A1A2 #2", "EEG Fp1-A1A2 #3"]
    unnamed = opened(tmp_path, "empty label").channels[1]
    assert (unnamed.label, unnamed.role) == ("unnamed", Role.UNUSED)


def test_warnings_and_refusals_never_repeat_the_patient_field(tmp_path):
    secret = b"ID77 F 09-SEP-1950 Quillfeather"
    for case in CASES.values():
        content = case.content
        if len(content) > 88:
            content = content[:8] + secret.ljust(80) + content[88:]
        path = tmp_path / f"case{case.suffix}"
        path.write_bytes(content)
        try:
            said = " ".join(open_recording(path).warnings)
        except NotARecordingError as error:
            said = str(error)
        assert "Quillfeather" not in said
        assert "1950" not in said


def test_the_guides_table_says_what_cleanspan_does(tmp_path):
    # The other readers' columns change with their versions; `make_reading_table.py` makes them.
    made = runpy.run_path(str(Path(__file__).with_name("make_reading_table.py")))
    text = made["GUIDE"].read_text(encoding="utf-8")
    lines = text.partition(made["BEGIN"])[2].partition(made["END"])[0].splitlines()
    rows = [line.split(" | ")[:2] for line in lines if line.startswith("| ")][2:]
    assert [name.removeprefix("| ") for name, _ in rows] == list(CASES)
    for name, told in rows:
        case = CASES[name.removeprefix("| ")]
        assert told == made["told_by_us"](case, tmp_path / f"case{case.suffix}")[0]
