"""What one result says about the contact of each electrode, and of the reference."""

import csv
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from cleanspan.labelling.channels import MEND, NOT_SCREENED, REFERENCE_FROM, away_spans
from cleanspan.labelling.spans import Spans, besides_s, union_s
from cleanspan.recording.roles import guess_role
from cleanspan.types import CONTACT_LOSS, OF_ALL_CHANNELS, REFERENCE_LOST

REFERENCE = "reference"
"""Stands for the ear clips: their loss shows on every channel and is no electrode's fault."""

Row = tuple[object, ...]
"""channel, electrode, contact_loss_share, verdict, note"""


def electrodes(folder: Path) -> list[Row]:
    """Read a result's tables of channels and segments.

    Returns
    -------
    list of (channel, electrode, contact_loss_share, verdict, note)
        Screened channels, with the time without contact that is their own (not the reference's
        nor what all lost at once, when the amplifier was stopped, say), then the reference;
        empty where the result has no such tables.
    """
    segments = table(folder, "*_segments.csv")
    channels = [
        row
        for row in table(folder, "*_channels.csv")
        if row.get("verdict") != NOT_SCREENED
        and not math.isnan(_number(row.get("contact_loss_share")))
    ]
    shares = _own_and_reference(segments, [row["channel"] for row in channels])
    rows: list[Row] = []
    worst = 0.0
    for row in channels:
        own, reference = shares[row["channel"]]
        share = _number(row["contact_loss_share"])
        worst = max(worst, share * reference)
        name = guess_role(row["channel"]).electrode or row["channel"]
        notes = [
            note for note in (row.get("note") or "").split("; ") if note not in OF_ALL_CHANNELS
        ]
        rows.append((row["channel"], name, share * own, row["verdict"], "; ".join(notes)))
    if rows:
        verdict = MEND if worst >= REFERENCE_FROM else "good"
        rows.append((REFERENCE, REFERENCE, worst, verdict, ""))
    return rows


def _own_and_reference(
    segments: list[dict[str, str]], names: Sequence[str]
) -> dict[str, tuple[float, float]]:
    """Tell by channel which part of its lost contact is its own, and which the reference's."""
    segments = [row for row in segments if row.get("label") == CONTACT_LOSS]
    lost = _spans(segments, names)
    reference = _spans([row for row in segments if row.get("kind") == REFERENCE_LOST], names)
    away = away_spans(lost, reference)
    parts = {}
    for name in names:
        total_s = union_s(*lost[name])
        own_s, reference_s = besides_s(lost[name], away[name]), union_s(*reference[name])
        parts[name] = (own_s / total_s, reference_s / total_s) if total_s else (1.0, 0.0)
    return parts


def table(folder: Path, pattern: str) -> list[dict[str, str]]:
    """Read the one table of a result with this ending; empty where there is none."""
    found = sorted(folder.glob(pattern))
    if not found:
        return []
    with found[0].open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _spans(segments: list[dict[str, str]], names: Sequence[str]) -> dict[str, Spans]:
    """Collect the spans of segments by channel."""
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in names}
    for row in segments:
        onset_s, length_s = _number(row.get("onset_s")), _number(row.get("duration_s"))
        if row.get("channel") in times and math.isfinite(onset_s + length_s):
            times[row["channel"]].append((onset_s, onset_s + length_s))
    return {
        name: (np.array([a for a, _ in pairs]), np.array([b for _, b in pairs]))
        for name, pairs in times.items()
    }


def _number(text: str | None) -> float:
    """Read a number; NaN where there is none."""
    try:
        return float(text or "nan")
    except ValueError:
        return float("nan")
