"""``cleanspan ledger``: listing, choosing, explaining, mending."""

import csv
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cleanspan.cli.ledger import command
from cleanspan.night.config import NightConfig, load_night
from cleanspan.night.planning import Model, Request
from cleanspan.night.run import run_night
from cleanspan.night.schema import LedgerError

UNIT = Path(__file__).parents[1] / "unit"


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two nights under two models: two good recordings, one that crashes."""
    folder = tmp_path_factory.mktemp("night")
    inbox = folder / "in"
    inbox.mkdir()
    for name, text in {"R1": "ok 1", "R2": "ok 2", "=odd": "crash"}.items():
        (inbox / f"{name}.edf").write_text(text)
    path = folder / "night.toml"
    path.write_text('inbox = ["in"]\noutput = "out"\nsettle_s = 0\n[limits]\nmemory_mb = 400\n')
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(UNIT))
        night(load_night(path), "m1")
        night(load_night(path), "m2", again=True)
    return path


def night(config: NightConfig, model: str, *, again: bool = False) -> None:
    run_night(config, Request(again=again), model=Model(model, model), work="night_fakes:screen")


def ledger(config: Path, *args: str) -> Result:
    result = CliRunner().invoke(command, ["--config", str(config), *args])
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def rows(config: Path, *args: str) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(ledger(config, "--format", "json", *args).output)
    return found


def test_both_results_of_a_rescreened_recording_are_told_apart(config: Path) -> None:
    found = rows(config, "--name", "R1")
    assert [row["model"] for row in found] == ["m1", "m2"]
    assert str(found[0]["folder"]).startswith("earlier/R1.")
    assert "model-m1" in str(found[0]["folder"])
    assert found[1]["folder"] == "R1"
    output = load_night(config).output_folder
    assert "by m1" in (output / str(found[0]["folder"]) / "R1_report.html").read_text()
    assert "by m2" in (output / "R1" / "R1_report.html").read_text()


def test_choosing(config: Path) -> None:
    assert len(rows(config)) == 6
    assert {row["recording"] for row in rows(config, "--state", "done")} == {"R1.edf", "R2.edf"}
    assert len(rows(config, "--model", "m2")) == 3
    assert len(rows(config, "--run", "1")) == 3
    assert len(rows(config, "--since", "2000-01-01", "--until", "2000-01-02")) == 0
    code = "rec-" + str(rows(config, "--name", "r2*")[0]["content"])[:8]
    assert {row["recording"] for row in rows(config, "--name", code)} == {"R2.edf"}


def test_why_shows_every_try_and_what_the_process_said(config: Path) -> None:
    text = ledger(config, "--state", "failed", "--why").output
    assert text.count(": crashed after") == 4  # two tries in each of two nights
    assert "killed by SIGSEGV" in text
    assert "Fatal Python error: Segmentation fault" in text


def test_csv_is_safe_for_a_spreadsheet(config: Path) -> None:
    found = list(csv.DictReader(ledger(config, "--format", "csv").output.splitlines()))
    assert len(found) == 6
    assert {row["recording"] for row in found} == {"R1.edf", "R2.edf", "'=odd.edf"}


def test_runs_are_listed(config: Path) -> None:
    found = rows(config, "--runs")
    assert [(row["run"], row["status"], row["done"]) for row in found] == [(2, 1, 2), (1, 1, 2)]


def test_a_ledger_made_anew_knows_every_result(config: Path, tmp_path: Path) -> None:
    copy = tmp_path / "night"
    shutil.copytree(config.parent, copy)
    config = copy / config.name
    before = [row for row in rows(config) if row["state"] == "done"]
    said = ledger(config, "--rebuild").output
    assert "made anew from 4 result(s)" in said
    assert "kept as ledger.sqlite.former-" in said
    after = rows(config)
    keys = ("recording", "model", "config", "state", "folder", "content", "usable_s")
    assert sorted([row[k] for k in keys] for row in after) == sorted(
        [row[k] for k in keys] for row in before
    )


@pytest.mark.parametrize(
    ("file", "content", "got"),
    [
        ("R2_origin.json", b"{", "text that breaks off or is no JSON"),
        ("R2_origin.json", b'{"format": 1}', "nothing under the name 'outcome'"),
        ("R2_channels.csv", b"channel\n\xff", "bytes that are no text in UTF-8"),
        ("R2_channels.csv", b"electrode,contact_loss_share\nFp1,0.5", "under the name 'channel'"),
    ],
    ids=["cut off", "a key lost", "no text", "a column lost"],
)
def test_a_damaged_result_is_left_out_of_a_new_ledger_with_one_line(
    config: Path,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
    *,
    file: str,
    content: bytes,
    got: str,
) -> None:
    copy = tmp_path / "night"
    shutil.copytree(config.parent, copy)
    (copy / "out" / "R2" / file).write_bytes(content)
    said = ledger(copy / config.name, "--rebuild").output
    assert "made anew from 3 result(s)" in said
    (line,) = caplog.messages
    assert line.startswith("R2: a result must be whole to be entered, got ")
    assert got in line
    assert "Error" not in line


def test_an_outcome_that_cannot_be_read_is_told_in_one_line(config: Path, tmp_path: Path) -> None:
    copy = tmp_path / "night"
    shutil.copytree(config.parent, copy)
    with closing(sqlite3.connect(copy / "out" / "ledger.sqlite")) as db, db:
        db.execute("UPDATE jobs SET outcome = '{' WHERE outcome IS NOT NULL")
    with pytest.raises(LedgerError, match=r"results are not affected.*--rebuild") as caught:
        ledger(copy / config.name)
    assert "\n" not in str(caught.value)


def test_no_ledger_yet_is_told(tmp_path: Path) -> None:
    path = tmp_path / "night.toml"
    path.write_text('inbox = ["in"]\noutput = "out"\n')
    with pytest.raises(LedgerError, match="the first `cleanspan night` makes one"):
        ledger(path)


def test_an_empty_ledger_is_told_with_the_way_out(tmp_path: Path) -> None:
    """A night that found the disk full may leave a file of no bytes."""
    path = tmp_path / "night.toml"
    path.write_text('inbox = ["in"]\noutput = "out"\n')
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "ledger.sqlite").touch()
    with pytest.raises(LedgerError, match=r"it is empty.*the next night fills it"):
        ledger(path)
