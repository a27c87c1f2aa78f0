"""Results read back, so that exclusions and pages can be made without the recording."""

import json
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from cleanspan.errors import RecordingError, UsageError, damage
from cleanspan.export.cells import column_name
from cleanspan.export.facts import facts_below, facts_in
from cleanspan.export.tables import FACTS_FORMAT
from cleanspan.types import FACTS, SEGMENT_COLUMNS, Channel, Finding, Note, Piece, Role

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class StoredProbabilities:
    """Probabilities in ``R_windows.parquet``, read channel by channel.

    Attributes
    ----------
    path : Path
    labels : tuple of str
    onset_s : ndarray of shape (n_windows,)
    window_s : float
    """

    path: Path
    labels: tuple[str, ...]
    onset_s: npt.NDArray[np.float64]
    window_s: float

    @classmethod
    def open(cls, path: Path) -> "StoredProbabilities":
        """Read the window grid, and what the columns mean."""
        import pyarrow.parquet as pq

        with pq.ParquetFile(path) as file:
            about = file.schema_arrow.metadata
            onset_s = file.read_row_group(0, columns=["onset_s"]) if file.num_row_groups else None
            return cls(
                path,
                tuple(json.loads(about[b"labels"])),
                np.zeros(0) if onset_s is None else onset_s["onset_s"].to_numpy(),
                float(about[b"window_s"]),
            )

    def channel(self, row: int) -> npt.NDArray[np.float32]:
        """Probabilities of one screened channel, ndarray of shape (n_windows, n_labels).

        Raises
        ------
        RecordingError
            If the file is damaged.
        """
        import pyarrow.parquet as pq

        names = [column_name(label) for label in self.labels]
        with whole(self.path), pq.ParquetFile(self.path) as file:
            table = file.read_row_group(row, columns=names)
        return np.stack([table[name].to_numpy() for name in names], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class StoredResult:
    """A recording's results, as they lie in its folder.

    Attributes
    ----------
    folder : Path
    stem : str
        What the files' names begin with.
    recording, format : str
        The recording's file name and format.
    duration_s : float
    pieces : tuple of Piece
    all_channels, eeg : tuple of Channel
        Every channel; the screened ones.
    labels : tuple of str
    segments, channels : pandas.DataFrame
        As in `types.Screened`.
    findings : tuple of Finding
    notes, presses : tuple of Note
        Existing annotations; presses of the marker button.
    mains_hz : float or None
    model, config, plan : str
        The model and the settings' fingerprint; the plan that was applied at screening.
    warnings : tuple of str
    probabilities : StoredProbabilities or None
        None where they were not written.
    """

    folder: Path
    stem: str
    recording: str
    format: str
    duration_s: float
    pieces: tuple[Piece, ...]
    all_channels: tuple[Channel, ...]
    eeg: tuple[Channel, ...]
    labels: tuple[str, ...]
    segments: "pd.DataFrame"
    channels: "pd.DataFrame"
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]
    presses: tuple[Note, ...]
    mains_hz: float | None
    model: str
    config: str
    plan: str
    warnings: tuple[str, ...]
    probabilities: StoredProbabilities | None

    @classmethod
    def load(cls, folder: Path) -> "StoredResult":
        """Read a result folder.

        Raises
        ------
        RecordingError
            If it holds no result, or a damaged one.
        """
        path = facts_path(folder)
        stem = path.name.removesuffix(FACTS)
        facts = read_facts(path)
        with whole(path):
            known = _from_facts(facts)
        windows = folder / f"{stem}_windows.parquet"
        with whole(windows):
            probabilities = StoredProbabilities.open(windows) if windows.exists() else None
        return cls(
            folder=folder,
            stem=stem,
            segments=_read_segments(folder / f"{stem}_segments.csv"),
            channels=read_channels(folder / f"{stem}_channels.csv"),
            probabilities=probabilities,
            **known,
        )


def facts_path(folder: Path) -> Path:
    """Find the facts of a result folder.

    Raises
    ------
    RecordingError
        If there is not exactly one.
    """
    found = facts_in(folder) if folder.is_dir() else []
    if len(found) != 1:
        raise RecordingError(
            f"{folder}: a result folder must hold one file *{FACTS}, got {len(found)}; "
            "give a folder that `cleanspan screen` wrote"
        )
    return found[0]


def content_of(folder: Path) -> str:
    """Say which recording a folder's results are of; empty where they do not tell.

    Returns
    -------
    str
        The digest of its content (`recording.content.digest_of`).
    """
    try:
        facts = json.loads(facts_path(folder).read_text(encoding="utf-8"))
        content = facts.get("content", "")
    except (RecordingError, OSError, ValueError, AttributeError):
        return ""
    return content if isinstance(content, str) else ""


def read_facts(path: Path) -> dict[str, Any]:
    """Read a recording's facts.

    Raises
    ------
    RecordingError
        If they are damaged, or of another version.
    """
    with whole(path):
        facts: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        version = facts["facts"]
    if version != FACTS_FORMAT:
        raise RecordingError(
            f"{path}: results must be of format {FACTS_FORMAT}, got {version}; "
            "screen the recording again with this version"
        )
    return facts


def find_results(folders: Sequence[Path]) -> list[Path]:
    """Find result folders: those given, and those directly inside the given ones.

    Raises
    ------
    UsageError
        If one of the given ones is no folder, or none of them holds anything of a result.
    """
    found: dict[Path, None] = {}
    some = False
    for folder in folders:
        if not folder.is_dir():
            raise UsageError(
                f"{folder}: results must be a folder that `cleanspan screen` wrote, got "
                f"{'a file' if folder.exists() else 'nothing of that name'}; name such a folder"
            )
        if not _enterable(folder):
            raise UsageError(
                f"{folder}: results must be readable, got: permission denied; mend its permissions"
            )
        inside = [path.parent for path in facts_below(folder)]
        # What cannot be entered may hold results: that is told where they are read.
        inside += [path for path in folder.iterdir() if path.is_dir() and not _enterable(path)]
        own = facts_in(folder)
        found.update(dict.fromkeys([folder] if own or not inside else inside))
        some = some or bool(own or inside)
    if not some:
        raise UsageError(
            f"{folders[0]}: a result folder must hold a file *{FACTS}, got none here nor in the "
            "folders inside; give a folder that `cleanspan screen` wrote"
        )
    return [path for path in found if not path.name.startswith(".")]


def _enterable(folder: Path) -> bool:
    return os.access(folder, os.R_OK | os.X_OK)


def known_labels(folders: Sequence[Path]) -> list[str]:
    """List the labels that result folders know; damaged ones are passed over."""
    return _told(folders, "labels")


def known_channels(folders: Sequence[Path]) -> list[str]:
    """List the channels that were screened, by recorded name; damaged results are passed over."""
    return _told(folders, "screened")


def _told(folders: Sequence[Path], key: str) -> list[str]:
    """List what the facts of some results list under a key, each once."""
    found: dict[str, None] = {}
    for folder in folders:
        with suppress(RecordingError):
            listed = read_facts(facts_path(folder)).get(key)
            found.update(dict.fromkeys(map(str, listed if isinstance(listed, list) else [])))
    return list(found)


def _from_facts(facts: dict[str, Any]) -> dict[str, Any]:
    """Turn the facts into fields of StoredResult."""
    channels = tuple(_channel(item) for item in facts["channels"])
    by_label = {channel.label: channel for channel in channels}
    as_is = ("recording", "format", "mains_hz", "model", "config", "plan")
    findings = (
        Finding(item["kind"], tuple(item["channels"]), item["text"]) for item in facts["findings"]
    )
    return {
        **{name: facts[name] for name in as_is},
        "duration_s": float(facts["duration_s"]),
        "pieces": tuple(Piece(*item) for item in facts["pieces"]),
        "all_channels": channels,
        "eeg": tuple(by_label[label] for label in facts["screened"]),
        "labels": tuple(facts["labels"]),
        "findings": tuple(findings),
        "notes": tuple(Note(*item) for item in facts["notes"]),
        "presses": tuple(Note(*item) for item in facts["presses"]),
        "warnings": tuple(facts["warnings"]),
    }


def _channel(item: dict[str, Any]) -> Channel:
    """Rebuild a channel; an unknown amplifier range was stored as null."""
    nan = float("nan")
    known = {
        "role": Role(item["role"]),
        "lowest_uv": nan if item["lowest_uv"] is None else item["lowest_uv"],
        "highest_uv": nan if item["highest_uv"] is None else item["highest_uv"],
    }
    return Channel(**{**item, **known})


def _read_segments(path: Path) -> "pd.DataFrame":
    """Read segments; a channel called NA is a name, not a missing value."""
    import pandas as pd

    numbers = dict.fromkeys(("onset_s", "duration_s", "confidence"), float)
    texts = dict.fromkeys(("channel", "label", "kind"), "category")
    with whole(path):
        table = pd.read_csv(
            path,
            dtype={"channel": str, "label": str, "kind": str},
            keep_default_na=False,
            na_values={"confidence": [""]},
        )
        return with_columns(table, SEGMENT_COLUMNS).astype({**texts, **numbers})


def read_channels(path: Path) -> "pd.DataFrame":
    """Read the channel table; shares of channels that were not screened are empty.

    Raises
    ------
    RecordingError
        If it is damaged.
    """
    import pandas as pd

    with whole(path):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        for name in table.columns:
            if name.endswith("_share"):
                table[name] = pd.to_numeric(table[name])
        with_columns(table, ("channel", "role", "verdict"))
    return table


def with_columns(table: "pd.DataFrame", names: Sequence[str]) -> "pd.DataFrame":
    """Take some columns of a table.

    Raises
    ------
    KeyError
        With the first name that it does not have.
    """
    for name in names:
        if name not in table:
            raise KeyError(name)
    return table[list(names)]


@contextmanager
def whole(path: Path) -> Iterator[None]:
    """Say in one line that a file of a result is damaged."""
    try:
        yield
    except (OSError, ValueError, KeyError, TypeError) as error:  # pyarrow's and pandas' too
        raise RecordingError(
            f"{path}: a result must be whole, got {damage(error)}; screen the recording again"
        ) from error
