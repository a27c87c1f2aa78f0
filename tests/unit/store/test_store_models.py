"""The store: names, what is in use, going back, and finding a model."""

import multiprocessing
import os
import tomllib

import pytest

from cleanspan.errors import ModelError, OutputError
from cleanspan.training import store as module
from cleanspan.training.store import ModelStore, resolve_model, store_folder


@pytest.fixture
def shipped(make_model, monkeypatch):
    folder = make_model("shipped-one", seed=9)
    monkeypatch.setattr(module, "shipped_model", lambda: folder)
    return folder


@pytest.fixture
def store(tmp_path, make_model, shipped):
    lab = ModelStore(tmp_path / "state" / "models")
    lab.add(make_model(seed=1), "first")
    lab.add(make_model(seed=2), "second")
    return lab


def test_an_empty_store_uses_the_shipped_model(tmp_path, shipped):
    lab = ModelStore(tmp_path / "nothing here")
    assert lab.in_use() == "shipped"
    assert resolve_model("in use", lab.folder) == shipped
    assert not lab.folder.exists()


def test_a_model_put_into_use_is_what_screening_finds(store):
    store.use("second", who="ada", why="new caps")
    assert resolve_model("in use", store.folder) == store.folder / "second"
    (change,) = store.history()
    assert (change.model, change.who, change.why, change.forced) == (
        "second",
        "ada",
        "new caps",
        False,
    )
    assert change.when.endswith("+00:00")


def test_going_back_twice_returns_step_by_step(store):
    store.use("first", who="ada", why="one")
    store.use("second", who="ada", why="two")
    assert store.back(who="bo", why="worse on muscle").model == "first"
    assert store.back(who="bo", why="still").model == "shipped"
    with pytest.raises(ModelError, match="needs an earlier model"):
        store.back(who="bo", why="more")
    assert [change.model for change in store.history()] == ["first", "second", "first", "shipped"]


def test_a_model_in_use_already_leaves_the_record_and_the_way_back_as_they_are(store):
    store.use("first", who="ada", why="one")
    store.use("second", who="ada", why="two")
    assert store.use("second", who="bo", why="to be sure") is None
    assert [change.model for change in store.history()] == ["first", "second"]
    assert store.back(who="bo", why="worse").model == "first"
    assert store.use("first", who="bo", why="to be sure") is None
    assert store.back(who="bo", why="still").model == "shipped"


def test_a_record_that_notes_a_model_twice_still_leads_back(store):
    store.use("first", who="ada", why="one")
    lines = (store.folder / "in-use.toml").read_text().replace("one", "once more")
    record = (store.folder / "in-use.toml").read_text()
    (store.folder / "in-use.toml").write_text(record + lines.partition("\n")[2])
    assert [change.why for change in store.history()] == ["one", "once more"]
    assert store.before() == "shipped"


def test_the_record_is_plain_text_a_person_can_read(store):
    store.use("first", who="ada", why='after "the" move')
    record = tomllib.loads((store.folder / "in-use.toml").read_text())
    assert record["in_use"] == "first"
    assert record["history"][0]["why"] == 'after "the" move'


def test_a_name_of_the_store_a_folder_and_shipped_are_found(store, make_model, shipped):
    loose = make_model(seed=5)
    assert resolve_model("first", store.folder) == store.folder / "first"
    assert resolve_model(str(loose), store.folder) == loose
    assert resolve_model("shipped", store.folder) == shipped


def test_an_unknown_model_is_answered_with_a_near_one(store):
    with pytest.raises(ModelError, match="did you mean 'second'"):
        resolve_model("secnod", store.folder)


def test_a_model_in_use_that_vanished_is_no_silent_change(store):
    store.use("first", who="ada", why="x")
    for item in (store.folder / "first").iterdir():
        item.unlink()
    with pytest.raises(ModelError, match="got 'first'"):
        resolve_model("in use", store.folder)


@pytest.mark.parametrize(
    "name", ["", "..", "../x", "a/b", "shipped", "in use", ".hidden", "x" * 80]
)
def test_names_that_are_no_folder_of_the_store_are_refused(store, make_model, name):
    with pytest.raises(ModelError, match="name must be"):
        store.add(make_model(seed=7), name)


def test_a_model_is_never_overwritten(store, make_model):
    before = (store.folder / "first" / "weights.npz").read_bytes()
    with pytest.raises(ModelError, match="must be new"):
        store.add(make_model(seed=8), "first")
    assert (store.folder / "first" / "weights.npz").read_bytes() == before
    assert store.free_name("first") == "first-2"


def test_a_failure_while_adding_leaves_nothing(store):
    def fail():
        with store.adding("third") as folder:
            (folder / "manifest.toml").write_text("half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert store.names() == ["first", "second"]
    assert not list(store.folder.glob(".unfinished*"))


CHANGE = 'model = "first"\nwhen = "2031"\nwho = "ada"\nwhy = "x"\n'


@pytest.mark.parametrize(
    "record",
    [
        b"history = [{ model = 3",
        b"history = 3",
        b'history = ["first"]',
        b"in_use = 'first'",
        b"\xff\xfe",
        f"[[history]]\n{CHANGE}".replace('"first"', "3").encode(),
        f"[[history]]\n{CHANGE}why_not = 3".encode(),
    ],
)
def test_a_damaged_record_says_what_to_do(store, record):
    (store.folder / "in-use.toml").write_bytes(record)
    with pytest.raises(ModelError, match="delete it to return to the shipped model"):
        store.in_use()


@pytest.fixture
def locked(store):
    """The store, closed to whoever asks: the superuser must become somebody else for that."""
    if os.geteuid() == 0:
        store.folder.parent.chmod(0o700)
        os.seteuid(65534)
        yield store
        os.seteuid(0)
    else:
        store.folder.chmod(0)
        yield store
        store.folder.chmod(0o700)


@pytest.mark.parametrize(
    "ask",
    [
        lambda store: store.history(),
        lambda store: store.names(),
        lambda store: store.has("first"),
        lambda store: resolve_model("first", store.folder),
        lambda store: resolve_model(str(store.folder / "first"), store.folder),
    ],
    ids=["history", "names", "has", "by name", "by folder"],
)
def test_a_store_that_may_not_be_read_is_one_line(locked, ask):
    with pytest.raises(ModelError, match="models must be readable, got: Permission denied") as got:
        ask(locked)
    assert "\n" not in str(got.value)


def test_a_record_that_is_no_file_is_no_empty_one(store):
    (store.folder / "in-use.toml").mkdir()
    with pytest.raises(ModelError, match="got: Is a directory"):
        store.in_use()


def test_a_record_that_cannot_be_written_leaves_the_old_one(store, monkeypatch):
    store.use("first", who="ada", why="x")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("cleanspan.atomic.os.replace", full)
    with pytest.raises(OutputError, match="must have room"):
        store.use("second", who="ada", why="y")
    assert store.in_use() == "first"


def _use_often(folder, names):
    for number in range(10):
        ModelStore(folder).use(names[number % 2], who="ada", why=str(number))


def test_two_people_at_once_lose_no_line_of_the_record(store, make_model):
    for seed, name in ((3, "third"), (4, "fourth")):
        store.add(make_model(seed=seed), name)
    context = multiprocessing.get_context("spawn")
    workers = [
        context.Process(target=_use_often, args=(store.folder, names))
        for names in (("first", "third"), ("second", "fourth"))
    ]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    assert [worker.exitcode for worker in workers] == [0, 0]
    lines = [(change.model, change.why) for change in store.history()]
    assert sorted(why for _, why in lines) == sorted([str(i) for i in range(10)] * 2)
    assert {name for name, _ in lines} == {"first", "second", "third", "fourth"}


def test_the_store_lies_where_the_desktop_standard_has_state(monkeypatch, tmp_path):
    """XDG Base Directory Specification 0.8: relative paths in the variable are to be ignored."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert store_folder() == tmp_path / "cleanspan" / "models"
    monkeypatch.setenv("XDG_STATE_HOME", "relative")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert store_folder() == tmp_path / ".local" / "state" / "cleanspan" / "models"
    assert store_folder("~/models") == tmp_path / "models"


def test_what_a_killed_run_left_is_no_model(store, make_model):
    left = store.folder / ".unfinished-0a1b2c3d-new"
    make_model(seed=6, folder=left)
    assert store.names() == ["first", "second"]
    with pytest.raises(ModelError):
        store.path(left.name)
