"""Configuration: frozen dataclasses filled from TOML, every problem reported at once."""

import dataclasses
import difflib
import hashlib
import json
import tomllib
import types
import typing
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from cleanspan.errors import ConfigError

T = TypeVar("T")


HOPS_S = (0.25, 0.5, 1.0)
"""Whole parts of a window whose onsets fall on eighths of a second, as all cuts do."""


@dataclass(frozen=True, slots=True)
class Windows:
    """How the recording is cut into windows.

    Attributes
    ----------
    hop_s : float
        Distance between the onsets of two windows: 0.25, 0.5 or 1 s.
    block_s : float
        How much of the recording is read at once, 5 to 120 s.
    """

    hop_s: float = 0.5
    block_s: float = 60.0

    def __post_init__(self) -> None:
        """Check the ranges."""
        hop = outside("hop_s", self.hop_s, 0.25, 1.0)
        if not hop and self.hop_s not in HOPS_S:
            hop = f"hop_s must be 0.25, 0.5 or 1, got {self.hop_s:g}"
        no_problem(hop, outside("block_s", self.block_s, 5.0, 120.0))


@dataclass(frozen=True, slots=True)
class SegmentRule:
    """How probabilities of one label become segments.

    Attributes
    ----------
    begin_at, keep_above : float
        A segment begins where the probability reaches `begin_at` and goes on while it stays at
        or above `keep_above` (hysteresis). Single events (blinks) stand where the frontmost
        channels reach `keep_above` on average, and show on another channel from `begin_at` on.
    shortest_s : float
        Shorter segments are dropped.
    join_s : float
        Segments of one label on one channel that lie closer than this become one.
    """

    begin_at: float = 0.5
    keep_above: float = 0.35
    shortest_s: float = 0.5
    join_s: float = 0.5

    def __post_init__(self) -> None:
        """Check the ranges."""
        begin = outside("begin_at", self.begin_at, 0.01, 0.99)
        no_problem(
            begin,
            # A limit that is wrong itself says nothing about what it limits.
            outside("keep_above", self.keep_above, 0.01, 0.99 if begin else self.begin_at),
            outside("shortest_s", self.shortest_s, 0.0, 60.0),
            outside("join_s", self.join_s, 0.0, 60.0),
        )


@dataclass(frozen=True, slots=True)
class Labelling:
    """Which model labels the windows.

    Attributes
    ----------
    model : str
        ``"in use"`` for the model store's choice (the shipped one where nothing else was put
        into use), or a model folder's path.
    store : str
        Folder of the lab's own models; empty for the per-user default.
    """

    model: str = "in use"
    store: str = ""


@dataclass(frozen=True, slots=True)
class Export:
    """Which files are written.

    Attributes
    ----------
    marked : {"copy", "annotations-only", "none"}
        The EDF+ marks: a whole copy of the recording with marks, marks alone, or nothing.
    plan : str
        The exclusion plan: a name out of ``configs/plans`` or a TOML file's path.
    windows, report, bids : bool
        Whether to write the table of probabilities, the page, the BIDS files.
    deidentify : bool
        Whether patient and recording identification are replaced by X fields.
    keep_notes : bool
        Whether existing annotations, which may hold names, are kept when de-identifying;
        without it they always are.
    """

    marked: str = "copy"
    plan: str = "resting"
    windows: bool = True
    report: bool = True
    bids: bool = False
    deidentify: bool = False
    keep_notes: bool = True

    def __post_init__(self) -> None:
        """Check the choices."""
        # Notes would be gone from the copy, names and dates would stay in its header.
        alone = (
            "keep_notes = false must come with deidentify = true, got it alone: names and "
            "dates would stay in the header"
        )
        no_problem(
            none_of("marked", self.marked, ("copy", "annotations-only", "none")),
            "" if self.keep_notes or self.deidentify else alone,
        )


@dataclass(frozen=True, slots=True)
class LabelRules:
    """How the lab's hand labels are read; used by evaluation and retraining only.

    Attributes
    ----------
    extra : tuple of str
        The lab's own labels beyond the shipped ones, e.g. ``lateral eye movement``.
    wording : mapping of str to str
        The lab's own texts and the label each one means, e.g. ``"eyeblink" = "blink"``.
    not_read : tuple of str
        Labels that the readers did not look for: unmarked says nothing about them.
    confused : mapping of str to tuple of str
        A word in the note of an ``other`` span and the labels that span may be confused with,
        e.g. ``"saccade" = ["blink"]``.
    all_channels : tuple of str
        What ``all`` means where the readers saw only some of the channels; empty for every one.
    """

    extra: tuple[str, ...] = ()
    wording: Mapping[str, str] = field(default_factory=dict)
    not_read: tuple[str, ...] = ()
    confused: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    all_channels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Config:
    """Everything that decides the results of screening, and how hand labels are read.

    Attributes
    ----------
    segments : mapping of str to SegmentRule
        Overrides of the model's own segment rules, by label.
    labels : LabelRules
        How hand labels are read; no part of the fingerprint, for it changes no mark.
    """

    windows: Windows = field(default_factory=Windows)
    labelling: Labelling = field(default_factory=Labelling)
    export: Export = field(default_factory=Export)
    segments: Mapping[str, SegmentRule] = field(default_factory=dict)
    labels: LabelRules = field(default_factory=LabelRules)

    def fingerprint(self) -> str:
        """Eight hex digits that change whenever a setting that decides marks changes."""
        settings = dataclasses.asdict(self)
        del settings["labels"]
        text = json.dumps(settings, sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:8]


def outside(name: str, value: float, low: float, high: float) -> str:
    """Say what is wrong unless low ≤ value ≤ high; else nothing."""
    if low <= value <= high:
        return ""
    return f"{name} must lie between {low:g} and {high:g}, got {value:g}"


def none_of(name: str, value: str, choices: tuple[str, ...]) -> str:
    """Say what is wrong unless value is one of choices; else nothing."""
    if value in choices:
        return ""
    options = ", ".join(repr(choice) for choice in choices)
    return f"{name} must be one of {options}, got {value!r}"


def no_problem(*problems: str) -> None:
    """Raise ValueError unless every text is empty; its lines are the problems."""
    found = [problem for problem in problems if problem]
    if found:
        raise ValueError("\n".join(found))


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Give the end of a message that asks for the nearest known name; empty without a near one."""
    near = difflib.get_close_matches(name, list(known), n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    ConfigError
        If the file is missing, unreadable or not TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(
            [f"{path}: a configuration file must be readable, got: {error.strerror}"]
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError([f"{path}: must be TOML in UTF-8, got: {error}"]) from error


def load_config(path: Path | None) -> Config:
    """Read the settings of a run; None gives the defaults.

    Raises
    ------
    ConfigError
        With every problem of the file.
    """
    if path is None:
        return Config()
    return fill(Config, read_toml(path), where=str(path))


def fill(cls: type[T], mapping: Mapping[str, Any], *, where: str) -> T:
    """Build a dataclass out of parsed TOML.

    Parameters
    ----------
    cls : dataclass type
        Its fields may be str, int, float, bool, tuples of these, optional ones, other
        dataclasses, or mappings of str to one of these.
    mapping : mapping
        The parsed table.
    where : str
        File's name for the messages.

    Raises
    ------
    ConfigError
        With one line for each unknown key, wrong type or value out of range.
    """
    problems: list[str] = []
    built = _build(cls, mapping, _Table(where, cls), problems)
    if problems:
        raise ConfigError(problems)
    return typing.cast("T", built)


@dataclass(frozen=True, slots=True)
class _Table:
    """Which table of which file is read, and what the whole file may hold."""

    where: str
    root: type[Any]
    prefix: str = ""

    def place(self, key: str) -> str:
        """Name a key as messages do."""
        return f"{self.where}: {self.prefix}{key}"

    def below(self, key: str) -> "_Table":
        """Go into a table of this one."""
        return dataclasses.replace(self, prefix=f"{self.prefix}{key}.")

    def not_a_setting(self, key: str, value: object, known: list[str]) -> str:
        """Say that a key is none of this table's: where it belongs, or what was meant."""
        is_table = isinstance(value, dict)
        homes = _homes(self.root, key, of_table=is_table)
        if homes and is_table:
            tables = [f"[{home}.{key}]" if home else f"[{key}]" for home in homes]
            hint = f" here; the table must be called {' or '.join(tables)}"
        elif homes:
            tables = [f"[{home}]" if home else _TOP for home in homes]
            hint = f" here; it belongs into {' or '.join(tables)}"
        else:
            hint = did_you_mean(key, known) or f"; known: {', '.join(known)}"
        return f"{self.place(key)} is not a setting{hint}"


_TOP = "the top of the file, above the first [table]"


def _homes(cls: type[Any], key: str, at: str = "", *, of_table: bool = False) -> list[str]:
    """List the tables that have a setting, or a table, of this name; "" is the file's top."""
    hints = typing.get_type_hints(cls)
    homes = [at] if key in hints and _is_table(hints[key]) == of_table else []
    for name, hint in hints.items():
        inner = f"{at}.{name}" if at else name
        if typing.get_origin(hint) in (dict, Mapping):
            hint, inner = typing.get_args(hint)[1], f"{inner}.NAME"
        if dataclasses.is_dataclass(hint):
            homes += _homes(typing.cast("type[Any]", hint), key, inner, of_table=of_table)
    return homes


def _is_table(hint: Any) -> bool:
    """Whether a setting of this type is a table of the file."""
    return dataclasses.is_dataclass(hint) or typing.get_origin(hint) in (dict, Mapping)


_STAND_INS: dict[Any, Any] = {str: "-", tuple[str, ...]: ("-",)}
"""For what must be given and is not, so that the other settings are looked at all the same."""


def _build(
    cls: type[Any], mapping: Mapping[str, Any], table: _Table, problems: list[str]
) -> object:
    """Build one dataclass; add what is wrong to problems and return None then."""
    hints = typing.get_type_hints(cls)
    known = [item.name for item in dataclasses.fields(cls)]
    before = len(problems)
    stand_ins: dict[str, Any] = {}
    values: dict[str, object] = {}
    for key, value in mapping.items():
        if key in known:
            so_far = len(problems)
            made = _convert(hints[key], value, table, key, problems)
            if len(problems) == so_far:
                values[key] = made
        else:
            problems.append(table.not_a_setting(key, value, known))
    for item in dataclasses.fields(cls):
        default = (item.default, item.default_factory)
        needed = default == (dataclasses.MISSING, dataclasses.MISSING)
        if needed and item.name not in mapping:
            problems.append(f"{table.place(item.name)} must be given")
        if needed and item.name not in values:
            if hints[item.name] not in _STAND_INS:
                return None
            stand_ins[item.name] = _STAND_INS[hints[item.name]]
    try:
        built = cls(**values, **stand_ins)
    except ValueError as error:
        problems += [table.place(line) for line in str(error).splitlines()]
        return None
    return built if len(problems) == before else None


def _convert(hint: Any, value: Any, table: _Table, key: str, problems: list[str]) -> object:
    """Convert one TOML value to what a field wants."""
    if isinstance(hint, types.UnionType):
        options = [option for option in typing.get_args(hint) if option is not types.NoneType]
        hint = options[0]
    origin, place = typing.get_origin(hint), table.place(key)
    if _is_table(hint):
        if not isinstance(value, dict):
            problems.append(f"{place} must be a table, got {value!r}")
            return None
        if dataclasses.is_dataclass(hint):
            return _build(typing.cast("type[Any]", hint), value, table.below(key), problems)
        item_hint = typing.get_args(hint)[1]
        return {
            name: _convert(item_hint, item, table.below(key), name, problems)
            for name, item in value.items()
        }
    if origin is tuple:
        if not isinstance(value, list):
            problems.append(f"{place} must be a list, got {value!r}")
            return None
        item_hint = typing.get_args(hint)[0]
        return tuple(_convert(item_hint, item, table, key, problems) for item in value)
    return _scalar(hint, value, place, problems)


def _scalar(hint: Any, value: Any, place: str, problems: list[str]) -> object:
    """Check a plain value; an integer serves where a float is wanted, a bool never does."""
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if not isinstance(value, hint) or (isinstance(value, bool) and hint is not bool):
        names = {float: "a number", int: "a whole number", str: "a text", bool: "true or false"}
        problems.append(f"{place} must be {names.get(hint, hint)}, got {value!r}")
        return None
    return typing.cast("object", value)
