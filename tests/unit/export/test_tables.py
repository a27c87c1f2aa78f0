"""Tables written and read back."""

import json

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from cleanspan.config import Config, Export
from cleanspan.errors import RecordingError, UsageError
from cleanspan.export.cells import FORMULA_STARTS, formula_warning, plain_cell, safe_stem
from cleanspan.export.exclusions import apply_to
from cleanspan.export.plans import Plan
from cleanspan.export.stored import StoredResult, find_results
from cleanspan.export.tables import facts_of, write_applied, write_tables
from cleanspan.types import Channel, Note, Piece, Role


def test_segments_keep_the_contract(fakes, tmp_path):
    screened = fakes.screened(("C3", "line noise", 1.23456, 2.0), ("Fp1", "blink", 0.5, 0.25))
    write_tables(screened, tmp_path)
    lines = (tmp_path / "harbour-07_segments.csv").read_text().splitlines()
    assert lines[0] == "channel,label,kind,onset_s,duration_s,confidence"
    assert lines[1] == "EEG Fp1-A1A2,blink,,0.5,0.25,0.9"
    assert lines[2] == "EEG C3-A1A2,line noise,,1.235,2.0,0.9"


def test_files_are_named_after_the_recording(fakes, tmp_path):
    written = write_tables(fakes.screened(), tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        f"harbour-07_{name}"
        for name in ("segments.csv", "channels.csv", "windows.parquet", "facts.json")
    )
    assert all(path.exists() for path in written)


def test_probabilities_have_one_row_group_a_channel(fakes, tmp_path):
    screened = fakes.screened()
    write_tables(screened, tmp_path)
    file = pq.ParquetFile(tmp_path / "harbour-07_windows.parquet")
    assert file.num_row_groups == 6
    assert file.schema_arrow.names == [
        "channel", "onset_s", "blink", "muscle", "line_noise", "contact_loss",
    ]  # fmt: skip
    assert str(file.schema_arrow.field("blink").type) == "float"
    table = pd.read_parquet(tmp_path / "harbour-07_windows.parquet")
    assert isinstance(table["channel"].dtype, pd.CategoricalDtype)
    mine = table[table["channel"] == "EEG C4-A1A2"]
    np.testing.assert_array_equal(mine["line_noise"], screened.probabilities.channel(3)[:, 2])


def test_stored_result_gives_back_what_was_screened(fakes, tmp_path):
    recording = fakes.FakeRecording(
        extra=(fakes.button_channel(),),
        notes=(Note(3.0, 1.0, "eyes open"),),
        pieces=(Piece(0.0, 30.0), Piece(40.0, 20.0)),
    )
    screened = fakes.screened(
        ("C3", "muscle", 10, 2), *fakes.lost_reference(20, 5), recording=recording
    )
    write_tables(screened, tmp_path, presses=[Note(5.0, 0.2, "button")], warnings=["said"])
    stored = StoredResult.load(tmp_path)
    assert stored.recording == "harbour-07.edf"
    assert repr(stored.eeg) == repr(screened.eeg)  # an unknown range is NaN, equal to nothing
    assert repr(stored.all_channels) == repr(recording.channels)
    assert stored.pieces == recording.pieces
    assert stored.labels == screened.labels
    assert stored.findings == screened.findings
    assert stored.notes == recording.notes
    assert stored.presses == (Note(5.0, 0.2, "button"),)
    assert stored.warnings == ("the header states no filter", "said")
    assert stored.config == screened.config.fingerprint()
    texts = ["channel", "label", "kind"]
    pd.testing.assert_frame_equal(
        stored.segments.astype(dict.fromkeys(texts, str)),
        screened.segments.astype(dict.fromkeys(texts, str)),
    )
    for row in range(6):
        np.testing.assert_array_equal(
            stored.probabilities.channel(row), screened.probabilities.channel(row)
        )
    np.testing.assert_array_equal(stored.probabilities.onset_s, screened.probabilities.onset_s)


def test_plan_gives_the_same_from_the_store_as_from_the_recording(fakes, tmp_path):
    screened = fakes.screened(("C3", "muscle", 10, 2), *fakes.lost_reference(20, 5))
    write_tables(screened, tmp_path)
    stored = StoredResult.load(tmp_path)
    plan = Plan(name="p", purpose="", rationale="", most_bad_channels=0, padding_s=0.1)
    now = apply_to(screened, screened.recording.pieces, plan)
    later = apply_to(stored, stored.pieces, plan)
    pd.testing.assert_frame_equal(now.excluded, later.excluded)
    pd.testing.assert_frame_equal(now.channels, later.channels)


def test_without_windows_the_rest_can_still_be_read(fakes, tmp_path):
    screened = fakes.screened(config=Config(export=Export(windows=False)))
    write_tables(screened, tmp_path)
    assert StoredResult.load(tmp_path).probabilities is None


def test_no_segments_at_all(fakes, tmp_path):
    write_tables(fakes.screened(), tmp_path)
    stored = StoredResult.load(tmp_path)
    assert stored.segments.empty
    plan = Plan(name="p", purpose="", rationale="", most_bad_channels=0)
    assert apply_to(stored, stored.pieces, plan).usable_s == 60.0


def test_channel_called_na_stays_a_name(fakes, tmp_path):
    odd = Channel(6, "NA", Role.EEG, None, 256.0)
    screened = fakes.screened(
        ("C3", "muscle", 1, 1, float("nan")), recording=fakes.FakeRecording(extra=(odd,))
    )
    named = screened.segments["channel"].cat.rename_categories({"EEG C3-A1A2": "NA"})
    screened.segments["channel"] = named
    write_tables(screened, tmp_path)
    stored = StoredResult.load(tmp_path)
    assert stored.segments["channel"].tolist() == ["NA"]
    assert np.isnan(stored.segments["confidence"].iloc[0])


def test_facts_are_json_without_nan_and_without_notes_where_asked(fakes):
    recording = fakes.FakeRecording(notes=(Note(0.0, 0.0, "spoke with M. Example"),))
    config = Config(export=Export(deidentify=True, keep_notes=False))
    facts = facts_of(fakes.screened(recording=recording, config=config))
    text = json.dumps(facts, allow_nan=False)
    assert "Example" not in text
    assert facts["channels"][0]["lowest_uv"] is None
    kept = facts_of(
        fakes.screened(recording=recording, config=Config(export=Export(deidentify=True)))
    )
    assert kept["notes"] == [[0.0, 0.0, "spoke with M. Example"]]


def test_facts_hold_nothing_else(fakes):
    # The list is closed on purpose: nothing from the header's patient fields may slip in.
    assert set(facts_of(fakes.screened())) == {
        "facts", "recording", "content", "format", "duration_s", "pieces", "channels", "screened",
        "labels", "window_s", "model", "config", "plan", "notes", "presses", "mains_hz",
        "findings", "warnings",
    }  # fmt: skip


def test_exclusion_files(fakes, tmp_path):
    screened = fakes.screened(("C3", "muscle", 10, 2), ("C4", "muscle", 11, 2))
    plan = Plan(name="p", purpose="", rationale="", most_bad_channels=0)
    result = apply_to(screened, screened.recording.pieces, plan)
    write_applied(result, tmp_path, "R")
    write_applied(result, tmp_path, "R", tag="naps")
    text = (tmp_path / "R_exclusions.csv").read_text()
    assert text == (
        "onset_s,duration_s,reason,channels\n10.0,3.0,muscle,EEG C3-A1A2;EEG C4-A1A2\n"
    )
    assert (tmp_path / "R_exclusions_naps.csv").read_text() == text
    assert (tmp_path / "R_kept.csv").read_text() == "onset_s,duration_s\n0.0,10.0\n13.0,47.0\n"
    usable = pd.read_csv(tmp_path / "R_usable.csv", keep_default_na=False)
    assert usable.columns.tolist() == ["channel", "use", "usable_s", "bad_s", "reason"]
    assert usable["usable_s"].tolist() == [57.0] * 6


class TestDamage:
    def test_no_result(self, tmp_path):
        with pytest.raises(RecordingError, match=r"must hold one file \*_facts.json, got 0"):
            StoredResult.load(tmp_path)

    @pytest.mark.parametrize(
        "name", ["facts.json", "segments.csv", "channels.csv", "windows.parquet"]
    )
    def test_cut_off_file_is_one_line(self, fakes, tmp_path, name):
        write_tables(fakes.screened(("C3", "muscle", 10, 2)), tmp_path)
        path = tmp_path / f"harbour-07_{name}"
        path.write_bytes(path.read_bytes()[: 25 if name == "segments.csv" else 0])
        with pytest.raises(RecordingError, match="screen the recording again") as caught:
            StoredResult.load(tmp_path)
        assert len(str(caught.value).splitlines()) == 1
        assert "Error" not in str(caught.value)
        assert str(path) in str(caught.value)

    @pytest.mark.parametrize(
        ("name", "old", "new", "got"),
        [
            ("segments.csv", "confidence", "confid", "nothing under the name 'confidence'"),
            ("segments.csv", "10", "ten", "content that does not have the form it should"),
            ("segments.csv", ",muscle", ',"muscle', "a table that breaks off"),
            ("channels.csv", "verdict", "verdct", "nothing under the name 'verdict'"),
            ("facts.json", '"screened"', '"screend"', "nothing under the name 'screened'"),
            ("facts.json", '"duration_s": 60.0', '"duration_s": null', "form it should"),
            ("facts.json", "{", "", "text that breaks off or is no JSON"),
        ],
    )
    def test_what_is_wrong_is_said_in_plain_words(self, fakes, tmp_path, name, old, new, got):
        write_tables(fakes.screened(("C3", "muscle", 10, 2)), tmp_path)
        path = tmp_path / f"harbour-07_{name}"
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new, 1))
        with pytest.raises(RecordingError) as caught:
            StoredResult.load(tmp_path)
        said = str(caught.value)
        assert said.startswith(f"{path}: a result must be whole, got ")
        assert got in said
        assert "Error" not in said
        assert said.count("\n") == 0

    def test_table_of_probabilities_damaged_in_the_middle(self, fakes, tmp_path):
        write_tables(fakes.screened(), tmp_path)
        path = tmp_path / "harbour-07_windows.parquet"
        whole = path.read_bytes()
        stored = StoredResult.load(tmp_path)
        path.write_bytes(whole[: len(whole) // 2])
        with pytest.raises(RecordingError, match="a result must be whole"):
            stored.probabilities.channel(0)

    def test_newer_layout(self, fakes, tmp_path):
        write_tables(fakes.screened(), tmp_path)
        path = tmp_path / "harbour-07_facts.json"
        path.write_text(path.read_text().replace('"facts": 1', '"facts": 99'))
        with pytest.raises(RecordingError, match="must be of format 1, got 99"):
            StoredResult.load(tmp_path)


def test_results_are_found_in_a_folder_of_results(fakes, tmp_path):
    for name in ("a", "b", ".unfinished-1-new"):
        (tmp_path / name).mkdir()
        write_tables(fakes.screened(), tmp_path / name)
    assert find_results([tmp_path]) == [tmp_path / "a", tmp_path / "b"]
    assert find_results([tmp_path / "a", tmp_path]) == [tmp_path / "a", tmp_path / "b"]
    with pytest.raises(UsageError, match="nothing of that name"):
        find_results([tmp_path / "nowhere"])


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("sub-01_task-rest_eeg.edf", "sub-01_task-rest_eeg"),
        ("Überwachung 3.bdf", "Überwachung 3"),
        ("-rf.edf", "_rf"),
        (".hidden.edf", "_hidden"),
        ('a:b*c"d.edf', "a_b_c_d"),
        ("line\nbreak.edf", "line_break"),
        ("x" * 400 + ".edf", "x" * 150),
        (" .edf", "recording"),
        ("...", "_"),
    ],
)
def test_stems_are_safe_names(name, stem):
    assert safe_stem(name) == stem


@pytest.mark.parametrize("text", ["=1+1", "+49 30", "-5", "@SUM(A1)", "\t=1", "\r=1"])
def test_free_text_is_no_formula(text):
    cell = plain_cell(text)
    assert cell == f"'{text}" or not cell.startswith(FORMULA_STARTS)


def test_ordinary_text_is_left_alone():
    assert plain_cell("night 3") == "night 3"
    assert plain_cell("two\nlines") == "two lines"


def test_channel_names_like_formulas_are_kept_and_warned_of(fakes, tmp_path):
    odd = Channel(6, "=Fp1+1", Role.EEG, None, 256.0)
    screened = fakes.screened(recording=fakes.FakeRecording(extra=(odd,)))
    write_tables(screened, tmp_path)
    assert "=Fp1+1," in (tmp_path / "harbour-07_channels.csv").read_text()
    assert any(
        "open the CSV files in a spreadsheet as text only" in w
        for w in StoredResult.load(tmp_path).warnings
    )
    assert formula_warning(["Fp1"]) is None
