"""BIDS files: channel status and artefact events (BIDS 1.11, EEG; HED 8.4.0)."""

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cleanspan.atomic import replacing_file
from cleanspan.export.cells import readable, safe_stem
from cleanspan.export.counted import REFERENCE_LOST
from cleanspan.export.stored import StoredResult
from cleanspan.types import (
    BLINK,
    CONTACT_LOSS,
    LINE_NOISE,
    MUSCLE,
    SALT_BRIDGE,
    Channel,
    Role,
    Screened,
)

if TYPE_CHECKING:
    import pandas as pd

NOT_KNOWN = "n/a"
HED_VERSION = "8.4.0"
HED_TAGS = {
    BLINK: "Eye-blink-artifact",
    MUSCLE: "EMG-artifact",
    LINE_NOISE: "Line-noise-artifact",
    "popping": "Electrode-pops-artifact",
    SALT_BRIDGE: "Salt-bridge-artifact",
}
"""Labels and kinds that HED has an exact tag for; the others get none."""

DEFINITIONS = {
    BLINK: "Eye blink: positive deflection, largest at the frontal poles.",
    MUSCLE: "Muscle activity: fast, irregular, strongest over the muscle.",
    LINE_NOISE: "Mains interference at 50 or 60 Hz and its harmonics.",
    CONTACT_LOSS: "Electrode without contact: floating, flat, railed, popping, or reference lost.",
}
TYPES = {
    Role.EEG: "EEG",
    Role.EYE: "EOG",
    Role.HEART: "ECG",
    Role.MUSCLE: "EMG",
    Role.TRIGGER: "TRIG",
    Role.BUTTON: "TRIG",
    Role.REFERENCE: "REF",
}
STATUS = {"good": "good", "watch": "good", "mend": "bad"}
_BIDS_NAME = re.compile(
    r"sub-[A-Za-z0-9]+(_[a-z]+-[A-Za-z0-9+]+)*_task-[A-Za-z0-9+]+(_[a-z]+-[A-Za-z0-9+]+)*_eeg"
)


def write_bids(result: Screened | StoredResult, folder: Path) -> list[Path]:
    """Write ``…_channels.tsv`` and ``…_desc-artefacts_events.tsv`` with their JSON files.

    The names follow the recording's where that is a BIDS name (``sub-…_task-…_eeg.edf``);
    otherwise they begin with the recording's stem and have to be renamed for a data set.

    Parameters
    ----------
    result : Screened or StoredResult
    folder : Path
        Must exist.

    Raises
    ------
    OutputError
        If a file cannot be written; no partial file is left.
    """
    if isinstance(result, StoredResult):
        name, channels = result.recording, result.all_channels
    else:
        name, channels = readable(result.recording.path.name), result.recording.channels
    start = bids_stem(name)
    events = folder / f"{start}_desc-artefacts_events.tsv"
    status = folder / f"{start}_channels.tsv"
    _write_tsv(channel_table(channels, result.channels), status)
    _write_tsv(event_table(result.segments), events)
    described = ((events, describe_events(result)), (status, describe_channels()))
    for path, description in described:
        with replacing_file(path.with_suffix(".json")) as beside:
            text = json.dumps(description, indent=2, ensure_ascii=False)
            beside.write_text(text, encoding="utf-8")
    return [file for path, _ in described for file in (path, path.with_suffix(".json"))]


def bids_stem(recording: str) -> str:
    """Give what the BIDS files of a recording begin with.

    >>> bids_stem("sub-01_task-rest_run-2_eeg.edf")
    'sub-01_task-rest_run-2'
    >>> bids_stem("night 7.edf")
    'night 7'
    """
    stem = safe_stem(recording)
    return stem.removesuffix("_eeg") if _BIDS_NAME.fullmatch(stem) else stem


def channel_table(channels: tuple[Channel, ...], judged: "pd.DataFrame") -> "pd.DataFrame":
    """Build the channel table; a channel that was not screened has no status."""
    import pandas as pd

    verdicts = judged.set_index("channel")
    rows = [
        {
            "name": channel.label,
            "type": TYPES.get(channel.role, "MISC"),
            "units": channel.unit or NOT_KNOWN,
            "sampling_frequency": channel.rate_hz,
            "low_cutoff": channel.high_pass_hz,
            "high_cutoff": channel.low_pass_hz,
            "notch": channel.notch_hz,
            "status": STATUS.get(verdicts["verdict"].get(channel.label, "")),
            "status_description": verdicts["note"].get(channel.label, ""),
        }
        for channel in channels
    ]
    return pd.DataFrame(rows)


def event_table(segments: "pd.DataFrame") -> "pd.DataFrame":
    """Build the event table; a lost reference is one event without a channel."""
    import pandas as pd

    lost = (segments["kind"] == REFERENCE_LOST).to_numpy(dtype=bool)
    once = ~lost | ~segments.duplicated(["kind", "onset_s", "duration_s"]).to_numpy(dtype=bool)
    table = pd.DataFrame(
        {
            "onset": np.round(segments["onset_s"].to_numpy(dtype=float), 3),
            "duration": np.round(segments["duration_s"].to_numpy(dtype=float), 3),
            "trial_type": segments["label"].astype(object),
            "channel": segments["channel"].astype(object).where(~lost, None),
            "kind": segments["kind"].astype(object),
            "confidence": np.round(segments["confidence"].to_numpy(dtype=float), 3),
        }
    )
    kept: pd.DataFrame = table.loc[once]
    return kept


def describe_events(result: Screened | StoredResult) -> dict[str, Any]:
    """Describe the event table's columns, with HED tags where there is an exact one."""
    kinds = [str(kind) for kind in result.segments["kind"].astype("category").cat.categories]
    other = f"Label of the model {result.model}."
    return {
        "trial_type": _levels(
            "Artefact that the span shows; marks are automatic and a missing one proves nothing.",
            {label: DEFINITIONS.get(label, other) for label in result.labels},
        ),
        "channel": {"Description": "Channel that shows it; n/a where all of them do."},
        "kind": _levels(
            "Form of the artefact where one is told apart.",
            {kind: f"{kind.capitalize()}." for kind in kinds if kind},
        ),
        "confidence": {"Description": "How sure the model is, from 0 to 1."},
    }


def describe_channels() -> dict[str, Any]:
    """Describe the columns of the channel table that BIDS leaves open."""
    return {
        "status": {
            "Description": "Automatic verdict over the whole recording.",
            "Levels": {"good": "Usable; short artefacts are events.", "bad": "To be mended."},
        }
    }


def _levels(description: str, levels: dict[str, str]) -> dict[str, Any]:
    """Describe a column of categories."""
    tags = {level: HED_TAGS[level] for level in levels if level in HED_TAGS}
    column: dict[str, Any] = {"Description": description}
    if levels:
        column["Levels"] = levels
    if tags:
        column["HED"] = tags
    return column


def _write_tsv(table: "pd.DataFrame", path: Path) -> None:
    """Write UTF-8 TSV as BIDS wants it: unknown is ``n/a``, no quotes, no tab in a cell."""
    import csv

    cleaned = table.copy()
    for name in cleaned.select_dtypes(exclude="number"):
        cleaned[name] = [_cell(value) for value in cleaned[name]]
    with replacing_file(path) as beside:
        cleaned.to_csv(
            beside,
            sep="\t",
            index=False,
            na_rep=NOT_KNOWN,
            lineterminator="\n",
            quoting=csv.QUOTE_NONE,
            encoding="utf-8",
        )


def _cell(value: object) -> str:
    """Put a text on one line; nothing is ``n/a``."""
    return (" ".join(value.split()) if isinstance(value, str) else "") or NOT_KNOWN
