"""Marks, and what mne's reading makes of them."""

import tracemalloc

import edfio
import mne
import numpy as np
import pytest

from cleanspan.export.exclusions import apply_to
from cleanspan.export.marked import write_annotations_only, write_marked
from cleanspan.export.marks import Marks, exclusion_text, mark_text, marks_for
from cleanspan.export.plans import Plan
from cleanspan.types import Note


def marks(screened, **values):
    plan = Plan(name="p", purpose="", rationale="", **values)
    return list(marks_for(screened, apply_to(screened, screened.recording.pieces, plan)))


def test_one_mark_a_segment_and_one_a_span(fakes):
    screened = fakes.screened(
        ("Fp1", "blink", 10, 0.4), ("Fp2", "blink", 10, 0.4), ("C3", "line noise", 30, 5)
    )
    assert marks(screened, most_bad_channels=1) == [
        Note(10.0, 0.4, "blink@@EEG Fp1-A1A2"),
        Note(10.0, 0.4, "blink@@EEG Fp2-A1A2"),
        Note(10.0, 0.4, "BAD_blink"),
        Note(30.0, 5.0, "line noise@@EEG C3-A1A2"),
    ]


def test_lost_reference_is_one_mark_for_all_channels(fakes):
    screened = fakes.screened(*fakes.lost_reference(20, 10))
    assert marks(screened) == [
        Note(20.0, 10.0, "contact loss"),
        Note(20.0, 10.0, "BAD_reference_lost"),
    ]


def test_without_a_plan_segments_alone(fakes):
    assert list(marks_for(fakes.screened(("C3", "muscle", 1, 2)), None)) == [
        Note(1.0, 2.0, "muscle@@EEG C3-A1A2")
    ]


def test_texts():
    assert exclusion_text("line noise;muscle") == "BAD_line_noise"
    assert mark_text("Bad tooth", "Cz") == "is Bad tooth@@Cz"


@pytest.fixture
def raw(fakes, tmp_path):
    """One minute, written as EDF, marked, and read again with mne."""
    screened = fakes.screened(
        ("Fp1", "blink", 10, 0.4), ("Fp2", "blink", 10, 0.4), ("C3", "muscle", 30, 5),
        *fakes.lost_reference(45, 5),
    )  # fmt: skip
    noise = np.random.default_rng(5).normal(0, 20, (6, 60 * 256))
    signals = [
        edfio.EdfSignal(values, 256, label=channel.label, physical_dimension="uV")
        for values, channel in zip(noise, screened.eeg, strict=True)
    ]
    edfio.Edf(signals).write(tmp_path / "harbour-07.edf")
    marked = tmp_path / "harbour-07_marked.edf"
    write_marked(tmp_path / "harbour-07.edf", marked, marks(screened, most_bad_channels=1))
    return mne.io.read_raw_edf(marked, verbose="error")


def test_mne_reads_channel_marks_as_marks_of_channels(raw):
    found = {
        (onset, text, names)
        for onset, text, names in zip(
            raw.annotations.onset,
            raw.annotations.description,
            raw.annotations.ch_names,
            strict=True,
        )
    }
    # mne joins marks of one onset, length and text into one with several channels
    assert (10.0, "blink", ("EEG Fp1-A1A2", "EEG Fp2-A1A2")) in found
    assert (30.0, "muscle", ("EEG C3-A1A2",)) in found
    assert (45.0, "contact loss", ()) in found
    assert (45.0, "BAD_reference_lost", ()) in found
    assert (10.0, "BAD_blink", ()) in found
    assert len(found) == 5


def test_mne_drops_epochs_in_excluded_spans_and_no_others(raw):
    events = mne.make_fixed_length_events(raw, start=0, duration=1.0)
    epochs = mne.Epochs(
        raw, events, tmin=0, tmax=0.98, baseline=None, verbose="error", preload=True
    )
    kept = set(epochs.selection)
    # the blink 10..10.4 and the lost reference 45..50; muscle on C3 alone 30..35 drops nothing
    assert set(range(60)) - kept == {10, 45, 46, 47, 48, 49}


@pytest.mark.parametrize("write", [write_marked, write_annotations_only])
def test_many_marks_are_never_all_held_as_texts(tmp_path, write):
    source = tmp_path / "harbour-07.edf"
    edfio.Edf([edfio.EdfSignal(np.zeros(200 * 100), 100, label="EEG Cz-A1A2")]).write(source)

    def peak_bytes(count):
        marks = Marks(
            np.linspace(0, 199, count),
            np.full(count, 0.4),
            np.zeros(count, dtype=np.int32),
            ("muscle@@EEG Cz-A1A2",),
        )
        tracemalloc.start()
        write(source, tmp_path / "marked.edf", marks)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return peak

    # A list of texts alone would take 80 bytes a mark, a `Note` with its numbers 100.
    assert peak_bytes(12_000) - peak_bytes(2_000) < 10_000 * 40
