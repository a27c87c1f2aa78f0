"""BIDS files: their cells. What the standard's validator says is in the conformance tests."""

import json

import pandas as pd
import pytest

from cleanspan.export.bids import bids_stem, event_table, write_bids
from cleanspan.export.stored import StoredResult
from cleanspan.export.tables import write_tables
from cleanspan.types import Channel, Role


def read(path):
    return pd.read_csv(path, sep="\t", dtype=str, keep_default_na=False)


@pytest.mark.parametrize(
    ("recording", "stem"),
    [
        ("sub-01_task-rest_eeg.edf", "sub-01_task-rest"),
        ("sub-01_ses-2_task-rest_run-1_eeg.bdf", "sub-01_ses-2_task-rest_run-1"),
        ("sub-01_eeg.edf", "sub-01_eeg"),  # no task: no BIDS name
        ("harbour-07.edf", "harbour-07"),
    ],
)
def test_names(recording, stem):
    assert bids_stem(recording) == stem


def test_channels(fakes, tmp_path):
    extra = (
        Channel(6, "ECG", Role.HEART, None, 512.0, unit="mV", high_pass_hz=0.1),
        fakes.button_channel(7),
    )
    screened = fakes.screened(recording=fakes.FakeRecording(extra=extra))
    screened.channels.loc[2, ["verdict", "note"]] = ["mend", "lifts\toff after 20 s"]
    screened.channels.loc[3, "verdict"] = "watch"
    write_bids(screened, tmp_path)
    table = read(tmp_path / "harbour-07_channels.tsv")
    assert table.columns.tolist()[:3] == ["name", "type", "units"]
    assert table["status"].tolist() == [
        "good",
        "good",
        "bad",
        "good",
        "good",
        "good",
        "n/a",
        "n/a",
    ]
    assert table.loc[2, "status_description"] == "lifts off after 20 s"
    assert table.loc[6].tolist() == ["ECG", "ECG", "mV", "512.0", "0.1", *["n/a"] * 4]
    assert table.loc[7, "type"] == "TRIG"


def test_lost_reference_is_one_event_of_no_channel(fakes):
    table = event_table(
        fakes.screened(*fakes.lost_reference(20, 5), ("Fp1", "blink", 30, 0.4)).segments
    )
    assert table["onset"].tolist() == [20.0, 30.0]
    assert table["channel"].fillna("n/a").tolist() == ["n/a", "EEG Fp1-A1A2"]


def test_description_tags_only_exact_matches(fakes, tmp_path):
    labels = ("blink", "gaze left", "contact loss")
    rows = [
        ("C3", "contact loss", 1, 1, 0.9, "popping"),
        ("C3", "contact loss", 3, 1, 0.9, "flat"),
    ]
    write_bids(fakes.screened(*rows, labels=labels), tmp_path)
    text = (tmp_path / "harbour-07_desc-artefacts_events.json").read_text()
    described = json.loads(text)
    assert described["trial_type"]["HED"] == {"blink": "Eye-blink-artifact"}
    assert described["kind"]["HED"] == {"popping": "Electrode-pops-artifact"}
    assert (
        described["trial_type"]["Levels"]["gaze left"] == "Label of the model lighthouse 1a2b3c4d."
    )


def test_stored_result_gives_the_same_files(fakes, tmp_path):
    screened = fakes.screened(("C3", "muscle", 10, 2), *fakes.lost_reference(20, 5))
    for name in ("now", "later"):
        (tmp_path / name).mkdir()
    write_tables(screened, tmp_path)
    now = write_bids(screened, tmp_path / "now")
    later = write_bids(StoredResult.load(tmp_path), tmp_path / "later")
    assert [path.read_text() for path in now] == [path.read_text() for path in later]
