"""Labelled tables as files: plain arrays that cannot run code.

They serve twice: as the sample of training rows that comes with a model, so that retraining can
mix it with the lab's own, and as the cache of tables computed earlier.
"""

import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from cleanspan.errors import ModelError, damage
from cleanspan.features.registry import EVENT_NAMES, FEATURE_VERSION, WINDOW_NAMES
from cleanspan.training.dataset import Table, Tables

SAMPLE = "sample.npz"
"""File in a model folder."""

LARGEST_BYTES = 512 * 2**20
NAMES = {"windows": WINDOW_NAMES, "events": EVENT_NAMES}
HALF_LIMIT = 6e4


class OtherFeaturesError(ModelError):
    """Rows were computed by a version of cleanspan that had other features."""


def save_tables(path: Path, tables: Tables, *, half: bool = True) -> None:
    """Write tables.

    Parameters
    ----------
    path : Path
        Ends in ``.npz``.
    tables : Tables
    half : bool
        Whether features are rounded to half precision (three digits), for a small file.
    """
    arrays: dict[str, npt.NDArray[Any]] = {"feature_version": np.array([FEATURE_VERSION])}
    for kind, table in (("windows", tables.windows), ("events", tables.events)):
        features = table.features
        if half:
            features = np.clip(features, -HALF_LIMIT, HALF_LIMIT).astype(np.float16)
        arrays[f"{kind}/names"] = np.array(NAMES[kind])
        arrays[f"{kind}/features"] = features
        for field in ("person", "recording", "channel"):
            arrays[f"{kind}/{field}"] = np.asarray(getattr(table, field), dtype=np.str_)
        arrays[f"{kind}/time_s"] = table.time_s
        for label, truth in table.truth.items():
            arrays[f"{kind}/truth/{label}"] = truth
    with path.open("wb") as file:
        np.savez_compressed(file, **arrays)  # type: ignore[arg-type]


def load_tables(path: Path) -> Tables:
    """Read tables.

    Raises
    ------
    ModelError
        If the file is damaged or too large; `OtherFeaturesError` if its columns are not those of
        this version.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            if sum(item.file_size for item in archive.infolist()) > LARGEST_BYTES:
                raise ModelError(f"{path}: training rows must unpack to below 512 MB, got more")
        with np.load(path, allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        version = int(arrays["feature_version"][0])
        if version != FEATURE_VERSION:
            raise OtherFeaturesError(
                f"{path}: rows must be of feature version {FEATURE_VERSION}, got {version}"
            )
        if any(_names(arrays, kind) != NAMES[kind] for kind in NAMES):
            raise OtherFeaturesError(f"{path}: rows must have the features of this version")
        return Tables(_table(arrays, "windows"), _table(arrays, "events"))
    except (OSError, ValueError, KeyError, IndexError, EOFError, zipfile.BadZipFile) as error:
        raise ModelError(
            f"{path}: training rows must be plain arrays, got {damage(error)}"
        ) from error


def _names(arrays: dict[str, npt.NDArray[Any]], kind: str) -> tuple[str, ...]:
    """Give the columns of one table."""
    return tuple(str(name) for name in arrays[f"{kind}/names"])


def _table(arrays: dict[str, npt.NDArray[Any]], kind: str) -> Table:
    """Rebuild one table, checking that its columns have one length."""
    features = arrays[f"{kind}/features"].astype(np.float32)
    prefix = f"{kind}/truth/"
    truth = {
        name.removeprefix(prefix): values
        for name, values in arrays.items()
        if name.startswith(prefix)
    }
    columns = {field: arrays[f"{kind}/{field}"] for field in ("person", "recording", "channel")}
    time_s = arrays[f"{kind}/time_s"]
    lengths = {len(column) for column in (*truth.values(), *columns.values(), time_s, features)}
    if lengths != {len(features)} or features.ndim != 2 or features.shape[1] != len(NAMES[kind]):
        raise ValueError(f"{kind} have columns of different lengths")
    return Table(features, truth, **columns, time_s=time_s)
