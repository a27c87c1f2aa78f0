"""The functions for notebooks; their examples run, from the project's folder."""

import doctest
from pathlib import Path

import mne
import numpy as np
import pandas as pd
import pytest

from cleanspan import api
from cleanspan.config import Config
from cleanspan.errors import ConfigError, RecordingError
from cleanspan.export.plans import load_plan
from cleanspan.labelling.model import load_model
from cleanspan.screen import screen_recording
from cleanspan.training.store import shipped_model

PROJECT = Path(__file__).parents[2]
DEMO = PROJECT / "demo_data" / "harbour-street-p02-listening.edf"


@pytest.fixture(autouse=True)
def _here(monkeypatch, tmp_path):
    monkeypatch.chdir(PROJECT)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))  # no model of a user's own


@pytest.fixture(scope="module")
def result():
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(PROJECT / "nowhere"))
        return api.screen(DEMO)


def test_examples():
    tests, failures = 0, 0
    for test in doctest.DocTestFinder(recurse=True).find(api, globs={}):
        outcome = doctest.DocTestRunner(verbose=False).run(test)
        failures, tests = failures + outcome.failed, tests + outcome.attempted
    assert failures == 0
    assert tests > 15


def test_raw_gives_the_same_segments_as_its_file(result):
    raw = mne.io.read_raw_edf(DEMO, verbose="error")
    again = api.screen(raw)
    texts = dict.fromkeys(("channel", "label", "kind"), str)
    pd.testing.assert_frame_equal(
        again.segments.astype(texts), result.segments.astype(texts), atol=0.02
    )
    assert raw.get_data(start=0, stop=5).shape[1] == 5  # still open


def test_annotations_of_a_cropped_raw_lie_where_the_artefact_is():
    raw = mne.io.read_raw_edf(DEMO, verbose="error").crop(30.0, 70.0)
    marks = api.screen(raw).annotations("resting", raw=raw)
    raw.set_annotations(raw.annotations + marks)
    (lost,) = (a for a in raw.annotations if a["description"] == "BAD_reference_lost")
    onset_s = lost["onset"] - raw.first_samp / raw.info["sfreq"]
    # the scenario loses the reference from 42 to 54 s: 12 s after the crop's beginning
    assert onset_s == pytest.approx(12.0, abs=0.5)
    assert lost["duration"] == pytest.approx(12.0, abs=1.0)


def test_annotations_without_a_plan_hold_no_excluded_span(result):
    marks = result.annotations()
    assert not any(text.casefold().startswith("bad") for text in marks.description)
    assert len(marks.ch_names[0]) == 1


def test_screening_changes_neither_file_nor_folder(tmp_path):
    copy = tmp_path / "harbour.edf"
    copy.write_bytes(DEMO.read_bytes())
    before = copy.read_bytes()
    api.screen(copy)
    assert copy.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["harbour.edf"]


def test_written_results_read_back_as_the_same_result(result, tmp_path):
    screen_recording(DEMO, tmp_path / "out", config=Config(), model=load_model(shipped_model()))
    stored = api.load(tmp_path / "out")
    assert stored.model == result.model
    for plan in api.plans():
        pd.testing.assert_frame_equal(stored.apply(plan).channels, result.apply(plan).channels)
        pd.testing.assert_frame_equal(stored.apply(plan).excluded, result.apply(plan).excluded)
    np.testing.assert_allclose(stored.segments["onset_s"], result.segments["onset_s"], atol=0.0005)


def test_own_plan_as_a_path_and_as_a_plan(result, tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(
        'purpose = "x"\nrationale = "x"\nlabels = ["line noise"]\nmost_bad_share = 0.5\n'
    )
    by_path, by_plan = result.apply(str(path)), result.apply(load_plan(str(path)))
    assert by_path.usable_s == by_plan.usable_s > 85.0


def test_an_own_plan_with_an_unknown_label_is_refused(result, tmp_path):
    path = tmp_path / "own.toml"
    path.write_text('purpose = "x"\nrationale = "x"\nmost_bad_share = 0.5\ntolerated = ["blnk"]\n')
    with pytest.raises(ConfigError, match=r"got 'blnk'; did you mean 'blink'\?"):
        result.apply(str(path))


def test_mistakes_are_named(result, tmp_path):
    with pytest.raises(ConfigError, match="did you mean 'resting'"):
        result.apply("restng")
    (tmp_path / "x.edf").write_text("no recording")
    with pytest.raises(RecordingError):
        api.screen(tmp_path / "x.edf")
    with pytest.raises(RecordingError, match=r"_facts\.json"):
        api.load(tmp_path)
