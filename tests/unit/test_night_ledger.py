"""The ledger: identity of contents, places, tries, format, damage."""

import contextlib
import json
import sqlite3
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanspan.night import history, schema
from cleanspan.night.content import Stamp
from cleanspan.night.ledger import Ledger
from cleanspan.night.lock import BusyError, only_one
from cleanspan.night.records import (
    Found,
    Kind,
    State,
    Try,
    outcome_from_json,
    outcome_to_json,
)
from cleanspan.screen import Outcome


@pytest.fixture
def ledger(tmp_path: Path) -> "contextlib.Generator[Ledger, None, None]":  # type: ignore[name-defined]
    made = Ledger(tmp_path / "ledger.sqlite", wait_s=0.2)
    yield made
    made.close()


def file(name: str, *, size: int = 1, mtime_ns: int = 1, inode: int = 1) -> Found:
    return Found(Path("/in") / name, Path("/in"), Stamp(size, mtime_ns, inode))


def place_of(ledger: Ledger, digest: str) -> str:
    row = ledger.rows("SELECT place FROM contents WHERE digest = ?", (digest,))[0]
    return str(row["place"])


def job(ledger: Ledger, digest: str, model: str = "m") -> int:
    ledger.add_job(digest, model=model, config="c")
    rows = ledger.rows("SELECT id FROM jobs WHERE digest = ? AND model = ?", (digest, model))
    return int(rows[0]["id"])


def test_an_unchanged_file_need_not_be_read_again(ledger: Ledger) -> None:
    ledger.note_content(file("a.edf"), "d1", name="a", now_s=0)
    assert ledger.known(file("a.edf")) == "d1"
    for changed in (
        file("a.edf", size=2),
        file("a.edf", mtime_ns=2),
        file("a.edf", inode=2),
        file("b.edf"),
    ):
        assert ledger.known(changed) is None


def test_a_renamed_or_copied_file_is_the_same_content(ledger: Ledger) -> None:
    ledger.note_content(file("a.edf"), "d1", name="a", now_s=0)
    ledger.note_content(file("renamed.edf"), "d1", name="renamed", now_s=0)
    assert len(ledger.rows("SELECT * FROM contents")) == 1
    assert place_of(ledger, "d1") == "a"


def test_a_changed_file_keeps_its_place_and_another_of_the_name_gets_a_number(
    ledger: Ledger,
) -> None:
    ledger.note_content(file("a.edf"), "d1", name="a", now_s=0)
    ledger.note_content(file("a.edf", size=2), "d2", name="a", now_s=0)
    ledger.note_content(file("sub/A.edf"), "d3", name="A", now_s=0)
    assert [place_of(ledger, d) for d in ("d1", "d2", "d3")] == ["a", "a", "A-2"]


def test_a_name_that_is_not_utf8_is_stored_and_found_again(ledger: Ledger) -> None:
    odd = Found(Path("/in/\udcff.edf"), Path("/in"), Stamp(1, 1, 1))
    ledger.note_content(odd, "d1", name="x", now_s=0)
    assert ledger.known(odd) == "d1"


@given(kinds=st.lists(st.sampled_from([k for k in Kind if k is not Kind.DONE]), max_size=8))
@settings(max_examples=25, deadline=None)
def test_only_failures_that_may_be_the_recordings_count(
    kinds: list[Kind], tmp_path_factory: pytest.TempPathFactory
) -> None:
    ledger = Ledger(tmp_path_factory.mktemp("ledger") / "l.sqlite")
    with contextlib.closing(ledger):
        ledger.note_content(file("a.edf"), "d1", name="a", now_s=0)
        run = ledger.begin_run(model="m", config="c")
        number = job(ledger, "d1")
        counted = 0
        for kind in kinds:
            ledger.begin_try(number, run)
            state = ledger.end_try(Try(number, kind, error="why"), limit=3)
            counted += kind.counts
            if kind.counts:
                assert state == (State.QUARANTINED if counted >= 3 else State.FAILED)
            else:
                assert state == State.WAITING
        tries = history.attempts(ledger.connection, number)
        assert [item.kind for item in tries] == list(kinds)


def test_work_is_planned_once_per_content_model_and_configuration(ledger: Ledger) -> None:
    ledger.note_content(file("a.edf"), "d1", name="a", now_s=0)
    assert job(ledger, "d1") == job(ledger, "d1")
    assert job(ledger, "d1", "other") != job(ledger, "d1")


def test_foreign_keys_are_enforced(ledger: Ledger) -> None:
    with pytest.raises(sqlite3.IntegrityError):
        ledger.connection.execute(
            "INSERT INTO jobs (digest, model, config, state, created_at) "
            "VALUES ('nothing', 'm', 'c', 'waiting', '')"
        )


def test_the_journal_mode_is_write_ahead(ledger: Ledger) -> None:
    assert ledger.connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_a_reader_sees_a_whole_ledger_while_another_writes(ledger: Ledger) -> None:
    ledger.note_content(file("a.edf"), "d1", name="a", now_s=0)
    with ledger.writing() as db:
        db.execute("UPDATE contents SET name = 'half done'")
        with contextlib.closing(schema.connect_to_read(ledger.path)) as reader:
            assert reader.execute("SELECT name FROM contents").fetchone()[0] == "a.edf"
            with pytest.raises(sqlite3.OperationalError, match="readonly"):
                reader.execute("DELETE FROM contents")


def test_an_older_ledger_is_brought_up_to_date_and_keeps_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    ledger = Ledger(path)
    ledger.note_content(file("a.edf"), "d1", name="a", now_s=0)
    ledger.close()
    newer = (*schema.MIGRATIONS, "ALTER TABLE contents ADD COLUMN colour TEXT DEFAULT 'blue'")
    with contextlib.closing(schema.connect(path, migrations=newer)) as db:
        assert db.execute("SELECT digest, colour FROM contents").fetchone()[:] == ("d1", "blue")
        assert db.execute("PRAGMA user_version").fetchone()[0] == len(newer)
    with pytest.raises(schema.LedgerError, match="made by a newer cleanspan"):
        Ledger(path)
    with pytest.raises(schema.LedgerError, match="made by a newer cleanspan"):
        schema.connect_to_read(path)


def test_a_migration_that_fails_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    Ledger(path).close()
    broken = (*schema.MIGRATIONS, "CREATE TABLE more (a TEXT); CREATE TABLE runs (a TEXT)")
    with pytest.raises(schema.LedgerError):
        schema.connect(path, migrations=broken)
    ledger = Ledger(path)
    names = {row[0] for row in ledger.rows("SELECT name FROM sqlite_master")}
    ledger.close()
    assert "more" not in names


def test_a_file_that_is_no_database_is_told_with_the_way_out(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    path.write_bytes(b"x" * 9000)
    with pytest.raises(schema.DamagedLedgerError, match=r"results are not affected.*--rebuild"):
        Ledger(path)


def test_one_at_a_time_within_and_between_threads(tmp_path: Path) -> None:
    with only_one(tmp_path / "lock"):
        with (
            pytest.raises(BusyError, match=r"process \d+ on .*, since"),
            only_one(tmp_path / "lock"),
        ):
            pytest.fail("two owners")
        caught: list[BaseException] = []

        def second() -> None:
            try:
                with only_one(tmp_path / "lock"):
                    pass
            except BusyError as error:
                caught.append(error)

        thread = threading.Thread(target=second)
        thread.start()
        thread.join()
        assert len(caught) == 1
    with only_one(tmp_path / "lock"):
        pass


numbers = st.floats(allow_nan=True, allow_infinity=False)


@given(
    duration_s=numbers,
    usable_s=numbers,
    shares=st.dictionaries(st.text(max_size=5), numbers, max_size=3),
    texts=st.lists(st.text(max_size=8), max_size=3),
)
def test_an_outcome_survives_the_ledger(
    duration_s: float, usable_s: float, shares: dict[str, float], texts: list[str]
) -> None:
    outcome = Outcome(
        "R.edf",
        "done",
        folder=Path("/o/R"),
        duration_s=duration_s,
        channels=19,
        usable_s=usable_s,
        shares=shares,
        mend=tuple(texts),
        model="m",
        config="c",
        warnings=tuple(texts),
    )
    text = outcome_to_json(outcome)
    json.loads(text, parse_constant=pytest.fail)  # strict JSON: no NaN
    assert repr(outcome_from_json(text)) == repr(outcome)
