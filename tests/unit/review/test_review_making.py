import base64
import json
import re
import shutil

import numpy as np
import pytest
from click.testing import CliRunner

from cleanspan.cli.review import command
from cleanspan.errors import UsageError
from cleanspan.export.tables import write_tables
from cleanspan.recording.content import digest_of
from cleanspan.review.making import (
    ReviewPlan,
    _check_size,
    drift_factor,
    make_review,
    neighbour_rows,
)
from cleanspan.review.picking import Pick
from cleanspan.types import Channel, Role


@pytest.fixture
def lab(invented, tmp_path):
    """Three recordings of two minutes, screened."""
    from edfio import Edf, EdfSignal

    (tmp_path / "in").mkdir()
    for number in range(3):
        screened = invented.invented_screened(duration_s=120, rate_hz=250.0)
        screened.recording.path = tmp_path / "in" / f"night{number}.edf"
        samples = np.clip(screened.recording.span(range(20), 0, 120), -2000, 2000)
        signals = [
            EdfSignal(
                row.astype(float), 250, label=channel.label, physical_dimension="uV",
                physical_range=(-2000, 2000),
            )
            for row, channel in zip(samples, screened.recording.channels, strict=True)
        ]  # fmt: skip
        Edf(signals).write(screened.recording.path)
        folder = tmp_path / "out" / f"night{number}"
        folder.mkdir(parents=True)
        write_tables(screened, folder)
    return tmp_path


def results(lab):
    return sorted((lab / "out").iterdir())


def about(path):
    text = path.read_text(encoding="utf-8")
    return json.loads(re.search(r'id="about">(.*?)</script>', text, re.DOTALL)[1])


def test_page_from_results_and_recordings(lab):
    page = lab / "review.html"
    made = make_review(results(lab), [lab / "in"], page, ReviewPlan(count=15, seed=4))
    told = about(page)
    assert len(told["items"]) == 15
    assert made.reasons["control"] == 3
    assert sum(made.reasons.values()) == 15
    assert told["page"] == made.page_id
    assert told["share"] == 0.2
    assert [one["name"] for one in told["labels"]][-2:] == ["unsure", "other"]
    for item in told["items"]:
        assert item["rate"] == 125.0
        assert item["onset"] % 10 == 0
        assert "control share 0.20, seed 4; read for: blink, muscle" in item["note"]
    assert sum(item["note"].startswith("control,") for item in told["items"]) == 3
    assert not list(lab.glob(".unfinished*"))


def test_the_traces_are_the_recordings(lab):
    from scipy.signal import butter, sosfiltfilt

    from cleanspan.recording.opening import open_recording

    page = lab / "review.html"
    make_review(results(lab), [lab / "in"], page, ReviewPlan(count=6))
    told = about(page)
    text = page.read_text(encoding="utf-8")
    for number, item in enumerate(told["items"]):
        packed = re.search(rf'id="item{number}">([^<]*)<', text)[1]
        steps = np.frombuffer(base64.b64decode(packed), dtype="<i2").reshape(19, item["count"])
        recording = open_recording(lab / "in" / told["recordings"][item["recording"]]["name"])
        raw = recording.span(range(19), item["from"], item["count"] / item["rate"])
        recording.close()
        shown = steps * np.array(item["scale"])[:, None]
        # Below 40 Hz nothing may have changed; nearer the limit the thinning filter begins.
        shown = sosfiltfilt(butter(6, 40, fs=125, output="sos"), shown)
        expected = sosfiltfilt(butter(6, 40, fs=250, output="sos"), raw)[:, ::2]
        for row in (0, 7, 17):
            inner = shown[row, 60:-60], expected[row, 60 : item["count"] - 60]
            assert np.corrcoef(*inner)[0, 1] > 0.998


def test_same_seed_same_page_other_seed_other_page(lab):
    pages = [
        make_review(
            results(lab), [lab / "in"], lab / f"{n}.html", ReviewPlan(count=9, seed=seed)
        ).page_id
        for n, seed in enumerate((1, 1, 2))
    ]
    assert pages[0] == pages[1] != pages[2]


def test_what_cannot_be_used_is_left_out_and_said(lab):
    (lab / "in" / "night1.edf").unlink()
    next((lab / "out" / "night2").glob("*.parquet")).unlink()
    made = make_review(results(lab), [lab / "in"], lab / "review.html", ReviewPlan(count=5))
    assert made.recordings == 1
    assert "night1.edf must be found once under --recordings, got none" in made.skipped[0]
    assert "table of windows must be there" in made.skipped[1]


def test_a_damaged_recording_is_left_out(lab):
    (lab / "in" / "night0.edf").write_bytes(b"not a recording")
    made = make_review(results(lab), [lab / "in"], lab / "review.html", ReviewPlan(count=20))
    assert made.recordings == 2
    assert "night0.edf" in made.skipped[0]


def test_nothing_to_choose_from(lab):
    with pytest.raises(UsageError, match="at least one span of 10 s, got none"):
        make_review([], [lab / "in"], lab / "review.html", ReviewPlan())


def test_namesakes_that_results_do_not_tell_apart_are_left_out_with_a_way_out(lab):
    (lab / "in" / "b").mkdir()
    shutil.copy(lab / "in" / "night0.edf", lab / "in" / "b" / "night0.edf")
    facts = lab / "out" / "night0" / "night0_facts.json"  # as of versions that do not tell
    facts.write_text(json.dumps(json.loads(facts.read_text()) | {"content": ""}))
    made = make_review(results(lab), [lab / "in"], lab / "review.html", ReviewPlan(count=5))
    assert "must be found once" in made.skipped[0]
    assert "name the recording itself, or its folder, with --recordings" in made.skipped[0]
    others = [lab / "in" / f"night{number}.edf" for number in range(3)]
    assert make_review(results(lab), others, lab / "all.html", ReviewPlan(count=5)).skipped == ()


def test_of_namesakes_the_one_that_was_screened_is_taken(lab):
    """Its content tells; the samples on the page must be those of that recording."""
    (lab / "in" / "a").mkdir()
    (lab / "in" / "a" / "night0.edf").write_bytes(b"another recording")
    facts = lab / "out" / "night0" / "night0_facts.json"
    content = digest_of(lab / "in" / "night0.edf")
    facts.write_text(json.dumps(json.loads(facts.read_text()) | {"content": content}))
    made = make_review(results(lab), [lab / "in"], lab / "review.html", ReviewPlan(count=20))
    assert (made.recordings, made.skipped) == (3, ())


def test_a_recording_that_is_not_the_one_screened_is_not_shown_in_its_place(lab):
    """There is one of that name, with other content."""
    facts = lab / "out" / "night0" / "night0_facts.json"
    facts.write_text(json.dumps(json.loads(facts.read_text()) | {"content": "0" * 32}))
    made = make_review(results(lab), [lab / "in"], lab / "review.html", ReviewPlan(count=5))
    assert made.recordings == 2
    assert "none of which is the one that was screened" in made.skipped[0]


def test_a_page_with_other_spans_is_not_replaced_and_the_same_one_is(lab):
    page = lab / "review.html"
    first = make_review(results(lab), [lab / "in"], page, ReviewPlan(count=5, seed=1))
    before = page.read_bytes()
    with pytest.raises(UsageError, match=r"got one with other spans.* give another --out"):
        make_review(results(lab), [lab / "in"], page, ReviewPlan(count=5, seed=2))
    assert page.read_bytes() == before
    again = make_review(results(lab), [lab / "in"], page, ReviewPlan(count=5, seed=1))
    assert again.page_id == first.page_id


def test_a_file_that_is_no_page_is_not_replaced(lab):
    page = lab / "review.html"
    page.write_text("notes of mine")
    with pytest.raises(UsageError, match="or an earlier page of `cleanspan review`, got somethi"):
        make_review(results(lab), [lab / "in"], page, ReviewPlan(count=5))
    assert page.read_text() == "notes of mine"


def test_a_page_too_large_for_a_browser_is_refused_with_a_number():
    from types import SimpleNamespace

    eeg = tuple(Channel(i, f"E{i}", Role.EEG, None, 250.0) for i in range(64))
    source = SimpleNamespace(result=SimpleNamespace(eeg=eeg))
    picks = [Pick(0, 10.0 * i, "doubt") for i in range(400)]
    with pytest.raises(UsageError, match="choose at most 89"):
        _check_size(picks, [source], ReviewPlan(count=400))
    _check_size(picks[:89], [source], ReviewPlan(count=89))


def test_recordings_that_screening_found_unlike_the_training_data_come_first():
    from cleanspan.labelling.drift import Drift

    warned = Drift(2.4, 0.8, (("alpha_share", 3.0),)).text()
    assert drift_factor(("clipped", warned)) == pytest.approx(3.0)
    assert drift_factor((Drift(0.4, 0.8, ()).text(),)) == 0.0


def test_neighbours_by_place_on_the_head():
    names = ("Fp1", "Fp2", "O1", "O2", None)
    eeg = [Channel(i, str(i), Role.EEG, name, 250.0) for i, name in enumerate(names)]
    rows = neighbour_rows(eeg)
    assert rows[0][0] == 1
    assert rows[4] == []


def test_command(lab):
    page = lab / "page.html"
    done = CliRunner().invoke(
        command,
        [str(lab / "out"), "--recordings", str(lab / "in"), "--out", str(page), "--items", "10"],
    )
    assert done.exit_code == 0, done.output
    assert "10 spans of" in done.output
    assert "2 control" in done.output
    assert page.exists()


def test_command_refuses_a_share_beyond_one(lab):
    done = CliRunner().invoke(
        command, [str(lab / "out"), "--recordings", str(lab / "in"), "--control", "1.5"]
    )
    assert done.exit_code == 2
    assert "range 0<=x<=1" in done.output
