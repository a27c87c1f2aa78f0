"""Segments and exclusions as EDF+ annotation texts.

Two kinds of text. ``label@@channel`` marks one channel (the ``@@`` convention for annotations of
one signal). ``BAD_label`` marks an excluded span of the whole recording: libraries that honour
the prefix ``BAD`` drop epochs that overlap it, and only it.
"""

from typing import TYPE_CHECKING

import numpy as np

from cleanspan.export import intervals
from cleanspan.export.cells import column_name
from cleanspan.export.counted import REFERENCE_LOST, SEPARATOR
from cleanspan.export.exclusions import Applied, Marked
from cleanspan.types import CONTACT_LOSS, Note

if TYPE_CHECKING:
    import pandas as pd

DROPS = "BAD_"
"""Analysis libraries take annotations that begin so, in any case, as spans to drop."""


def marks_for(result: Marked, applied: Applied | None) -> list[Note]:
    """Give the annotations of a result.

    Parameters
    ----------
    result : Marked
        A screened recording or a stored result.
    applied : Applied or None
        The plan's exclusions; None for segments alone.

    Returns
    -------
    list of Note
        In order of onset. One a channel-level segment, spelt ``label@@channel``; one plain
        ``contact loss`` for each time the reference was lost, not one a channel; one ``BAD_…``
        for each excluded span, named after its main reason.
    """
    segments = result.segments
    lost = (segments["kind"] == REFERENCE_LOST).to_numpy(dtype=bool)
    notes = _channel_marks(segments[~lost])
    notes += _reference_marks(segments[lost])
    if applied is not None:
        notes += _exclusion_marks(applied.excluded)
    notes.sort(key=lambda note: (note.onset_s, note.duration_s))
    return notes


def mark_text(label: str, channel: str) -> str:
    """Spell a mark of one channel.

    A lab's label that begins with ``bad`` would make libraries drop the whole span; an ``is`` in
    front prevents it.
    """
    harmless = f"is {label}" if label.casefold().startswith("bad") else label
    return f"{harmless}@@{channel}"


def exclusion_text(reason: str) -> str:
    """Spell a mark of an excluded span: its main reason, spaces as underscores."""
    return DROPS + column_name(reason.partition(SEPARATOR)[0])


def _channel_marks(segments: "pd.DataFrame") -> list[Note]:
    """Spell one mark a segment; equal texts are one object, so that many marks stay small."""
    channel, label = (segments[name].astype("category").cat for name in ("channel", "label"))
    texts = [
        [mark_text(str(name), str(where)) for where in channel.categories]
        for name in label.categories
    ]
    times = (
        np.round(segments[name].to_numpy(dtype=float), 6).tolist()
        for name in ("onset_s", "duration_s")
    )
    return [
        Note(onset_s, duration_s, texts[row][column])
        for onset_s, duration_s, row, column in zip(
            *times, label.codes, channel.codes, strict=True
        )
    ]


def _reference_marks(lost: "pd.DataFrame") -> list[Note]:
    """Spell one mark each time the reference was lost: its channels' rows are one event."""
    begins = intervals.to_ticks(lost["onset_s"].to_numpy(dtype=float))
    ends = intervals.to_ticks((lost["onset_s"] + lost["duration_s"]).to_numpy(dtype=float))
    spans = np.stack(intervals.union(begins, ends), axis=1) / intervals.TICKS_PER_S
    return [Note(begin, round(end - begin, 6), CONTACT_LOSS) for begin, end in spans.tolist()]


def _exclusion_marks(excluded: "pd.DataFrame") -> list[Note]:
    """Spell one mark an excluded span."""
    texts = {reason: exclusion_text(reason) for reason in set(excluded["reason"])}
    rows = excluded[["onset_s", "duration_s", "reason"]].itertuples(index=False, name=None)
    return [Note(onset_s, duration_s, texts[reason]) for onset_s, duration_s, reason in rows]
