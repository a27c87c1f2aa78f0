"""BIDS 1.11 and HED 8.4.0, checked by the standard's own validator."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cleanspan.config import Config
from cleanspan.export.bids import HED_TAGS, HED_VERSION, write_bids
from cleanspan.types import LABELS, SEGMENT_COLUMNS, Channel, Piece, Role, Screened

VALIDATOR = Path(sys.executable).with_name("bids-validator-deno")
NAME = "sub-07_ses-night_task-rest_eeg"
EXTRA = (
    Channel(6, "EOG left", Role.EYE, None, 256.0),
    Channel(7, "ECG", Role.HEART, None, 256.0, unit="mV", high_pass_hz=0.1, low_pass_hz=70.0),
    Channel(8, "Marker", Role.BUTTON, None, 256.0, unit=""),
    Channel(9, "Chin", Role.MUSCLE, None, 256.0, notch_hz=50.0),
    Channel(10, "A2-A1", Role.REFERENCE, None, 256.0),
    Channel(11, "Temp", Role.OTHER, None, 1.0, unit="degC"),
)


class Recording:
    """An invented recording under a BIDS name."""

    path = Path(f"{NAME}.edf")
    pieces = (Piece(0.0, 60.0),)
    channels = (
        *(
            Channel(row, f"EEG {name}-A1A2", Role.EEG, name, 256.0)
            for row, name in enumerate(("Fp1", "Fp2", "C3", "C4", "O1", "O2"))
        ),
        *EXTRA,
    )


def screened(labels):
    recording = Recording()
    eeg = recording.channels[:6]
    rows = [
        (eeg[row % 6].label, label, kind, 5.0 * row + 0.125, 1.5, 0.8)
        for row, (label, kind) in enumerate(
            [(label, "") for label in labels] + [("contact loss", k) for k in ("popping", "flat")]
        )
    ]
    rows += [(c.label, "contact loss", "reference lost", 55.0, 2.0, float("nan")) for c in eeg]
    segments = pd.DataFrame(rows, columns=list(SEGMENT_COLUMNS))
    texts = dict.fromkeys(("channel", "label", "kind"), "category")
    channels = pd.DataFrame(
        {
            "channel": [channel.label for channel in recording.channels],
            "verdict": ["good", "watch", "mend", "good", "good", "good", *["not screened"] * 6],
            "note": ["", "drying", "lifts off; sponge dry", *[""] * 9],
        }
    )
    return Screened(
        recording, eeg, labels, None, segments.astype(texts), channels, (), 50.0, None,
        "lighthouse 1a2b", Config(),
    )  # fmt: skip


@pytest.fixture
def data_set(tmp_path):
    folder = tmp_path / "sub-07" / "ses-night" / "eeg"
    folder.mkdir(parents=True)
    write_bids(screened((*LABELS, "gaze left")), folder)
    described = {
        "Name": "Marks of invented recordings",
        "BIDSVersion": "1.11.1",
        "HEDVersion": HED_VERSION,
        "DatasetType": "derivative",
        "GeneratedBy": [{"Name": "cleanspan"}],
        "Authors": ["A. Invented", "B. Invented"],
    }
    (tmp_path / "dataset_description.json").write_text(json.dumps(described))
    (tmp_path / "README.md").write_text(
        "Marks of invented recordings, made for a test of files. " * 5
    )
    return tmp_path


def problems(folder):
    run = subprocess.run(
        [VALIDATOR, folder, "--format", "json"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    found = json.loads(run.stdout)
    assert found["summary"]["totalFiles"] >= 6
    return {
        (issue["code"], issue.get("subCode", ""))
        for issue in found["issues"]["issues"]
        if issue["severity"] == "error"
    }


def test_validator_finds_no_error(data_set):
    assert problems(data_set) == set()


@pytest.mark.parametrize(
    ("suffix", "old", "new", "code"),
    [
        ("channels.tsv", "\tgood\t", "\tfine\t", "TSV_VALUE_INCORRECT_TYPE"),
        ("events.tsv", "onset\tduration", "duration\tonset", "TSV_COLUMN_ORDER_INCORRECT"),
        ("events.json", "Eye-blink-artifact", "Eye-wink-artifact", "HED_ERROR"),
    ],
)
def test_validator_would_find_errors(data_set, suffix, old, new, code):
    (path,) = data_set.rglob(f"*{suffix}")
    path.write_text(path.read_text().replace(old, new, 1))
    assert code in {found for found, _ in problems(data_set)}


@pytest.mark.parametrize("tag", sorted(set(HED_TAGS.values())))
def test_every_tag_is_in_the_hed_schema(data_set, tag):
    (path,) = data_set.rglob("*events.json")
    path.write_text(path.read_text().replace("Eye-blink-artifact", tag))
    assert problems(data_set) == set()


def test_events_are_numbers_in_seconds(data_set):
    (path,) = data_set.rglob("*events.tsv")
    table = pd.read_csv(path, sep="\t", na_values=["n/a"], keep_default_na=False)
    assert np.issubdtype(table["onset"].dtype, np.floating)
    assert table["onset"].iloc[0] == 0.125
    assert (table["trial_type"] == "contact loss").sum() == 4  # the lost reference is one event
