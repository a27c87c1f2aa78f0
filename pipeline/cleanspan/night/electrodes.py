"""What one result says about the contact of each electrode, and of the reference."""

import csv
import math
from collections.abc import Mapping
from pathlib import Path

from cleanspan.labelling.channels import MEND, NOT_SCREENED, REFERENCE_FROM
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
        Screened channels, with the time without contact that is their own, then the reference;
        empty where the result has no such tables.
    """
    lost = _lost_seconds(table(folder, "*_segments.csv"))
    rows: list[Row] = []
    reference = 0.0
    for row in table(folder, "*_channels.csv"):
        share = _number(row.get("contact_loss_share"))
        if row.get("verdict") == NOT_SCREENED or math.isnan(share):
            continue
        channel = row["channel"]
        own_s, reference_s = lost.get(channel, (0.0, 0.0))
        of_reference = share * reference_s / (own_s + reference_s) if reference_s else 0.0
        reference = max(reference, of_reference)
        name = guess_role(channel).electrode or channel
        notes = [
            note for note in (row.get("note") or "").split("; ") if note not in OF_ALL_CHANNELS
        ]
        rows.append((channel, name, share - of_reference, row["verdict"], "; ".join(notes)))
    if rows:
        verdict = MEND if reference >= REFERENCE_FROM else "good"
        rows.append((REFERENCE, REFERENCE, reference, verdict, ""))
    return rows


def table(folder: Path, pattern: str) -> list[dict[str, str]]:
    """Read the one table of a result with this ending; empty where there is none."""
    found = sorted(folder.glob(pattern))
    if not found:
        return []
    with found[0].open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _lost_seconds(segments: list[dict[str, str]]) -> Mapping[str, tuple[float, float]]:
    """Sum contact loss by channel: its own, and the reference's, s."""
    lost: dict[str, tuple[float, float]] = {}
    for row in segments:
        if row.get("label") != CONTACT_LOSS:
            continue
        own_s, reference_s = lost.get(row["channel"], (0.0, 0.0))
        length_s = _number(row.get("duration_s"))
        if row.get("kind") == REFERENCE_LOST:
            reference_s += length_s
        else:
            own_s += length_s
        lost[row["channel"]] = own_s, reference_s
    return lost


def _number(text: str | None) -> float:
    """Read a number; NaN where there is none."""
    try:
        return float(text or "nan")
    except ValueError:
        return float("nan")
