"""The summary: one row a recording."""

import csv
from pathlib import Path

from cleanspan.export.earlier import earlier_rows
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
        "findings", "warnings", "error",
    ]  # fmt: skip
    assert first["duration_s"] == "3600.5"
    assert first["clean_share"] == "0.9123"
    assert first["line_noise_share"] == "0"
    assert first["gaze_left_share"] == ""
    assert first["mend"] == "EEG O2-A1A2;EEG T5-A1A2"
    assert first["warnings"] == "no filter stated; short"
    assert (failed["duration_s"], failed["channels"], failed["clean_share"]) == ("", "", "")
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


def test_rows_of_an_earlier_summary_stand_above_with_their_own_labels(tmp_path):
    path = tmp_path / "summary.csv"
    for name in ("a", "=b", "gone"):
        (tmp_path / name).mkdir()
        (tmp_path / name / f"{name}_facts.json").touch()
    earlier = [
        Outcome("a.edf", "done", tmp_path / "a", 60.0, shares={"blink": 0.25, "gaze left": 0.5}),
        Outcome("=b.edf", "done", tmp_path / "=b", 60.0, shares={"blink": 0.125}),
        Outcome("gone.edf", "done", tmp_path / "gone", 60.0),
    ]
    write_summary(earlier, path)
    (tmp_path / "gone" / "gone_facts.json").unlink()
    mine = Outcome("c.edf", "done", tmp_path / "c", 60.0, shares={"muscle": 0.5})
    write_summary([mine], path, earlier=earlier_rows(path, but={"c"})[0])
    shares = ("muscle_share", "blink_share", "gaze_left_share")
    rows = rows_of(path)
    assert tuple(name for name in rows[0] if name.endswith("_share"))[1:] == shares
    assert [(row["recording"], *(row[name] for name in shares)) for row in rows] == [
        ("a.edf", "", "0.25", "0.5"),
        ("'=b.edf", "", "0.125", ""),
        ("c.edf", "0.5", "", ""),
    ]
    kept, replaced = earlier_rows(path, but={"=b"})
    assert [row["folder"] for row in kept] == ["a"]
    assert [row["folder"] for row in replaced] == ["'=b"]
