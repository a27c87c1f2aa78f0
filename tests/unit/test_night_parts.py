"""Smaller parts: log, hook, names, memory, electrodes' trend, the account."""

import contextlib
import html
import json
import logging
import os
import re
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.export.told import finding_lines
from cleanspan.night import crew, history
from cleanspan.night.account import Account
from cleanspan.night.after import tell
from cleanspan.night.config import CODE, FILE_NAME, After, Limits, LogFile, NightConfig
from cleanspan.night.content import Stamp
from cleanspan.night.electrodes import electrodes
from cleanspan.night.history import Trend
from cleanspan.night.journal import journal
from cleanspan.night.ledger import Ledger
from cleanspan.night.names import Names
from cleanspan.night.page import trend_bars, write_page
from cleanspan.night.records import Found
from cleanspan.types import Finding

log = logging.getLogger("cleanspan.night.parts")


def config(folder: Path, **kwargs: object) -> NightConfig:
    return NightConfig(("in",), str(folder / "out"), **kwargs)  # type: ignore[arg-type]


def test_the_log_is_one_json_object_a_line_and_rotates(tmp_path: Path) -> None:
    settings = config(tmp_path, log=LogFile(max_mb=0.002, keep=2))
    with journal(settings):
        for number in range(60):
            log.info("done", extra={"recording": f"R{number} µ\n", "seconds": 1.5})
        try:
            raise RuntimeError("inside")
        except RuntimeError:
            log.exception("oops")
    files = sorted(settings.output_folder.glob("night.log*"))
    assert [path.name for path in files] == ["night.log", "night.log.1", "night.log.2"]
    assert all(path.stat().st_size <= 2500 for path in files)
    lines = [json.loads(line) for path in files for line in path.read_text().splitlines()]
    done = [line for line in lines if line["event"] == "done"]
    assert {"time", "level", "event", "recording", "seconds"} <= done[0].keys()
    assert any("RuntimeError: inside" in line.get("trace", "") for line in lines)


def test_the_log_leaves_no_handler_behind(tmp_path: Path) -> None:
    before = list(logging.getLogger("cleanspan").handlers)
    with journal(config(tmp_path)):
        assert len(logging.getLogger("cleanspan").handlers) == len(before) + 1
    assert logging.getLogger("cleanspan").handlers == before


def test_the_command_afterwards_is_told_by_environment_and_standard_input(tmp_path: Path) -> None:
    target = tmp_path / "told; touch hacked"
    code = (
        "import json, os, sys; "
        "open(sys.argv[1], 'w').write(os.environ['CLEANSPAN_NIGHT_STATUS'] + ' ' + "
        "str(json.load(sys.stdin)['done']))"
    )
    after = After((sys.executable, "-c", code, str(target)))
    assert tell(after, {"status": 1, "done": 3, "remarks": ["x"]})
    assert target.read_text() == "1 3"
    assert not (tmp_path / "hacked").exists()


@pytest.mark.parametrize(
    ("command", "said"),
    [
        (("no-such-program-anywhere",), "must be a program that can be run"),
        ((sys.executable, "-c", "import sys; print('no mail today'); sys.exit(5)"), "failed"),
        ((sys.executable, "-c", "import time; time.sleep(60)"), "was stopped"),
        ((sys.executable, "-c", "import os; os.close(0); os.close(1)"), ""),
    ],
)
def test_a_command_that_fails_changes_nothing(
    command: tuple[str, ...], said: str, caplog: pytest.LogCaptureFixture
) -> None:
    big = {"status": 0, "remarks": ["x" * 300_000]}
    assert tell(After(command, 1.0), big) == (said == "")
    assert said in caplog.text


def test_codes_do_not_give_a_name_away() -> None:
    hidden = Names(CODE)
    assert hidden.of_content("0123456789abcdef", "Ada Example.edf") == "rec-01234567"
    stamp = Stamp(1, 2, 3)
    assert hidden.of_file(Path("/in/Ada.edf"), stamp) == hidden.of_file(Path("/x/Bo.edf"), stamp)
    text = "cannot read /in/Ada Example.edf: Ada Example is odd"
    said = hidden.scrubbed(text, "/in/Ada Example.edf", "rec-1")
    assert said == "cannot read rec-1: rec-1 is odd"
    assert Names(FILE_NAME).of_content("00", "R.edf") == "R.edf"


def test_a_hidden_name_is_taken_out_however_a_message_spells_it() -> None:
    r"""A Latin-1 name: libraries write it with half characters, our own lines spell it out."""
    path = os.fsdecode(b"/in/Ad\xe8le Example.edf")
    for spelled in (path, Path(path).name, r"/in/Ad\xe8le Example.edf", r"Ad\xe8le Example.edf"):
        said = Names(CODE).scrubbed(f"cannot read {spelled}", path, "rec-1")
        assert said == "cannot read rec-1"


@given(st.integers(1, 64), st.integers(100, 8000), st.floats(0, 2e5))
def test_all_workers_together_fit_in_free_memory(
    workers: int, memory_mb: int, free_mb: float
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(crew, "free_memory_mb", lambda: free_mb)
        chosen = crew.workers_for(Limits(workers, memory_mb))
    assert 1 <= chosen <= workers
    assert chosen == 1 or chosen * memory_mb <= crew.MEMORY_SHARE * free_mb


def test_a_service_with_a_memory_limit_counts_only_its_own(tmp_path: Path) -> None:
    own = Path("/proc/self/cgroup").read_text().rpartition("::/")[2].strip()
    group = tmp_path / own
    group.mkdir(parents=True, exist_ok=True)
    (group / "memory.max").write_text("300000000\n")
    (group / "memory.current").write_text("100000000\n")
    assert crew.free_memory_mb(tmp_path) == pytest.approx(200, abs=1)
    (group / "memory.max").write_text("max\n")
    assert crew.free_memory_mb(tmp_path) > 200


@pytest.fixture
def ledger(tmp_path: Path) -> "contextlib.Generator[Ledger, None, None]":  # type: ignore[name-defined]
    made = Ledger(tmp_path / "l.sqlite")
    yield made
    made.close()


def enter(
    ledger: Ledger,
    digest: str,
    day: str,
    rows: list[tuple[str, float, str]],
    *,
    duration_s: float = 60,
    inbox: str = "/in",
    channels: int = 19,
    note: str = "note",
    findings: Sequence[str] = (),
) -> None:
    """Enter a result of a recording that came in on a day."""
    found = Found(Path(inbox) / digest, Path(inbox), Stamp(1, 1, 1))
    ledger.note_content(found, digest, name=digest, now_s=0)
    ledger.add_job(digest, model="m", config="c")
    with ledger.writing() as db:
        db.execute(
            "UPDATE contents SET first_seen = ? WHERE digest = ?",
            (f"{day}T12:00:00+00:00", digest),
        )
        job = db.execute("SELECT id FROM jobs WHERE digest = ?", (digest,)).fetchone()[0]
        outcome = json.dumps(
            {
                "recording": digest,
                "status": "done",
                "duration_s": duration_s,
                "channels": channels,
                "findings": findings,
            }
        )
        db.execute(
            "UPDATE jobs SET state = 'done', folder = ?, outcome = ? WHERE id = ?",
            (digest, outcome, job),
        )
        db.executemany(
            "INSERT INTO electrodes VALUES (?, ?, ?, ?, ?, ?)",
            [
                (job, f"EEG {name.replace('T7', 'T3')}", name, share, verdict, note)
                for name, share, verdict in rows
            ],
        )


def test_electrodes_are_followed_over_the_nights_worst_first(ledger: Ledger) -> None:
    enter(ledger, "a", "2031-03-01", [("Fp1", 0.0, "good"), ("T7", 0.5, "mend")])
    enter(ledger, "b", "2031-03-02", [("Fp1", 0.1, "mend")])
    enter(ledger, "c", "2031-03-03", [("Fp1", 0.2, "mend"), ("T7", 0.0, "good")], duration_s=60)
    enter(ledger, "d", "2031-03-03", [("Fp1", 0.8, "mend"), ("T7", 0.4, "watch")], duration_s=180)
    dates, trends = history.trends(ledger.connection, nights=14)
    assert dates == [date(2031, 3, 1), date(2031, 3, 2), date(2031, 3, 3)]
    fp1, t7 = trends
    assert fp1.electrode == "Fp1"
    assert fp1.shares == pytest.approx((0.0, 0.1, (60 * 0.2 + 180 * 0.8) / 240))
    assert fp1.mend == (False, True, True)
    assert fp1.nights_in_a_row == 2
    assert t7.shares[1] != t7.shares[1]  # NaN: not used that night
    assert not t7.mend[-1]
    assert (t7.recordings, t7.to_mend, t7.called) == (2, 0, ("EEG T3",))
    assert (fp1.recordings, fp1.to_mend, fp1.called) == (2, 2, ())
    assert 'class="absent"' in trend_bars(t7)
    last, _ = history.trends(ledger.connection, nights=2)
    assert last == dates[1:]


def page_of(ledger: Ledger, folder: Path) -> str:
    """Write the page of a night in which all of that came in, as plain text."""
    run = ledger.begin_run(model="m", config="c")
    with ledger.writing() as db:
        db.execute("UPDATE jobs SET run_id = ?", (run,))
    config = NightConfig(inbox=("/in",), output=str(folder))
    account = Account(run, "2031-03-03T20:00:00+00:00", "m", finished=True)
    write_page(ledger.connection, config, account)
    text = re.sub(r"<[^>]+>", " ", (folder / "night.html").read_text(encoding="utf-8"))
    return " ".join(html.unescape(text).split())


def test_what_few_channels_say_about_an_electrode_is_told_with_doubt(
    ledger: Ledger, tmp_path: Path
) -> None:
    enter(ledger, "a", "2031-03-03", [("Fp1", 0.5, "mend"), ("C3", 0.5, "mend")], channels=5)
    enter(ledger, "b", "2031-03-03", [("C3", 0.5, "mend"), ("O1", 0.4, "mend")], channels=6)
    _, trends = history.trends(ledger.connection, nights=3)
    assert {trend.electrode: trend.few for trend in trends} == {"Fp1": 1, "C3": 1, "O1": 0}
    page = page_of(ledger, tmp_path)
    assert "1 of 1 of few channels: look at the traces first; note" in page
    assert "2 of 2 of few channels in 1: look at the traces first; note (2 recordings)" in page
    assert page.count("look at the traces first") == 2


def test_an_electrode_with_contact_and_a_finding_is_named(ledger: Ledger, tmp_path: Path) -> None:
    rows = [("Pz", 0.0, "watch"), ("C3", 0.0, "watch")]
    enter(ledger, "a", "2031-03-03", rows, note="salt bridge")
    enter(ledger, "b", "2031-03-03", [("C3", 0.0, "watch"), ("O1", 0.0, "good")], note="")
    page = page_of(ledger, tmp_path)
    assert "calls for mending. With contact, but noted: salt bridge (C3, Pz)." in page


def test_findings_become_lines_and_bridges_make_one() -> None:
    found = [
        Finding("salt bridge", ("Fp1", "Fpz"), "joined"),
        Finding("line noise everywhere", ("Fp1", "Fpz"), "Nearly all channels have line noise."),
        Finding("dead", ("C3",), "C3 had no contact."),
        Finding("drying", ("C4",), "C4 dries."),
        Finding("salt bridge", ("F6", "F8"), "joined"),
        Finding("salt bridge", ("F4", "AF4"), "joined"),
        Finding("salt bridge", ("AF4", "Fp1"), "joined"),
    ]
    assert finding_lines(found, to_mend=("reference", "C3")) == (
        "Nearly all channels have line noise.",
        "C4 dries.",
        "Joined by salt water: F6–F8, Fp1–Fpz–F4–AF4; dry the skin between, use less water.",
    )
    assert finding_lines(found[:1]) == ("joined",)
    assert finding_lines([]) == ()


def test_the_page_tells_what_was_found_in_each_recording(ledger: Ledger, tmp_path: Path) -> None:
    """Line noise everywhere is the ear clip's; no electrode of the table tells of it."""
    enter(ledger, "a", "2031-03-03", [("Fp1", 0.0, "good")], findings=["Check the <ear> clips."])
    assert "Check the <ear> clips." in page_of(ledger, tmp_path)
    assert "&lt;ear&gt;" in (tmp_path / "night.html").read_text()


def test_many_such_electrodes_are_counted_and_none_without_contact_is_among_them(
    ledger: Ledger, tmp_path: Path
) -> None:
    lost = [(f"C{number}", 0.01, "good") for number in range(1, 17)]
    kept = [(f"P{number}", 0.0, "watch") for number in range(1, 16)]
    enter(ledger, "a", "2031-03-03", lost + kept, note="salt bridge")
    page = page_of(ledger, tmp_path)
    names = "P1, P10, P11, P12, P13, P14, P15, P2, P3, P4, P5, P6 and 3 more"
    assert f"With contact, but noted: salt bridge ({names})." in page


def test_two_inboxes_are_two_caps(ledger: Ledger) -> None:
    enter(ledger, "a", "2031-03-01", [("Fp1", 0.9, "mend")], inbox="/lab1")
    enter(ledger, "b", "2031-03-01", [("Fp1", 0.0, "good")], inbox="/lab2")
    _, trends = history.trends(ledger.connection, nights=3)
    assert [(t.inbox, t.mend[-1]) for t in trends] == [("/lab1", True), ("/lab2", False)]


def test_a_night_without_the_electrode_does_not_break_its_series() -> None:
    nan = float("nan")
    assert Trend("", "Cz", (0.9, nan, 0.9), (True, False, True)).nights_in_a_row == 2
    assert Trend("", "Cz", (0.9, 0.0, 0.9), (True, False, True)).nights_in_a_row == 1


def test_a_stopped_amplifier_is_no_electrodes_fault(tmp_path: Path) -> None:
    """All four stand still for the last 20 of 100 s; Cz was off for 30 s before."""
    names = ("Fz", "Cz", "Pz", "Oz")
    (tmp_path / "R_channels.csv").write_text(
        "channel,role,verdict,contact_loss_share,note\n"
        + "".join(f"{name},eeg,good,{0.5 if name == 'Cz' else 0.2},\n" for name in names)
    )
    (tmp_path / "R_segments.csv").write_text(
        "channel,label,kind,onset_s,duration_s,confidence\n"
        + "".join(f"{name},contact loss,flat,80,20,0.9\n" for name in names)
        + "Cz,contact loss,floating,10,30,0.9\n"
    )
    shares = {str(row[1]): row[2] for row in electrodes(tmp_path)}
    assert shares == pytest.approx({"Fz": 0, "Cz": 0.3, "Pz": 0, "Oz": 0, "reference": 0})


def test_a_lost_reference_is_no_electrodes_fault(tmp_path: Path) -> None:
    (tmp_path / "R_channels.csv").write_text(
        "channel,role,verdict,contact_loss_share,note\n"
        "EEG Fp1-A1A2,eeg,mend,0.6,reference lost; line noise everywhere; stopped; dead\n"
        "EEG T3-A1A2,eeg,good,0.2,reference lost\n"
        "ECG,heart,not screened,,\n"
    )
    (tmp_path / "R_segments.csv").write_text(
        "channel,label,kind,onset_s,duration_s,confidence\n"
        "EEG Fp1-A1A2,contact loss,reference lost,0,20,0.9\n"
        "EEG Fp1-A1A2,contact loss,floating,30,40,0.9\n"
        "EEG Fp1-A1A2,muscle,,30,40,0.9\n"
        "EEG T3-A1A2,contact loss,reference lost,0,20,0.9\n"
    )
    rows = {str(row[1]): row for row in electrodes(tmp_path)}
    assert list(rows) == ["Fp1", "T7", "reference"]
    assert rows["Fp1"][2] == pytest.approx(0.4)
    assert rows["Fp1"][3:] == ("mend", "dead")
    assert rows["T7"][2:] == (pytest.approx(0.0), "good", "")
    assert rows["reference"][2:4] == (pytest.approx(0.2), "mend")
