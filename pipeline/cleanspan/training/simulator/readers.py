"""Ground truth as a reader would write it down: hand-label rows with small human differences."""

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import NamedTuple

import numpy as np

from cleanspan.training.simulator.truth import OTHER, UNSURE, Span
from cleanspan.types import ALL_CHANNELS, BLINK, CONTACT_LOSS, LINE_NOISE, MUSCLE


class Row(NamedTuple):
    """One hand-label row, columns as in the hand-label files."""

    recording: str
    label: str
    onset_s: float
    duration_s: float
    channels: str
    reader: str
    note: str


def as_read(
    spans: Sequence[Span],
    *,
    recording: str,
    reader: str,
    electrodes: Sequence[str],
    rng: np.random.Generator,
    jitter_s: float = 0.02,
    spelling: Mapping[str, str] | None = None,
    reviewed: tuple[float, float],
) -> list[Row]:
    """Render ground truth as one reader's rows.

    Parameters
    ----------
    spans : sequence of Span
    electrodes : sequence of str
        All channels, for ``all``.
    jitter_s : float
        How precisely the reader sets edges (standard deviation); edges are given to 0.05 s.
    spelling : mapping of str to str
        How the recording spells an electrode (``T7`` → ``T3``).
    reviewed : tuple of (onset_s, duration_s)
        What the reader looked at; only spans that begin inside it are written.

    Returns
    -------
    list of Row
        The ``reviewed`` row first, then sorted by onset.
    """
    spelling = spelling or {}
    first_s, stop_s = reviewed[0], reviewed[0] + reviewed[1]
    rows = [Row(recording, "reviewed", *reviewed, ALL_CHANNELS, reader, "")]
    drawn = []
    for span in _grouped(_joined(_without_reference(spans))):
        shift_s, stretch_s = rng.normal(0, jitter_s, 2)
        onset_s = max(first_s, _to_grid(span.onset_s + shift_s))
        end_s = min(stop_s, _to_grid(span.onset_s + span.duration_s + shift_s + stretch_s))
        if first_s <= span.onset_s < stop_s and end_s - onset_s >= 0.1:
            who = [spelling.get(name, name) for name in electrodes if name in span.channels]
            names = ALL_CHANNELS if len(who) == len(electrodes) else " ".join(who)
            length_s = round(end_s - onset_s, 2)
            drawn.append(Row(recording, span.label, onset_s, length_s, names, reader, _note(span)))
    return rows + sorted(drawn, key=lambda row: (row.onset_s, row.label, row.channels))


def _without_reference(spans: Sequence[Span]) -> list[Span]:
    """Cut line noise out of the time in which the reference is lost: that is said once."""
    lost = [
        (span.onset_s, span.onset_s + span.duration_s)
        for span in spans
        if span.label == CONTACT_LOSS and span.kind == "reference lost"
    ]
    kept = []
    for span in spans:
        if LINE_NOISE not in (span.label, span.kind):
            kept.append(span)
            continue
        parts = [(span.onset_s, span.onset_s + span.duration_s)]
        for begin_s, end_s in lost:
            parts = [
                piece
                for low_s, high_s in parts
                for piece in ((low_s, min(high_s, begin_s)), (max(low_s, end_s), high_s))
                if piece[1] > piece[0]
            ]
        kept += [
            Span(span.label, span.kind, low_s, high_s - low_s, span.channels)
            for low_s, high_s in parts
        ]
    return kept


def _to_grid(time_s: float) -> float:
    return round(round(time_s / 0.05) * 0.05, 2)


def _note(span: Span) -> str:
    if span.label == UNSURE:
        return f"{span.kind}?"
    return span.kind


def _joined(spans: Sequence[Span]) -> list[Span]:
    """Join what a reader would not keep apart: pieces of one trace closer than 3 s.

    Doubtful pieces between clear ones of the same label on the same channel vanish in them;
    doubtful pieces shorter than two seconds are not written down.
    """
    lasting = (MUSCLE, LINE_NOISE)
    joined = [span for span in spans if span.label not in lasting and span.kind not in lasting]
    single = [
        Span(s.label, s.kind, s.onset_s, s.duration_s, (name,))
        for s in spans
        if s.label in lasting or s.kind in lasting
        for name in s.channels
    ]
    single.sort(key=lambda s: (s.kind or s.label, s.channels, s.onset_s))
    for (label, channels), group in groupby(single, key=lambda s: (s.kind or s.label, s.channels)):
        pieces = list(group)
        clear = _merge([s for s in pieces if s.label != UNSURE], gap_s=3.0)
        joined += [Span(label, "", onset, end - onset, channels) for onset, end in clear]
        doubtful = _merge([s for s in pieces if s.label == UNSURE], gap_s=3.0)
        joined += [
            Span(UNSURE, label, onset, end - onset, channels)
            for span in doubtful
            for onset, end in _outside(span, clear)
            if end - onset >= 2.0
        ]
    return joined


def _merge(spans: Sequence[Span], *, gap_s: float) -> list[tuple[float, float]]:
    """(onset_s, end_s) of spans, those closer than a gap joined."""
    merged: list[tuple[float, float]] = []
    for span in sorted(spans, key=lambda s: s.onset_s):
        end_s = span.onset_s + span.duration_s
        if merged and span.onset_s - merged[-1][1] <= gap_s:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end_s))
        else:
            merged.append((span.onset_s, end_s))
    return merged


def _outside(
    span: tuple[float, float], taken: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Parts of a span that no taken span covers."""
    rest = []
    now_s = span[0]
    for onset_s, end_s in taken:
        if end_s <= now_s or onset_s >= span[1]:
            continue
        if onset_s > now_s:
            rest.append((now_s, onset_s))
        now_s = max(now_s, end_s)
    if now_s < span[1]:
        rest.append((now_s, span[1]))
    return rest


def _grouped(spans: Sequence[Span]) -> list[Span]:
    """Put channels of one event (same label, same edges within 0.15 s) into one span."""
    groups: list[Span] = []
    for span in sorted(spans, key=lambda s: (s.label, s.kind, s.onset_s)):
        last = groups[-1] if groups else None
        together = (
            last is not None
            and (last.label, last.kind) == (span.label, span.kind)
            and abs(last.onset_s - span.onset_s) < 0.15
            and abs(last.duration_s - span.duration_s) < 0.15
            and not (span.label == BLINK and set(last.channels) & set(span.channels))
        )
        if together and last is not None:
            who = tuple(dict.fromkeys(last.channels + span.channels))
            groups[-1] = Span(last.label, last.kind, last.onset_s, last.duration_s, who)
        else:
            groups.append(span)
    return groups


__all__ = ["OTHER", "Row", "as_read"]
