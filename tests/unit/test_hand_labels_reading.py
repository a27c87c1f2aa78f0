"""Hand labels from CSV files and from annotations: what is understood, what is refused."""

import numpy as np
import pytest
from edfio import Edf, EdfAnnotation, EdfSignal

from cleanspan.config import LabelRules, load_config
from cleanspan.errors import LabelsError
from cleanspan.training.finding import find_recordings
from cleanspan.training.hand_labels import (
    by_file,
    electrode_key,
    read_hand_labels,
)

HEADER = "recording,label,onset_s,duration_s,channels,reader,note\n"


def write(tmp_path, *rows, name="labels.csv", header=HEADER):
    path = tmp_path / name
    path.write_text(header + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def write_edf(path, annotations=(), labels=("EEG Fp1-A1A2", "EEG O1-A1A2"), seconds=10):
    noise = np.random.default_rng(3)
    signals = [
        EdfSignal(noise.normal(0, 20, seconds * 100), 100, label=label, physical_dimension="uV",
                  physical_range=(-200, 200))
        for label in labels
    ]  # fmt: skip
    Edf(signals, annotations=[EdfAnnotation(*item) for item in annotations] or None).write(path)
    return path


def problems(path, rules=None, **more):
    with pytest.raises(LabelsError) as caught:
        read_hand_labels([path], rules, **more)
    return caught.value.problems


def test_a_row_becomes_a_label_with_its_place(tmp_path):
    path = write(tmp_path, "ward_01.edf,blink,9.4,0.45,EEG Fp1-A1A2 Fp2,reader one,wide")
    (row,) = read_hand_labels([path])
    assert (row.recording, row.label, row.reader) == ("ward_01.edf", "blink", "reader one")
    assert (row.onset_s, row.duration_s, row.end_s) == (9.4, 0.45, 9.85)
    assert row.channels == (["EEG", "Fp1-A1A2"][1], "Fp2")
    assert row.place == f"{path}:2"


@pytest.mark.parametrize("written", ["Fp1 F7", "Fp1;F7", '"Fp1, F7"', "EEG Fp1; EEG F7"])
def test_channels_may_be_separated_as_spreadsheets_do(tmp_path, written):
    (row,) = read_hand_labels([write(tmp_path, f"ward_01.edf,blink,9,1,{written},first,")])
    assert row.channels == ("Fp1", "F7")


@pytest.mark.parametrize(
    ("encoding", "got"),
    [
        ("latin-1", "other bytes in line 3 (Latin-1, perhaps)"),
        ("utf-16", "UTF-16"),
        ("utf-16-le", "UTF-16, or no text at all"),
    ],
)
def test_a_table_in_another_encoding_is_one_line_that_says_what_to_do(tmp_path, encoding, got):
    path = tmp_path / "labels.csv"
    note = "undeutlich" if encoding == "utf-16-le" else "für später"
    rows = f"a.edf,blink,1,0.2,all,r,\na.edf,blink,3,0.2,all,r,{note}\n"
    path.write_text(HEADER + rows, encoding=encoding)
    assert problems(path) == (
        f"{path}: a label table must be in UTF-8, got {got}; save it again as 'CSV UTF-8'",
    )


def test_every_problem_is_listed_at_once_with_its_line(tmp_path):
    path = write(
        tmp_path,
        "a.edf,blnk,1,0.2,all,r,",
        "a.edf,blink,one,0.2,all,r,",
        "a.edf,blink,1,-2,all,r,",
        "a.edf,muscle,1,nan,all,r,",
        ",blink,1,0.2,all,r,",
        "a.edf,blink,1,0.2,all,r,note, with comma",
    )
    found = problems(path)
    assert [text.split(":")[1] for text in found] == ["2", "3", "4", "5", "6", "7"]
    assert "did you mean 'blink'" in found[0]
    assert "got 'one'" in found[1]
    assert "0 or more, got '-2'" in found[2]
    assert "got 'nan'" in found[3]
    assert "recording must not be empty" in found[4]
    assert "double quotes" in found[5]


def test_a_slip_in_many_rows_is_one_line_with_their_number_and_the_first(tmp_path):
    rows = [
        f"a.edf,{'blnk' if second % 2 else 'blink'},{second},0.2,all,r," for second in range(9)
    ]
    rows += ["a.edf,Blnk,1,0.2,all,r,", "a.edf,musle,-1,0.2,all,r,", "a.edf,musle,2,0.2,all,r,"]
    first = write(tmp_path, *rows)
    second = write(tmp_path, "b.edf,blnk,1,0.2,all,r,", name="second.csv")
    with pytest.raises(LabelsError) as caught:
        read_hand_labels([first, second])
    blnk, capital, onset, musle = caught.value.problems
    assert blnk.startswith(
        f"{first}:3: label must be a known one, got 'blnk' in 5 rows, the first of them here; "
        "did you mean 'blink'? (declare"
    )
    assert capital.startswith(f"{first}:11: label must be a known one, got 'Blnk'; did you mean")
    assert onset.startswith(f"{first}:12: onset_s must be a number")
    assert musle.startswith(f"{first}:12: label must be a known one, got 'musle' in 2 rows, ")


def test_a_strange_channel_in_many_rows_is_one_line_too(tmp_path):
    write_edf(tmp_path / "a.edf")
    path = write(
        tmp_path,
        *(f"a.edf,blink,{second},0.2,Fp9,r," for second in range(5)),
        "a.edf,blink,6,0.2,Fp1,r,",
        "a.edf,blink,7,0.2,Fp1 Cz,r,",
    )
    assert problems(path, recordings=[tmp_path]) == (
        f"{path}:2: channels must be the recording's, got Fp9 in 5 rows, the first of them here",
        f"{path}:8: channels must be the recording's, got Cz",
    )


def test_a_misspelt_annotation_is_one_line_too(tmp_path):
    marks = [(0, 10, "reviewed"), (1, 0.2, "blnk@@EEG Fp1-A1A2"), (3, 0.2, "blnk@@EEG Fp1-A1A2")]
    (found,) = problems(write_edf(tmp_path / "a.edf", marks))
    assert "a.edf:+1: label must be a known one, got 'blnk" in found
    assert "in 2 rows, the first of them here" in found


def test_a_row_that_breaks_off_is_told_what_it_lacks(tmp_path):
    (*found,) = problems(write(tmp_path, "a.edf"))
    assert [text.split(": ")[1] for text in found] == [
        f"{name} must not be empty"
        for name in ("label", "onset_s", "duration_s", "channels", "reader")
    ]


def test_tables_without_rows_are_refused_unless_another_has_some(tmp_path):
    empty = write(tmp_path, name="empty.csv")
    (found,) = problems(empty)
    assert found.startswith(f"{empty}: hand labels must have at least one row, got none; mark ")
    full = write(tmp_path, "a.edf,blink,1,0.2,all,r,")
    assert len(read_hand_labels([empty, full])) == 1


def test_recordings_are_not_looked_for_in_what_is_hidden_and_a_folder_is_none(tmp_path):
    for name in ("packed.edf", ".trash"):
        (tmp_path / name).mkdir()
    inner = write_edf(tmp_path / "packed.edf" / "packed.edf")
    hidden = write_edf(tmp_path / ".trash" / "packed.edf")
    write_edf(tmp_path / "._packed.edf")
    index = find_recordings([tmp_path])
    assert index["packed.edf"] == [inner]
    assert "._packed.edf" not in index
    assert find_recordings([tmp_path / ".trash"])["packed.edf"] == [hidden]


def test_missing_columns_are_named(tmp_path):
    path = write(tmp_path, "a.edf,blink,1", header="recording,label,onset_s\n")
    (found,) = problems(path)
    assert "missing: duration_s, channels, reader" in found


def test_a_table_with_semicolons_is_told_what_to_do(tmp_path):
    header = "recording;label;onset_s;duration_s;channels;reader;note\n"
    path = write(tmp_path, "a.edf;blink;1,5;0,4;Fp1;r;", header=header)
    (found,) = problems(path)
    assert "it has semicolons: save it with commas" in found


def test_an_own_label_must_be_declared(tmp_path):
    path = write(tmp_path, "a.edf,lateral eye movement,1,0.4,F7 F8,r,")
    assert "[labels] extra" in problems(path)[0]
    (row,) = read_hand_labels([path], LabelRules(extra=("lateral eye movement",)))
    assert row.label == "lateral eye movement"


def test_the_labs_wording_is_translated_whatever_its_case(tmp_path):
    settings = tmp_path / "settings.toml"
    settings.write_text('[labels.wording]\n"EyeBlink" = "blink"\n"EMG" = "muscle"\n')
    path = write(tmp_path, "a.edf,eyeblink,1,0.2,all,r,", "a.edf,emg,2,1,T3,r,")
    rows = read_hand_labels([path], load_config(settings).labels)
    assert [row.label for row in rows] == ["blink", "muscle"]


def test_reading_rules_change_no_fingerprint_of_the_marks(tmp_path):
    settings = tmp_path / "settings.toml"
    settings.write_text('[labels]\nnot_read = ["line noise"]\n')
    assert load_config(settings).fingerprint() == load_config(None).fingerprint()


def test_repeated_rows_count_once(tmp_path):
    row = "a.edf,blink,1,0.2,Fp1,r,"
    assert len(read_hand_labels([write(tmp_path, row, row)])) == 1


def test_a_reader_who_marks_inside_a_span_called_clean_is_told_where(tmp_path):
    path = write(
        tmp_path,
        "a.edf,clean,0,5,all,r,",
        "a.edf,muscle,4,3,T8,r,",
        "a.edf,muscle,4,3,T8,someone else,",
    )
    found = problems(path)
    assert len(found) == 1
    assert ":3: " in found[0]
    assert "labels.csv:2" in found[0]


def test_marks_must_fit_their_recording(tmp_path):
    write_edf(tmp_path / "ward_01.edf")
    path = write(
        tmp_path,
        "ward_01.edf,blink,9.9,0.3,Fp1,r,",
        "ward_01.edf,muscle,9,4,Fp1,r,",
        "ward_01.edf,muscle,1,4,Fp1 T8,r,",
        "ward_02.edf,muscle,1,4,Fp1,r,",
    )
    found = problems(path, recordings=[tmp_path])
    assert len(found) == 3
    assert any(":3: " in text and "got 9 to 13 s" in text for text in found)
    assert any(":4: " in text and "got T8" in text for text in found)
    assert any(
        ":5: " in text and "'ward_02.edf' must be found once, got none" in text for text in found
    )


def test_many_recordings_that_are_missing_are_told_in_one_line(tmp_path):
    write_edf(tmp_path / "ward_01.edf")
    rows = [f"gone_{number}.edf,muscle,1,4,Fp1,r," for number in range(9)]
    path = write(tmp_path, "ward_01.edf,blink,1,0.2,Fp1,r,", *rows)
    (line,) = problems(path, recordings=[tmp_path])
    assert ":3: each of 9 recordings 'gone_0.edf', 'gone_1.edf', " in line
    assert " and 3 more must be found once, got none; give the folder" in line


def test_namesakes_are_told_apart_by_more_of_the_path(tmp_path):
    for folder in ("monday", "tuesday"):
        (tmp_path / folder).mkdir()
        write_edf(tmp_path / folder / "a.edf")
    vague = write(tmp_path, "a.edf,blink,1,0.2,Fp1,r,", name="vague.csv")
    exact = write(tmp_path, "monday/a.edf,blink,1,0.2,Fp1,r,", name="exact.csv")
    assert "must be found once" in problems(vague, recordings=[tmp_path])[0]
    (row,) = read_hand_labels([exact], recordings=[tmp_path])
    assert by_file([row], find_recordings([tmp_path])) == {tmp_path / "monday" / "a.edf": [row]}


def test_annotations_count_inside_reviewed_spans_only(tmp_path):
    notes = [
        (0.0, 5.0, "reviewed"),
        (1.0, 0.3, "blink@@EEG Fp1-A1A2"),
        (3.0, 1.0, "muscle"),
        (4.0, None, "eyes open"),
        (7.0, 0.3, "blink@@EEG Fp1-A1A2"),
    ]
    path = write_edf(tmp_path / "ward_01.edf", notes)
    rows = read_hand_labels([path])
    assert [(row.label, row.channels) for row in rows] == [
        ("reviewed", ("all",)),
        ("blink", ("EEG Fp1-A1A2",)),
        ("muscle", ("all",)),
    ]
    assert {row.recording for row in rows} == {"ward_01.edf"}


def test_a_machines_marks_do_not_pass_for_a_readers(tmp_path):
    path = write_edf(tmp_path / "ward_01_marked.edf", [(1.0, 0.3, "blink@@EEG Fp1-A1A2")])
    assert "must say which span was looked at" in problems(path)[0]


def test_a_corrected_marked_copy_speaks_of_its_original(tmp_path):
    notes = [(0.0, 10.0, "reviewed"), (1.0, 0.3, "blink@@EEG Fp1-A1A2")]
    path = write_edf(tmp_path / "ward_01_marked.edf", notes)
    write_edf(tmp_path / "ward_01.edf")
    rows = read_hand_labels([path], recordings=[tmp_path])
    assert {row.recording for row in rows} == {"ward_01"}


def test_a_misspelt_channel_mark_in_annotations_is_reported(tmp_path):
    path = write_edf(
        tmp_path / "a.edf", [(0.0, 9.0, "reviewed"), (1.0, 0.3, "blnk@@EEG Fp1-A1A2")]
    )
    assert "did you mean 'blink'" in problems(path)[0]


@pytest.mark.parametrize(
    ("name", "same_as"),
    [("EEG FP1-A1", "Fp1"), ("T3", "T7"), ("T6-A2", "P8"), ("Fp1.", "fp1"), ("EEG T4-A1A2", "T8")],
)
def test_names_of_one_electrode_are_one(name, same_as):
    assert electrode_key(name) == electrode_key(same_as)


def test_a_derivation_is_not_its_first_electrode():
    assert electrode_key("Fp1-F7") != electrode_key("Fp1")


def test_a_folder_without_labels_and_a_missing_file_are_both_reported(tmp_path):
    with pytest.raises(LabelsError) as caught:
        read_hand_labels([tmp_path, tmp_path / "none.csv"])
    assert len(caught.value.problems) == 2
