"""The demo recordings: reproducible, readable by others, and as their story says."""

import csv
import io
from pathlib import Path

import numpy as np
import pyedflib
import pytest

from cleanspan.training.demo import main, sessions, write_demo
from cleanspan.training.simulator.readers import as_read
from cleanspan.training.simulator.truth import Span

SHIPPED = Path(__file__).parents[2] / "demo_data"
VOCABULARY = {"blink", "muscle", "line noise", "contact loss", "other", "unsure", "reviewed"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("demo")
    assert main([str(out)]) == 0
    return out


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def read(path):
    with pyedflib.EdfReader(str(path)) as file:
        samples = [file.readSignal(k) for k in range(file.signals_in_file)]
        return file.getSignalLabels(), samples, file.getHeader(), file.getSignalHeaders()


def test_written_twice_it_is_the_same_to_the_byte(folder, tmp_path):
    written = write_demo(tmp_path / "again")
    assert len(written) == 5
    for path in written:
        assert path.read_bytes() == (folder / path.name).read_bytes()


@pytest.mark.parametrize("session", sessions(), ids=lambda session: session.name)
def test_shipped_recordings_are_what_the_command_makes(folder, session):
    # Not byte for byte: another processor may round a sample to the next step.
    for one, other in zip(
        read(SHIPPED / f"{session.name}.edf")[1], read(folder / f"{session.name}.edf")[1],
        strict=True,
    ):  # fmt: skip
        np.testing.assert_allclose(one, other, atol=0.21)


@pytest.mark.parametrize("name", ["hand-labels-reader-1.csv", "hand-labels-reader-2.csv"])
def test_shipped_hand_labels_are_what_the_command_makes(folder, name):
    assert len(rows(SHIPPED / name)) == pytest.approx(len(rows(folder / name)), abs=4)


def test_headers_hold_codes_only(folder):
    for session in sessions():
        header = read(folder / f"{session.name}.edf")[2]
        assert header["patientcode"] == session.subject
        for key in ("patientname", "birthdate", "technician", "admincode"):
            assert header[key] in ("", "X")


def test_first_recording_has_old_names_and_a_button_of_another_range(folder):
    labels, samples, _, headers = read(folder / "harbour-street-p01-rest.edf")
    assert labels[7] == "EEG T3-A1A2"
    assert "Button" in labels
    button = labels.index("Button")
    assert headers[button]["dimension"] == "mV"
    assert samples[button].max() == 5000
    assert np.sum(np.diff(samples[button]) > 2500) == 2


def test_second_recording_has_thirteen_unused_inputs(folder):
    labels = read(folder / "harbour-street-p02-listening.edf")[0]
    assert sum(label.startswith("Input") for label in labels) == 13
    assert len(labels) == 19 + 13 + 1


def test_together_they_show_every_label_and_kind(folder):
    marks = rows(folder / "hand-labels-reader-1.csv")
    assert {row["label"] for row in marks} == VOCABULARY
    kinds = {row["note"] for row in marks if row["label"] == "contact loss"}
    assert kinds == {"floating", "popping", "flat", "railed", "reference lost"}


def test_hand_labels_follow_the_contract(folder):
    for name in ("hand-labels-reader-1.csv", "hand-labels-reader-2.csv"):
        marks = rows(folder / name)
        lengths = {f"{s.name}.edf": s.scenario.duration_s for s in sessions()}
        seen = {}
        for row in marks:
            end_s = float(row["onset_s"]) + float(row["duration_s"])
            if row["label"] == "reviewed":
                seen[row["recording"]] = end_s
            assert 0 <= float(row["onset_s"]) < end_s <= lengths[row["recording"]] + 1e-6
            assert end_s <= seen[row["recording"]] + 1e-6
            assert row["channels"]
        assert set(seen) == set(lengths)


def test_eyes_closed_minute_has_strong_alpha_and_no_blink_marks(folder):
    labels, samples, _, _ = read(folder / "harbour-street-p01-rest.edf")
    back = samples[labels.index("EEG O1-A1A2")]
    spectrum = np.abs(np.fft.rfft(back[64 * 250 : 119 * 250]))
    assert 8 <= 1 + np.argmax(spectrum[55 : 40 * 55]) / 55 <= 13
    late = [
        row
        for row in rows(folder / "hand-labels-reader-1.csv")
        if row["recording"].startswith("harbour-street-p01")
        and row["label"] == "blink"
        and float(row["onset_s"]) > 62.7
    ]
    assert late == []


def test_unwritable_folder_is_one_line(tmp_path, capsys):
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(SystemExit) as stop:
        main([str(blocked)])
    assert stop.value.code == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_reader_joins_pieces_of_a_lasting_trace_and_groups_channels():
    pieces = [
        Span("muscle", "", 0.0, 4.0, ("T7",)),
        Span("unsure", "muscle", 4.0, 1.0, ("T7",)),
        Span("muscle", "", 5.0, 3.0, ("T7",)),
        Span("blink", "", 2.0, 0.3, ("Fp1", "Fp2")),
    ]
    got = as_read(
        pieces,
        recording="R.edf",
        reader="someone",
        electrodes=("Fp1", "Fp2", "T7"),
        rng=np.random.default_rng(0),
        jitter_s=0.0,
        spelling={"T7": "T3"},
        reviewed=(0.0, 10.0),
    )
    assert [(row.label, row.onset_s, row.duration_s, row.channels) for row in got] == [
        ("reviewed", 0.0, 10.0, "all"),
        ("muscle", 0.0, 8.0, "T3"),
        ("blink", 2.0, 0.3, "Fp1 Fp2"),
    ]


def test_reader_says_nothing_of_what_was_not_looked_at():
    spans = [Span("blink", "", 1.0, 0.3, ("Fp1",)), Span("blink", "", 8.0, 0.3, ("Fp1",))]
    got = as_read(
        spans,
        recording="R.edf",
        reader="someone",
        electrodes=("Fp1", "Fz"),
        rng=np.random.default_rng(0),
        reviewed=(0.0, 5.0),
    )
    text = io.StringIO("\n".join(row.label for row in got)).getvalue().split()
    assert text == ["reviewed", "blink"]
