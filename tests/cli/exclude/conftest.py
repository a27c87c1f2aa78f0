"""Stored results of an invented lab."""

import runpy
from pathlib import Path

import pytest

from cleanspan.export.tables import write_tables
from cleanspan.types import Note

_BUILDERS = Path(__file__).parents[2] / "unit" / "export" / "fakes.py"


@pytest.fixture
def results(tmp_path):
    """Give a folder with two results: harbour-07 with artefacts, harbour-08 without."""
    make = runpy.run_path(str(_BUILDERS))
    out = tmp_path / "results"
    notes = (
        Note(5, 0, "tone high"),
        Note(10.1, 0, "tone low"),
        Note(20, 1, "blink@@EEG Fp1-A1A2"),
    )
    rows = [
        ("Fp1", "blink", 10, 0.4),
        ("Fp2", "blink", 10, 0.4),
        ("O2", "contact loss", 30, 30),
        *make["lost_reference"](25, 3),
    ]
    for number, segments in ((7, rows), (8, [])):
        recording = make["FakeRecording"](f"harbour-0{number}.edf", notes=notes)
        folder = out / f"harbour-0{number}"
        folder.mkdir(parents=True)
        screened = make["screened"](*segments, recording=recording)
        write_tables(screened, folder, presses=[Note(26, 0.1, "button"), Note(50, 0.1, "button")])
    return out
