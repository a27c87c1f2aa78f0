"""The summary: one row a recording."""

import csv
from pathlib import Path

from cleanspan.export.summary import write_summary
from cleanspan.screen import Outcome


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_one_row_a_recording_and_one_column_a_label(tmp_path):
    outcomes = [
        Outcome(
            "harbour-07.edf", "done", Path("x"), 3600.5, 19, 0.91234567, 3000.25,
            {"blink": 0.05, "line noise": 0.0}, ("EEG O2-A1A2", "EEG T5-A1A2"),
            ("600 s must be usable, got 300 s",), "lighthouse 1a", "c0ffee",
            ("no filter stated", "short"),
        ),
        Outcome("broken.edf", "failed", error="the file must be EDF, got 3 bytes"),
        Outcome("lab.edf", "done", None, 60.0, 4, 1.0, 60.0, {"gaze left": 0.5}),
    ]  # fmt: skip
    write_summary(outcomes, tmp_path / "summary.csv")
    first, failed, lab = rows_of(tmp_path / "summary.csv")
    assert list(first) == [
        "recording", "status", "duration_s", "channels", "clean_share", "usable_s", "meets_plan",
        "blink_share", "line_noise_share", "gaze_left_share", "mend", "folder", "model", "config",
        "warnings", "error",
    ]  # fmt: skip
    assert first["duration_s"] == "3600.5"
    assert first["clean_share"] == "0.9123"
    assert first["line_noise_share"] == "0"
    assert first["gaze_left_share"] == ""
    assert first["mend"] == "EEG O2-A1A2;EEG T5-A1A2"
    assert first["warnings"] == "no filter stated; short"
    assert (failed["duration_s"], failed["channels"], failed["clean_share"]) == ("", "0", "")
    assert failed["error"] == "the file must be EDF, got 3 bytes"
    assert lab["gaze_left_share"] == "0.5"
    assert [row["meets_plan"] for row in (first, failed, lab)] == ["no", "", "yes"]


def test_file_names_are_no_formulas(tmp_path):
    write_summary([Outcome("=HYPERLINK(0).edf", "failed", error="-1\nlines")], tmp_path / "s.csv")
    (row,) = rows_of(tmp_path / "s.csv")
    assert row["recording"] == "'=HYPERLINK(0).edf"
    assert row["error"] == "'-1 lines"


def test_no_recording_gives_the_header_alone(tmp_path):
    write_summary([], tmp_path / "s.csv")
    assert rows_of(tmp_path / "s.csv") == []
