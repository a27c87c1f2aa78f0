"""Segments and exclusions as EDF+ annotation texts.

Two kinds of text. ``label@@channel`` marks one channel (the ``@@`` convention for annotations of
one signal). ``BAD_label`` marks an excluded span of the whole recording: libraries that honour
the prefix ``BAD`` drop epochs that overlap it, and only it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from cleanspan.export import intervals
from cleanspan.export.cells import column_name
from cleanspan.export.counted import REFERENCE_LOST, SEPARATOR
from cleanspan.export.exclusions import Applied, Marked
from cleanspan.types import CONTACT_LOSS, Note

if TYPE_CHECKING:
    import pandas as pd

DROPS = "BAD_"
"""Analysis libraries take annotations that begin so, in any case, as spans to drop."""


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """Many annotations in columns; one `Note` at a time is made of them, as often as wanted.

    Attributes
    ----------
    onset_s, duration_s : ndarray of shape (n_marks,)
    text : ndarray of shape (n_marks,)
        Places in `texts`.
    texts : tuple of str
    """

    onset_s: npt.NDArray[np.float64]
    duration_s: npt.NDArray[np.float64]
    text: npt.NDArray[np.int32]
    texts: tuple[str, ...]

    def __len__(self) -> int:
        """Count them."""
        return len(self.onset_s)

    def __iter__(self) -> Iterator[Note]:
        """Give one after the other."""
        columns = self.onset_s.data, self.duration_s.data, self.text.data
        for onset_s, duration_s, text in zip(*columns, strict=True):
            yield Note(onset_s, duration_s, self.texts[text])


def marks_for(result: Marked, applied: Applied | None) -> Marks:
    """Give the annotations of a result.

    Parameters
    ----------
    result : Marked
        A screened recording or a stored result.
    applied : Applied or None
        The plan's exclusions; None for segments alone.

    Returns
    -------
    Marks
        In order of onset. One a channel-level segment, spelt ``label@@channel``; one plain
        ``contact loss`` for each time the reference was lost, not one a channel; one ``BAD_…``
        for each excluded span, named after its main reason.
    """
    segments = result.segments
    lost = (segments["kind"] == REFERENCE_LOST).to_numpy(dtype=bool)
    parts = [_channel_marks(segments[~lost]), _reference_marks(segments[lost])]
    if applied is not None:
        parts.append(_exclusion_marks(applied.excluded))
    return _sorted(parts)


def _sorted(parts: list[Marks]) -> Marks:
    """Put marks together in order of onset, then of duration, then as they come."""
    before = np.cumsum([0, *(len(part.texts) for part in parts)])
    onset_s = np.concatenate([part.onset_s for part in parts])
    duration_s = np.concatenate([part.duration_s for part in parts])
    text = np.concatenate(
        [part.text + np.int32(first) for part, first in zip(parts, before, strict=False)]
    )
    order = np.lexsort((duration_s, onset_s))
    texts = tuple(text for part in parts for text in part.texts)
    return Marks(onset_s[order], duration_s[order], text[order], texts)


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


def _channel_marks(segments: "pd.DataFrame") -> Marks:
    """Spell one mark a segment."""
    channel, label = (segments[name].astype("category").cat for name in ("channel", "label"))
    texts = [
        mark_text(str(name), str(where))
        for name in label.categories
        for where in channel.categories
    ]
    text = label.codes.to_numpy(dtype=np.int32) * np.int32(len(channel.categories))
    text += channel.codes.to_numpy()
    onset_s, duration_s = (
        np.round(segments[name].to_numpy(dtype=float), 6) for name in ("onset_s", "duration_s")
    )
    return Marks(onset_s, duration_s, text, tuple(texts))


def _reference_marks(lost: "pd.DataFrame") -> Marks:
    """Spell one mark each time the reference was lost: its channels' rows are one event."""
    begins = intervals.to_ticks(lost["onset_s"].to_numpy(dtype=float))
    ends = intervals.to_ticks((lost["onset_s"] + lost["duration_s"]).to_numpy(dtype=float))
    begins, ends = intervals.union(begins, ends)
    onset_s, duration_s = (ticks / intervals.TICKS_PER_S for ticks in (begins, ends - begins))
    return Marks(onset_s, duration_s, np.zeros(len(begins), dtype=np.int32), (CONTACT_LOSS,))


def _exclusion_marks(excluded: "pd.DataFrame") -> Marks:
    """Spell one mark an excluded span."""
    text, reasons = excluded["reason"].factorize()
    return Marks(
        excluded["onset_s"].to_numpy(dtype=float),
        excluded["duration_s"].to_numpy(dtype=float),
        text.astype(np.int32),
        tuple(exclusion_text(reason) for reason in reasons),
    )
