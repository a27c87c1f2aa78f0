"""The tables of one recording: segments, channels, exclusions, probabilities, facts."""

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cleanspan.atomic import replacing_file
from cleanspan.export.cells import column_name, formula_warning, plain_cell, readable, safe_stem
from cleanspan.export.exclusions import Applied
from cleanspan.recording.content import digest_of
from cleanspan.types import FACTS, SEGMENT_COLUMNS, Note, Screened

if TYPE_CHECKING:
    import pandas as pd

FACTS_FORMAT = 1
"""Number of the layout of ``R_facts.json``; raised when it changes incompatibly."""
CSV_ROWS = 10_000


def write_tables(
    screened: Screened,
    folder: Path,
    *,
    presses: Sequence[Note] = (),
    warnings: Sequence[str] = (),
    stem: str | None = None,
) -> list[Path]:
    """Write segments, channels, facts and, where the settings ask for it, probabilities.

    Parameters
    ----------
    screened : Screened
    folder : Path
        Must exist.
    presses : sequence of Note
        Presses of the marker button (`events.find_presses`).
    warnings : sequence of str
        Said beside the recording's own; what is said twice is written once.
    stem : str, optional
        What the files' names begin with; the recording's stem by default.

    Returns
    -------
    list of Path

    Raises
    ------
    OutputError
        If a file cannot be written; no partial file is left.
    """
    stem = stem or safe_stem(screened.recording.path.name)
    written = [
        write_segments(screened.segments, folder / f"{stem}_segments.csv"),
        write_channels(screened.channels, folder / f"{stem}_channels.csv"),
    ]
    if screened.config.export.windows:
        written.append(write_windows(screened, folder / f"{stem}_windows.parquet"))
    facts = facts_of(screened, presses=presses, warnings=warnings)
    path = folder / f"{stem}{FACTS}"
    with replacing_file(path) as beside:
        beside.write_text(facts_text(facts), encoding="utf-8")
    return [*written, path]


def facts_text(facts: Mapping[str, Any]) -> str:
    """Write facts down: the same facts always give the same text."""
    return json.dumps(facts, indent=1, allow_nan=False)


def write_applied(applied: Applied, folder: Path, stem: str, *, tag: str = "") -> list[Path]:
    """Write what a plan leaves out, what it keeps, and how much of each channel is usable.

    Parameters
    ----------
    applied : Applied
    folder : Path
    stem : str
        What the files' names begin with.
    tag : str
        Told apart by this where several plans are applied: ``R_exclusions_<tag>.csv``.
    """
    tables = (applied.excluded, applied.kept, applied.channels)
    return [
        write_csv(table, path, decimals=6)
        for table, path in zip(tables, applied_paths(folder, stem, tag), strict=True)
    ]


def applied_paths(folder: Path, stem: str, tag: str = "") -> list[Path]:
    """Name the files of `write_applied`."""
    names = ("exclusions", "kept", "usable")
    return [folder / f"{stem}_{name}{tagged(tag)}" for name in names]


def tagged(tag: str) -> str:
    """Give the end of a table's name that tells a plan: ``_naps.csv``."""
    return f"_{safe_stem(tag + '.toml')}.csv" if tag else ".csv"


def write_segments(segments: "pd.DataFrame", path: Path) -> Path:
    """Write ``R_segments.csv``."""
    return write_csv(segments, path, decimals=3, change=to_milliseconds)


def to_milliseconds(segments: "pd.DataFrame") -> "pd.DataFrame":
    """Round the edges of segments to the millisecond, begin and end alike."""
    begin_ms = np.rint(segments["onset_s"].to_numpy(dtype=float) * 1000)
    end_ms = np.rint((segments["onset_s"] + segments["duration_s"]).to_numpy(dtype=float) * 1000)
    table = segments.loc[:, list(SEGMENT_COLUMNS)]
    return table.assign(onset_s=begin_ms / 1000, duration_s=(end_ms - begin_ms) / 1000)


def write_channels(channels: "pd.DataFrame", path: Path) -> Path:
    """Write ``R_channels.csv``; shares to four decimals."""
    table = channels.copy(deep=False)
    if "note" in table:
        table["note"] = [plain_cell(str(note)) for note in table["note"].fillna("")]
    return write_csv(table, path, decimals=4)


def write_csv(
    table: "pd.DataFrame",
    path: Path,
    *,
    decimals: int,
    change: "Callable[[pd.DataFrame], pd.DataFrame] | None" = None,
) -> Path:
    """Write a table as UTF-8 CSV with dot decimals; an empty cell is an unknown value.

    Some rows at a time are changed (where a change is given), rounded and written.
    """
    with replacing_file(path) as beside, beside.open("w", encoding="utf-8", newline="") as file:
        for first in range(0, max(len(table), 1), CSV_ROWS):
            rows = table.iloc[first : first + CSV_ROWS]
            rows = (rows if change is None else change(rows)).round(decimals)
            rows.to_csv(file, index=False, header=first == 0, lineterminator="\n")
    return path


def write_windows(screened: Screened, path: Path) -> Path:
    """Write ``R_windows.parquet``: one row group a channel, so memory holds one channel.

    Columns: channel (dictionary), onset_s (float64), one float32 column a label.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    probabilities = screened.probabilities
    names = [column_name(label) for label in probabilities.labels]
    fields = [
        pa.field("channel", pa.dictionary(pa.int32(), pa.string())),
        ("onset_s", pa.float64()),
    ]
    about = {"labels": json.dumps(probabilities.labels), "window_s": str(probabilities.window_s)}
    schema = pa.schema([*fields, *((name, pa.float32()) for name in names)], metadata=about)
    onset_s = pa.array(np.asarray(probabilities.onset_s, dtype=np.float64))
    zeros = pa.array(np.zeros(len(onset_s), dtype=np.int32))
    with (
        replacing_file(path) as beside,
        pq.ParquetWriter(
            beside,
            schema,
            compression="zstd",
            compression_level=1,
            use_dictionary=["channel"],
            use_byte_stream_split=["onset_s", *names],
        ) as writer,
    ):
        for row, channel in enumerate(screened.eeg):
            columns = np.ascontiguousarray(probabilities.channel(row).T, dtype=np.float32)
            label = pa.DictionaryArray.from_arrays(zeros, pa.array([channel.label]))
            batch = pa.table([label, onset_s, *map(pa.array, columns)], schema=schema)
            writer.write_table(batch, row_group_size=max(len(onset_s), 1))
    return path


def facts_of(
    screened: Screened, *, presses: Sequence[Note] = (), warnings: Sequence[str] = ()
) -> dict[str, Any]:
    """Collect what exclusions, pages and plans need besides the tables.

    Nothing comes from the header's patient and recording identification. Existing annotations
    may hold names: they are left out where the settings ask for it.
    """
    recording, export = screened.recording, screened.config.export
    notes = () if export.deidentify and not export.keep_notes else recording.notes
    odd = formula_warning([channel.label for channel in recording.channels])
    return {
        "facts": FACTS_FORMAT,
        "recording": readable(recording.path.name),
        "content": _content(recording.path),
        "format": recording.format,
        "duration_s": recording.duration_s,
        "pieces": [[piece.onset_s, piece.duration_s] for piece in recording.pieces],
        "channels": [_without_nan(asdict(channel)) for channel in recording.channels],
        "screened": [channel.label for channel in screened.eeg],
        "labels": list(screened.labels),
        "window_s": screened.probabilities.window_s,
        "model": screened.model,
        "config": screened.config.fingerprint(),
        "plan": export.plan,
        "notes": [[note.onset_s, note.duration_s, note.text] for note in notes],
        "presses": [[note.onset_s, note.duration_s, note.text] for note in presses],
        "mains_hz": screened.mains_hz,
        "findings": [asdict(finding) for finding in screened.findings],
        "warnings": list(dict.fromkeys([*recording.warnings, *warnings, *([odd] if odd else [])])),
    }


def _content(path: Path) -> str:
    """Identify the recording, so that results of another are never replaced; empty if it cannot.

    A link is followed: files that belong to the recording lie beside what it points to.
    """
    try:
        return digest_of(path.resolve())
    except OSError:  # samples that were given without a file, or a file that is gone meanwhile
        return ""


def _without_nan(values: dict[str, Any]) -> dict[str, Any]:
    """Replace not-a-number, which JSON lacks, by null."""
    return {
        key: None if isinstance(value, float) and not math.isfinite(value) else value
        for key, value in values.items()
    }
