"""The lab's own models, and which one is in use.

A store is a folder with one folder a model and a record ``in-use.toml``: what is in use, and who
changed it when and why. The shipped model serves where the record names no other.
"""

import difflib
import fcntl
import os
import re
import shutil
import tomllib
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from cleanspan.atomic import UNFINISHED, output_error, replacing_file, replacing_folder
from cleanspan.config import fill
from cleanspan.errors import ConfigError, ModelError
from cleanspan.shipped import shipped_folder
from cleanspan.training.voting import BASE

IN_USE = "in use"
SHIPPED = "shipped"
RECORD = "in-use.toml"
LOCK = ".lock"
MANIFEST = "manifest.toml"
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


@dataclass(frozen=True, slots=True)
class Change:
    """One line of the record.

    Attributes
    ----------
    model : str
        What was put into use.
    when : str
        ISO 8601, UTC.
    who, why : str
    forced : bool
        Whether the gate had refused it.
    back : bool
        Whether it was a return to the model before.
    """

    model: str
    when: str
    who: str
    why: str
    forced: bool = False
    back: bool = False


def store_folder(configured: str = "") -> Path:
    """Find the store: as configured, else in the user's state folder (XDG base directories)."""
    if configured:
        return Path(configured).expanduser()
    state = os.environ.get("XDG_STATE_HOME", "")
    base = Path(state) if Path(state).is_absolute() else Path.home() / ".local" / "state"
    return base / "cleanspan" / "models"


def shipped_model() -> Path:
    """Find the shipped model's folder.

    Raises
    ------
    ModelError
        If the installation has none.
    """
    try:
        found = sorted(path.parent for path in shipped_folder("models").glob(f"*/{MANIFEST}"))
    except FileNotFoundError as error:
        raise ModelError(str(error)) from error
    if not found:
        raise ModelError("a shipped model must come with the installation, got none; reinstall")
    return found[-1]


def resolve_model(name: str, store: str | Path = "") -> Path:
    """Find a model's folder.

    Parameters
    ----------
    name : str
        ``"in use"``, ``"shipped"``, the name of a model in the store, or a folder's path.
    store : str or Path
        The store's folder; empty for the per-user one.

    Raises
    ------
    ModelError
        If there is no such model.
    """
    models = ModelStore(store_folder(str(store)))
    if name == IN_USE:
        return models.path(models.in_use())
    if NAME.fullmatch(name) and models.has(name):
        return models.path(name)
    folder = Path(name).expanduser()
    with _readable(folder, "name another model"):
        found = (folder / MANIFEST).is_file()
    return folder if found else models.path(name)


@dataclass(frozen=True, slots=True)
class ModelStore:
    """A folder of models.

    Attributes
    ----------
    folder : Path
        It need not exist yet.
    """

    folder: Path

    def names(self) -> list[str]:
        """List the store's own models.

        Raises
        ------
        ModelError
            If the store cannot be read.
        """
        with self._readable():
            inside = list(self.folder.iterdir()) if self.folder.exists() else []
            found = [path.name for path in inside if (path / MANIFEST).is_file()]
        return sorted(name for name in found if not name.startswith(UNFINISHED))

    def has(self, name: str) -> bool:
        """Whether the store has a model of this name.

        Raises
        ------
        ModelError
            If the store cannot be read.
        """
        with self._readable():
            return NAME.fullmatch(name) is not None and (self.folder / name / MANIFEST).is_file()

    def path(self, name: str) -> Path:
        """Find a model's folder by name.

        Raises
        ------
        ModelError
            If neither the store nor the installation has it.
        """
        if name == SHIPPED:
            return shipped_model()
        if self.has(name):
            return self.folder / name
        known = [SHIPPED, *self.names()]
        near = difflib.get_close_matches(name, known, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"there are: {', '.join(known)}"
        raise ModelError(
            f"model must name one in {self.folder} or a model folder, got {name!r}; {hint}"
        )

    def history(self) -> list[Change]:
        """Read who put what into use, oldest first.

        Raises
        ------
        ModelError
            If the record is damaged or cannot be read.
        """
        path = self.folder / RECORD
        with self._readable():
            if not path.exists():
                return []
            content = path.read_bytes()
        try:
            changes = tomllib.loads(content.decode("utf-8"))["history"]
            return [fill(Change, change, where=RECORD) for change in changes]
        except (ConfigError, ValueError, KeyError, TypeError, AttributeError) as error:
            told = isinstance(error, ConfigError | tomllib.TOMLDecodeError)
            got = str(error).splitlines()[0] if told else "one without the list of changes"
            raise ModelError(
                f"{path}: the record of the model in use must be whole, got: {got}; "
                "put it back from a backup, or delete it to return to the shipped model"
            ) from error

    def _readable(self) -> AbstractContextManager[None]:
        """Tell in one line that the store cannot be read."""
        return _readable(self.folder, "name another with [labelling] store in the settings")

    def in_use(self) -> str:
        """Name the model in use; the shipped one where nothing was put into use."""
        history = self.history()
        return history[-1].model if history else SHIPPED

    @contextmanager
    def adding(self, name: str) -> Iterator[Path]:
        """Give a folder to write a new model into; it appears in the store when done.

        Raises
        ------
        ModelError
            If the name is taken or no name for a folder.
        """
        self.check_name(name)
        self._make()
        with replacing_folder(self.folder / name) as beside:
            yield beside

    def check_name(self, name: str) -> None:
        """Refuse a name that cannot be a new model's.

        Raises
        ------
        ModelError
            If it is taken or no name for a folder.
        """
        if NAME.fullmatch(name) is None or name in (SHIPPED, IN_USE):
            raise ModelError(
                "a model's name must be letters, digits, dots, dashes and underscores, and none "
                f"of ours ({SHIPPED}, {IN_USE}), got {name!r}"
            )
        if (self.folder / name).exists():
            raise ModelError(
                f"a model's name must be new, got {name!r}, which is in {self.folder}"
            )

    def free_name(self, wanted: str) -> str:
        """Find a name that is not taken: the wanted one, else with a number."""
        name, number = wanted, 1
        while (self.folder / name).exists():
            number += 1
            name = f"{wanted}-{number}"
        return name

    def add(self, source: Path, name: str) -> Path:
        """Copy a model folder into the store."""
        with self.adding(name) as beside:
            for item in sorted(source.iterdir()):
                if item.is_file() and not item.is_symlink():
                    shutil.copyfile(item, beside / item.name)
            if (source / BASE).is_dir() and not (source / BASE).is_symlink():
                shutil.copytree(source / BASE, beside / BASE, symlinks=True)
        return self.folder / name

    def use(self, name: str, *, who: str, why: str, forced: bool = False) -> Change | None:
        """Put a model into use: the record is written beside and renamed.

        Returns
        -------
        Change or None
            None where the model was in use already: nothing is changed, and going back still
            leads to the model before it.

        Raises
        ------
        ModelError
            If there is no such model.
        OutputError
            If the record cannot be written; the old one stays.
        """
        self.path(name)
        with self._locked():
            if name == self.in_use():
                return None
            change = Change(name, _now(), who, why, forced)
            self._write([*self.history(), change])
        return change

    def back(self, *, who: str, why: str) -> Change:
        """Go back to the model that was in use before the present one.

        Raises
        ------
        ModelError
            If there is none.
        """
        with self._locked():
            before = self.before()
            self.path(before)
            change = Change(before, _now(), who, why, back=True)
            self._write([*self.history(), change])
        return change

    def before(self) -> str:
        """Name the model that was in use before the present one.

        Raises
        ------
        ModelError
            If there is none.
        """
        earlier = _stack(self.history())[:-1]
        if not earlier:
            raise ModelError("going back needs an earlier model, got none: nothing was changed")
        return earlier[-1]

    @contextmanager
    def _locked(self) -> Iterator[None]:
        """Let one process at a time change the record."""
        self._make()
        try:
            with (self.folder / LOCK).open("a") as file:
                fcntl.flock(file, fcntl.LOCK_EX)
                yield
        except OSError as error:
            raise output_error(self.folder, error) from error

    def _make(self) -> None:
        """Make the store's folder."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise output_error(self.folder, error) from error

    def _write(self, history: list[Change]) -> None:
        """Replace the record."""
        import tomli_w

        lines = {"in_use": history[-1].model, "history": [asdict(change) for change in history]}
        with replacing_file(self.folder / RECORD) as beside:
            beside.write_text(tomli_w.dumps(lines), encoding="utf-8")


@contextmanager
def _readable(folder: Path, advice: str) -> Iterator[None]:
    """Tell in one line that a folder cannot be read."""
    try:
        yield
    except OSError as error:
        raise ModelError(
            f"{error.filename or folder}: models must be readable, got: {error.strerror}; mend "
            f"the permissions, or {advice}"
        ) from error


def _now() -> str:
    """Write the present time in UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def _stack(history: list[Change]) -> list[str]:
    """Replay the record: a change puts a model on top, going back takes off what lies above."""
    stack = [SHIPPED]
    for change in history:
        while change.back and len(stack) > 1 and stack[-1] != change.model:
            stack.pop()
        # Earlier versions noted a model that was in use already once more.
        if stack[-1] != change.model:
            stack.append(change.model)
    return stack
