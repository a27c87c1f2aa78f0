"""``cleanspan evaluate`` as a user meets it."""

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from cleanspan.cli import cli, main

LABELS = """recording,label,onset_s,duration_s,channels,reader,note
ward_01.edf,reviewed,0,20,all,first,
ward_01.edf,blink,2.2,0.3,Fp1 Fp2,first,
ward_01.edf,muscle,5,4,T7,first,
ward_01.edf,reviewed,0,20,all,second,
ward_01.edf,blink,2.2,0.3,Fp1 Fp2,second,
"""


@pytest.fixture
def folder(tmp_path):
    result = tmp_path / "results" / "ward_01"
    result.mkdir(parents=True)
    (result / "ward_01_segments.csv").write_text(
        "channel,label,kind,onset_s,duration_s,confidence\n"
        "EEG Fp1-A1A2,blink,,2.25,0.3,0.9\n"
        "EEG Fp2-A1A2,blink,,2.25,0.3,0.9\n"
        "EEG T3-A1A2,muscle,,5.0,2.0,0.8\n"
    )
    (result / "ward_01_channels.csv").write_text(
        "channel,role,verdict\nEEG Fp1-A1A2,eeg,good\nEEG Fp2-A1A2,eeg,good\n"
        "EEG T3-A1A2,eeg,watch\nECG,heart,not screened\n"
    )
    (tmp_path / "labels.csv").write_text(LABELS)
    return tmp_path


def run(*args):
    return CliRunner().invoke(cli, ["evaluate", *map(str, args)])


def test_results_are_compared_with_one_named_reader(folder):
    done = run(
        folder / "results", "--labels", folder / "labels.csv", "--readers", "first",
        "--out", folder / "scores",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    table = pd.read_csv(folder / "scores" / "evaluation.csv")
    whole = table[table["scope"] == "all"].set_index("label")
    assert whole.loc["blink", "events_f1"] == 1
    assert whole.loc["muscle", "cells_recall"] == 0.5
    assert whole.loc["muscle", "cells_precision"] == 1
    assert whole.loc["muscle", "cells_known"] == 60
    assert (folder / "scores" / "evaluation.png").read_bytes().startswith(b"\x89PNG")
    assert "fewer than 5 people" in done.output


def test_what_one_of_two_readers_marked_is_not_scored(folder):
    done = run(folder / "results", "--labels", folder / "labels.csv", "--out", folder / "scores")
    assert done.exit_code == 0, done.output
    table = pd.read_csv(folder / "scores" / "evaluation.csv")
    muscle = table[table["scope"] == "all"].set_index("label").loc["muscle"]
    assert (muscle["cells_true"], muscle["cells_marked"], muscle["cells_known"]) == (0, 0, 56)


def test_reader_is_compared_with_reader(folder):
    text = LABELS.splitlines()
    (folder / "a.csv").write_text("\n".join([text[0], *(r for r in text if "first" in r)]))
    (folder / "b.csv").write_text("\n".join([text[0], *(r for r in text if "second" in r)]))
    done = run(folder / "b.csv", "--labels", folder / "a.csv")
    assert done.exit_code == 0, done.output
    assert "1 recording of 1 person" in done.output


def failure(capsys, *args):
    with pytest.raises(SystemExit) as caught:
        main(["evaluate", *map(str, args)])
    return caught.value.code, capsys.readouterr().err


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        ("ward_01", "ward_09", ["got none in common; labels are of: ward_09.edf"]),
        (
            "reviewed,0,20",
            "reviewed,0,0",
            ["wrong.csv:2: a span that was looked at must have a length, got 0 s"],
        ),
        (
            "Fp1 Fp2",
            "Fp1 Fp22",
            [
                "wrong.csv:3: channels must be electrodes or the recording's, got 'Fp22'",
                "in 2 rows, the first of them here; did you mean 'Fp2'?",
                "did you mean 'Fp2'?",
            ],
        ),
    ],
    ids=["nothing in common", "looked at for no time", "a channel that is nowhere"],
)
def test_labels_that_cannot_be_compared_are_told(folder, capsys, right, wrong, told):
    labels = folder / "wrong.csv"
    labels.write_text(LABELS.replace(right, wrong))
    code, err = failure(capsys, folder / "results", "--labels", labels)
    assert code == 2
    for text in told:
        assert text in err


def test_an_unknown_reader_is_answered_with_the_known(folder, capsys):
    code, err = failure(
        capsys, folder / "results", "--labels", folder / "labels.csv", "--readers", "third"
    )
    assert code == 2
    assert "any, two, all or one of first, second, got 'third'" in err


@pytest.mark.parametrize(
    ("option", "value", "text"),
    [
        ("--not-read", "blnk", "must be one of blink, muscle, line noise, contact loss, got blnk"),
        ("--person-pattern", "(", "--person-pattern must be a regular expression, got '('"),
        ("--person-pattern", "^bed", "must be found in every recording's name, got '^bed'"),
    ],
)
def test_a_slip_of_the_pen_does_not_change_the_score_silently(folder, capsys, option, value, text):
    code, err = failure(
        capsys, folder / "results", "--labels", folder / "labels.csv", option, value
    )
    assert code == 2
    assert text in err
    assert "Traceback" not in err


def test_a_slip_of_the_pen_in_the_settings_is_told_too(folder, tmp_path, capsys):
    settings = tmp_path / "settings.toml"
    settings.write_text('[labels]\nnot_read = ["line niose"]\n')
    code, err = failure(
        capsys,
        folder / "results",
        "--labels",
        folder / "labels.csv",
        "--config",
        settings,
    )
    assert code == 2
    assert "must be one of blink, muscle, line noise, contact loss, got line niose" in err


def test_labelled_channels_that_were_not_screened_are_named(folder):
    labels = folder / "labels.csv"
    labels.write_text(LABELS.replace("Fp1 Fp2", "Fp1 Oz"))
    done = run(folder / "results", "--labels", labels)
    assert done.exit_code == 0, done.output
    assert "ward_01.edf: labelled but not screened, so not scored: Oz" in done.output


def test_a_label_that_nobody_marked_is_asked_about(folder):
    """Perhaps the readers did not look for it; then its marks are not false."""
    path = folder / "results" / "ward_01" / "ward_01_segments.csv"
    path.write_text(path.read_text() + "EEG T3-A1A2,line noise,,9.0,5.0,0.9\n")
    asked = "nobody marked 'line noise' by hand, so every mark of it counts as false"
    done = run(folder / "results", "--labels", folder / "labels.csv")
    assert asked in done.output
    done = run(folder / "results", "--labels", folder / "labels.csv", "--not-read", "line noise")
    assert asked not in done.output


def test_every_wrong_row_is_listed(folder, capsys):
    wrong = folder / "wrong.csv"
    wrong.write_text(LABELS.replace("muscle", "muskel").replace("2.2", "soon"))
    code, err = failure(capsys, folder / "results", "--labels", wrong)
    assert code == 2
    assert [f"wrong.csv:{n}:" in err for n in (2, 3, 4, 6)] == [False, True, True, True]


def test_a_folder_without_results_is_refused(folder, capsys):
    (folder / "empty").mkdir()
    code, err = failure(capsys, folder / "empty", "--labels", folder / "labels.csv")
    assert code == 2
    assert "must hold *_segments.csv" in err


def with_facts(folder, duration_s=20.0, recording="ward_01.edf"):
    facts = {"facts": 1, "recording": recording, "duration_s": duration_s}
    (folder / "results" / "ward_01" / "ward_01_facts.json").write_text(json.dumps(facts))


def test_recordings_without_results_are_named_and_the_others_compared(folder, capsys):
    labels = folder / "labels.csv"
    labels.write_text(
        LABELS + "ward_9.edf,muscle,5,4,T7,first,\nward_9.edf,blink,9,1,Fp1,first,\n"
    )
    out = run(folder / "results", "--labels", labels).output
    said = "labelled but not among the results, so not compared: ward_9.edf"
    assert [line for line in out.splitlines() if "ward_9" in line] == [f"note: {said}"]
    assert "Channel seconds" in out


def test_rows_beyond_the_end_of_the_recording_are_refused(folder, capsys):
    with_facts(folder)
    labels = folder / "labels.csv"
    labels.write_text(LABELS + "ward_01.edf,muscle,19,4,T7,first,\n")
    code, err = failure(capsys, folder / "results", "--labels", labels)
    assert code == 2
    assert "labels.csv:7: a mark must lie inside the recording (0 to 20 s), got 19 to 23 s" in err


def test_everything_wrong_with_labels_and_rules_is_told_at_once(folder, capsys):
    with_facts(folder)
    labels = folder / "labels.csv"
    labels.write_text(
        LABELS + "ward_01.edf,muskel,5,4,T7,first,\nward_01.edf,muscle,19,4,T7,first,\n"
    )
    code, err = failure(
        capsys,
        *(
            folder / "results",
            "--labels",
            labels,
            "--not-read",
            "line noize",
            "--readers",
            "third",
        ),
        *("--all-channels", "fp1 Fpp2 T3", "--person-pattern", "^bed"),
    )
    assert code == 2
    told = err.splitlines()
    for number, part in enumerate(
        (
            "labels.csv:7: label must be a known one, got 'muskel'",
            "contact loss, got line noize; did you mean 'line noise'?",
            "--readers must be any, two, all or one of first, second, got 'third'",
            "electrodes or channels of the recordings, got 'Fpp2'; did you mean 'Fp2'?",
            "--person-pattern must be found in every recording's name, got '^bed'",
            "labels.csv:8: a mark must lie inside the recording",
        )
    ):
        assert part in told[number]
    assert len(told) == 6


def test_channels_of_the_recording_may_be_what_all_means(folder):
    args = (folder / "results", "--labels", folder / "labels.csv", "--readers", "first")
    for names in ("EEG Fp1-A1A2", "FP1 t3 EEG T8"):
        done = run(*args, "--all-channels", names)
        assert done.exit_code == 0, done.output
    settings = folder / "settings.toml"
    settings.write_text('[labels]\nall_channels = ["EEG Fp1-A1A2", "t3"]\n')
    done = run(*args, "--config", settings)
    assert done.exit_code == 0, done.output


def test_labels_that_fit_two_results_are_refused(folder, capsys):
    """A recording of the same name has a folder with a number; its facts tell the name."""
    with_facts(folder)
    shutil.copytree(folder / "results" / "ward_01", folder / "results" / "ward_01-2")
    for path in (folder / "results" / "ward_01-2").iterdir():
        path.rename(path.with_name(path.name.replace("ward_01", "ward_01-2")))
    code, err = failure(capsys, folder / "results", "--labels", folder / "labels.csv")
    assert code == 2
    assert "'ward_01.edf' must be one of the results, got" in err
    assert "ward_01-2; name one of these folders alone" in err


def test_rows_of_two_recordings_of_one_name_are_not_taken_for_one(folder, capsys):
    with_facts(folder)
    rows = (folder / "labels.csv").read_text().replace("ward_01.edf,", "east/ward_01.edf,")
    both = folder / "both.csv"
    both.write_text(rows + "west/ward_01.edf,muscle,1,1,all,first,\n")
    code, err = failure(capsys, folder / "results" / "ward_01", "--labels", both)
    assert code == 2
    assert "got 'east/ward_01.edf' and 'west/ward_01.edf'" in err
    both.write_text(rows)
    _, err = failure(capsys, folder / "results" / "ward_01", "--labels", both)
    assert "must be of one recording" not in err


def test_results_that_a_night_has_replaced_are_passed_over(folder):
    shutil.copytree(folder / "results" / "ward_01", folder / "results" / "earlier" / "ward_01.old")
    done = run(folder / "results", "--labels", folder / "labels.csv")
    assert done.exit_code == 0, done.output
    assert done.output.startswith("1 recording")


def test_rows_may_call_results_by_the_name_of_the_recording(folder, capsys):
    with_facts(folder, recording="ward: 1.edf")
    labels = folder / "labels.csv"
    labels.write_text(LABELS.replace("ward_01", "ward: 1") + "ward: 1.edf,muscle,19,4,T7,first,\n")
    _, err = failure(capsys, folder / "results", "--labels", labels)
    assert "labels.csv:7: a mark must lie inside the recording" in err


def test_recordings_that_one_of_two_readers_read_are_named(folder):
    rows = LABELS.splitlines(keepends=True)
    (folder / "a.csv").write_text("".join(rows[:4]) + "ward_02.edf,reviewed,0,9,all,first,\n")
    (folder / "b.csv").write_text(rows[0] + rows[4] + "ward_03.edf,reviewed,0,9,all,second,\n")
    done = run(folder / "b.csv", "--labels", folder / "a.csv")
    assert done.exit_code == 0, done.output
    assert "ward_02.edf: read by one reader only, so not compared" in done.output
    assert "ward_03.edf: read by one reader only, so not compared" in done.output


@pytest.fixture
def large_cap(folder):
    names = [f"{row}{n}" for row in ("AF", "F", "FC", "C", "CP", "P", "PO") for n in range(1, 7)]
    (folder / "results" / "ward_01" / "ward_01_channels.csv").write_text(
        "channel,role,verdict\n" + "".join(f"{name},eeg,good\n" for name in names)
    )
    return folder


def test_what_all_means_is_asked_where_the_cap_is_large_and_few_channels_are_named(large_cap):
    labels = large_cap / "labels.csv"
    labels.write_text(LABELS.replace("Fp1 Fp2", "F3 F4").replace("T7", "C3"))
    done = run(large_cap / "results", "--labels", labels)
    assert "ward_01.edf (3 of 42); if the readers saw only some channels" in done.output
    told = run(large_cap / "results", "--labels", labels, "--all-channels", "F3 F4 C3")
    assert "--all-channels" not in told.output


def test_what_all_means_is_not_asked_where_most_channels_are_named(large_cap):
    names = " ".join(f"{row}{n}" for row in ("AF", "F", "FC", "C") for n in range(1, 7))
    labels = large_cap / "labels.csv"
    labels.write_text(LABELS.replace("Fp1 Fp2", names).replace("T7", "C3"))
    done = run(large_cap / "results", "--labels", labels)
    assert done.exit_code == 0, done.output
    assert "--all-channels" not in done.output


@pytest.mark.parametrize(
    ("name", "content", "got"),
    [
        ("segments.csv", "", "an empty table"),
        ("segments.csv", "a,b\n", "nothing under the name 'channel'"),
        ("channels.csv", "", "an empty table"),
        ("channels.csv", "a,b\n", "nothing under the name 'channel'"),
        ("facts.json", '{"facts": 1}', "nothing under the name 'recording'"),
        ("facts.json", "{", "text that breaks off or is no JSON"),
    ],
)
def test_damaged_results_are_one_line_in_plain_words(folder, capsys, name, content, got):
    path = folder / "results" / "ward_01" / f"ward_01_{name}"
    path.write_text(content)
    code, err = failure(capsys, folder / "results", "--labels", folder / "labels.csv")
    assert code in (1, 2)
    assert err.startswith(f"cleanspan: {path}: ")
    assert f"got {got}; screen the recording again" in err
    assert err.count("\n") == 1


UNREAD = "".join(row for row in LABELS.splitlines(keepends=True) if "reviewed" not in row)


def test_an_output_that_cannot_be_is_told_before_the_work(folder):
    taken = folder / "scores"
    taken.write_text("mine")
    done = run(folder / "results", "--labels", folder / "labels.csv", "--out", taken)
    assert done.exit_code != 0
    assert "F1" not in done.output
    assert "must be a folder" in str(done.exception)
    assert taken.read_text() == "mine"


def test_precision_is_not_told_where_nobody_says_what_was_read(folder):
    (folder / "labels.csv").write_text(UNREAD)
    done = run(folder / "results", "--labels", folder / "labels.csv", "--out", folder / "scores")
    assert done.exit_code == 0, done.output
    table = pd.read_csv(folder / "scores" / "evaluation.csv")
    rows = table[table["label"].isin(["blink", "muscle"])]
    unknown = ["precision", "f1", "kappa"]
    assert rows[[f"cells_{name}" for name in unknown]].isna().all(axis=None)
    assert rows[["events_precision", "events_f1", "onsets_f1"]].isna().all(axis=None)
    assert rows.groupby("label")["cells_recall"].first().tolist() == [1, 0.5]
    assert "nan" not in done.output
    assert done.output.count("precision cannot be told") == 1


def test_precision_is_that_of_the_recordings_with_a_reviewed_span(folder):
    other = folder / "results" / "ward_02"
    other.mkdir()
    (other / "ward_02_segments.csv").write_text(
        "channel,label,kind,onset_s,duration_s,confidence\nT7,muscle,,5.0,4.0,0.8\n"
    )
    segments = folder / "results" / "ward_01" / "ward_01_segments.csv"
    segments.write_text(segments.read_text() + "EEG T3-A1A2,muscle,,12,2,0.8\n")
    labels = folder / "labels.csv"
    labels.write_text(LABELS + "ward_02.edf,muscle,5,4,T7,first,\n")
    done = run(
        *(folder / "results", "--labels", labels, "--readers", "any"),
        *("--out", folder / "scores"),
    )
    assert done.exit_code == 0, done.output
    table = pd.read_csv(folder / "scores" / "evaluation.csv")
    muscle = table[table["scope"] == "all"].set_index("label").loc["muscle"]
    assert muscle["cells_precision"] == 0.5
    assert muscle["cells_recall"] == 0.75
    assert muscle["events_precision"] == 0.5
    assert "in ward_02.edf: unmarked may be overlooked" in done.output


DEMO = Path(__file__).parents[2] / "demo_data"


def test_probabilities_of_a_screened_recording_are_checked_too(tmp_path):
    from cleanspan.config import Config
    from cleanspan.screen import screen_recording
    from cleanspan.training.store import shipped_model

    name = "harbour-street-p03-drowsy"
    outcome = screen_recording(
        DEMO / f"{name}.edf", tmp_path / "out" / name, config=Config(), model=shipped_model()
    )
    assert outcome.status == "done", outcome.error
    rows = (DEMO / "hand-labels-reader-1.csv").read_text().splitlines(keepends=True)
    labels = tmp_path / "labels.csv"
    labels.write_text("".join([rows[0], *(row for row in rows if name in row)]))
    done = run(tmp_path / "out", "--labels", labels, "--out", tmp_path / "scores")
    assert done.exit_code == 0, done.output
    table = pd.read_csv(tmp_path / "scores" / "calibration.csv")
    assert set(table["label"]) == {"blink", "muscle", "line noise", "contact loss"}
    counts = table.groupby("label")["count"].sum()
    assert counts.min() > 500
    assert table["brier"].max() < 0.25  # what saying one half everywhere would give
    assert "expected calibration error" in done.output
