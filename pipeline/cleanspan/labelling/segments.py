"""Segments of all channels: runs of windows, single events, and the lost reference."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from cleanspan.config import SegmentRule
from cleanspan.features.extraction import EventTimes, FeatureStore
from cleanspan.features.windows import CELL_S, WINDOW_S
from cleanspan.labelling.contact import FLAT, FLOATING, POPPING, contact_kind
from cleanspan.labelling.edges import (
    LONGEST_REACHED_S,
    reached_only,
    refined,
    trim_to_still,
    whole,
)
from cleanspan.labelling.prediction import Predictions
from cleanspan.labelling.reference import mostly_lost, reference_spans, within
from cleanspan.labelling.runs import RunKey, Runs, by_piece, cell_probabilities, find_runs
from cleanspan.types import CONTACT_LOSS, MUSCLE, REFERENCE_LOST, SEGMENT_COLUMNS

if TYPE_CHECKING:
    import pandas as pd

NO_CONTACT = 0.5
"""From this probability of contact loss on, a channel neither shows an event nor has a say."""

LONG_S = 20.0
"""An electrode that is off for so long is off. What shakes one off for a moment may be a muscle,
and readers mark both then: on the read recordings, 20 s lost none of their marks and 10 s some."""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Some segments of one label and kind while the table is being made.

    Attributes
    ----------
    label, kind : str
    row : ndarray of shape (n_segments,), int16
        Channels.
    onset_s, end_s, confidence : ndarray of shape (n_segments,)
    """

    label: str
    kind: str
    row: npt.NDArray[np.int16]
    onset_s: npt.NDArray[np.float64]
    end_s: npt.NDArray[np.float64]
    confidence: npt.NDArray[np.float32]


def segment_table(
    store: FeatureStore, predictions: Predictions, rules: Mapping[str, SegmentRule]
) -> "pd.DataFrame":
    """Make the table of segments of one feature store.

    Parameters
    ----------
    store : FeatureStore
    predictions : Predictions
    rules : mapping of str to SegmentRule
        By label; a label without one gets the default rule.

    Returns
    -------
    pandas.DataFrame
        Columns `SEGMENT_COLUMNS`, sorted by onset; channel, label and kind categorical.
    """
    runs = _all_runs(store, predictions, rules)
    edged = {
        (row, label, piece): refined(spans, store, row=row, piece=piece, label=label)
        for (row, label, piece), spans in runs.items()
    }
    returned = {
        (row, label, piece): whole(spans, store, row=row, piece=piece)
        for (row, label, piece), spans in edged.items()
        if label == CONTACT_LOSS
    }
    lost = reference_spans(store, predictions, runs, edged, returned, rules)
    found = list(event_segments(store, predictions, rules, lost, returned))
    for key, spans in edged.items():
        found.extend(_window_segments(store, key, spans, returned.get(key, spans), lost))
    found.extend(_lost_segments(store, lost))
    return _table(found, store, predictions.labels)


def _table(found: list[Found], store: FeatureStore, labels: tuple[str, ...]) -> "pd.DataFrame":
    """Put the segments into columns, sorted by onset."""
    import pandas as pd

    kinds = sorted({part.kind for part in found} | {""})
    sizes = [part.row.size for part in found]
    row = np.concatenate([np.empty(0, dtype=np.int16), *(part.row for part in found)])
    onset_s = np.concatenate([np.empty(0), *(part.onset_s for part in found)])
    order = np.lexsort((row, onset_s))
    onset_s = onset_s[order]
    end_s = np.concatenate([np.empty(0), *(part.end_s for part in found)])[order]
    confidence = np.concatenate([np.empty(0), *(part.confidence for part in found)])[order]
    label = np.array([labels.index(part.label) for part in found], dtype=np.int16)
    kind = np.array([kinds.index(part.kind) for part in found], dtype=np.int16)
    names = [channel.label for channel in store.channels]
    return pd.DataFrame(
        {
            "channel": pd.Categorical.from_codes(row[order], pd.Index(names)),
            "label": pd.Categorical.from_codes(np.repeat(label, sizes)[order], pd.Index(labels)),
            "kind": pd.Categorical.from_codes(np.repeat(kind, sizes)[order], pd.Index(kinds)),
            "onset_s": onset_s,
            "duration_s": end_s - onset_s,
            "confidence": confidence.astype(np.float32),
        },
        columns=list(SEGMENT_COLUMNS),
    )


def event_segments(
    store: FeatureStore,
    predictions: Predictions,
    rules: Mapping[str, SegmentRule],
    lost: Mapping[int, Runs],
    returned: Mapping[RunKey, Runs],
) -> Iterator[Found]:
    """Events that stand, one row for each channel that shows them, all with one onset.

    An event stands where the lead channels that have contact reach the rule's `keep_above` on
    average; another channel shows it from `begin_at` on. While the reference is lost there are
    none. `returned` are the runs with their edges moved and the way back.
    """
    times = store.times
    sure = ~within(times.peak_s, store, lost)
    window = windows_of(store)
    for column in range(predictions.n_event_labels):
        label = predictions.labels[column]
        rule = rules.get(label, SegmentRule())
        confidence = event_confidence(store, predictions, column, returned)
        standing = np.flatnonzero(sure & (confidence >= rule.keep_above))
        onset_s, end_s = _one_after_another(times, standing)
        for row in range(len(store.channels)):
            probability = predictions.events(row)[standing, column]
            shown = with_contact(store, predictions, row, returned, window, event=standing)
            if row not in store.leads:
                shown &= probability >= rule.begin_at
            rows = np.full(int(shown.sum()), row, dtype=np.int16)
            yield Found(label, "", rows, onset_s[shown], end_s[shown], probability[shown])


def _one_after_another(
    times: EventTimes, event: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Onset and end of some events, of which none begins before the one before it is over.

    Of a double blink the first may end, and the second begin, on the way down between the two:
    each is found by itself. Where the first would last beyond the second's peak it ends there.
    """
    onset_s, end_s, peak_s = times.onset_s[event], times.end_s[event].copy(), times.peak_s[event]
    onset_s[1:] = np.maximum(onset_s[1:], np.minimum(end_s[:-1], peak_s[1:]))
    end_s[:-1] = np.minimum(end_s[:-1], onset_s[1:])
    return onset_s, end_s


def windows_of(store: FeatureStore) -> npt.NDArray[np.int64]:
    """Find the window around each event, ndarray of shape (n_events,); -1 where there is none."""
    window = np.searchsorted(store.onset_s, store.times.peak_s - WINDOW_S / 2)
    return np.minimum(window, store.onset_s.size - 1)


def with_contact(
    store: FeatureStore,
    predictions: Predictions,
    row: int,
    returned: Mapping[RunKey, Runs],
    window: npt.NDArray[np.int64],
    *,
    event: npt.NDArray[np.int64] | slice = slice(None),
) -> npt.NDArray[np.bool_]:
    """Tell whether a channel has contact during each of some events.

    The window around an event says so. Where it reaches into lost contact that has begun or ended
    beside the event, the edges do. `window` is what `windows_of` gives.
    """
    times = store.times
    window = window[event]
    if CONTACT_LOSS not in predictions.labels or not predictions.onset_s.size:
        return np.ones(window.size, dtype=bool)
    column = predictions.labels.index(CONTACT_LOSS)
    contact = predictions.channel(row)[window, column] < NO_CONTACT
    begin_s = store.onset_s[window]
    beside = _touched(store, row, returned, begin_s, begin_s + WINDOW_S)
    beside &= ~_touched(store, row, returned, times.onset_s[event], times.end_s[event])
    found: npt.NDArray[np.bool_] = contact | beside
    return found


def _touched(
    store: FeatureStore,
    row: int,
    returned: Mapping[RunKey, Runs],
    onset_s: npt.NDArray[np.float64],
    end_s: npt.NDArray[np.float64],
) -> npt.NDArray[np.bool_]:
    """Tell which spans some lost contact of a channel touches."""
    touched = np.zeros(onset_s.size, dtype=bool)
    for piece, part in enumerate(store.pieces):
        runs = returned.get((row, CONTACT_LOSS, piece))
        if runs is not None:
            first = np.searchsorted(part.onset_s + runs.end_s, onset_s, side="right")
            touched |= first < np.searchsorted(part.onset_s + runs.onset_s, end_s)
    return touched


def event_confidence(
    store: FeatureStore,
    predictions: Predictions,
    column: int,
    returned: Mapping[RunKey, Runs],
) -> npt.NDArray[np.float64]:
    """Mean probability of each event over the leads with contact, ndarray of shape (n_events,).

    Parameters
    ----------
    store : FeatureStore
    predictions : Predictions
    column : int
        Which label of events.
    returned : mapping of RunKey to Runs
        Runs of lost contact, their edges moved, with the way back; empty where they are not known.
    """
    window = windows_of(store)
    total = np.zeros(window.size, dtype=np.float32)
    count = np.zeros(total.size, dtype=np.int64)
    for row in store.leads:
        usable = with_contact(store, predictions, row, returned, window)
        total += np.where(usable, predictions.events(row)[:, column], 0)
        count += usable
    return total / np.maximum(count, 1)


def _all_runs(
    store: FeatureStore, predictions: Predictions, rules: Mapping[str, SegmentRule]
) -> dict[RunKey, Runs]:
    """Find the runs of every window label, by channel row, label and piece.

    No muscle where an electrode is off for long: what looks like it is the open input's noise.
    """
    labels = predictions.labels[predictions.n_event_labels :]
    contact_first = sorted(labels, key=lambda label: label != CONTACT_LOSS)
    runs: dict[RunKey, Runs] = {}
    for row in range(len(store.channels)):
        values = predictions.channel(row)
        for label in contact_first:
            rule = rules.get(label, SegmentRule())
            column = predictions.labels.index(label)
            for piece, part in by_piece(store, values[:, column]):
                cells = cell_probabilities(part, store.hop_s)
                if label == MUSCLE:
                    for part_off in _long_off(runs.get((row, CONTACT_LOSS, piece)), store.hop_s):
                        cells[part_off] = 0
                spans = find_runs(cells, rule, store.hop_s)
                if spans.onset_s.size:
                    runs[row, label, piece] = spans
    return runs


def _long_off(lost: Runs | None, hop_s: float) -> Iterator[slice]:
    """Give the cells of each time that contact is lost for `LONG_S` or more."""
    if lost is None:
        return
    for onset_s, end_s in zip(lost.onset_s, lost.end_s, strict=True):
        if end_s - onset_s >= LONG_S:
            yield slice(round(onset_s / hop_s), round(end_s / hop_s))


def _window_segments(
    store: FeatureStore, key: RunKey, spans: Runs, returned: Runs, lost: Mapping[int, Runs]
) -> Iterator[Found]:
    """Segments of one label on one channel in one piece, the lost reference's left out."""
    row, label, piece = key
    by_kind: dict[str, list[tuple[float, float, float]]] = {}
    for place, span_s in enumerate(zip(returned.onset_s, returned.end_s, strict=True)):
        if mostly_lost(*span_s, lost.get(piece)):
            continue
        kind = ""
        if label == CONTACT_LOSS:
            core_s = (float(spans.onset_s[place]), float(spans.end_s[place]))
            kind, span_s = _kind_and_span(store, row, piece, core_s, span_s)
        by_kind.setdefault(kind, []).append((*span_s, float(spans.confidence[place])))
    start_s = store.pieces[piece].onset_s
    for kind, segments in by_kind.items():
        onsets_s, ends_s, sure = np.array(_touching_joined(segments)).T
        rows = np.full(onsets_s.size, row, dtype=np.int16)
        yield Found(
            label, kind, rows, start_s + onsets_s, start_s + ends_s, sure.astype(np.float32)
        )


def _kind_and_span(
    store: FeatureStore,
    row: int,
    piece: int,
    core_s: tuple[float, float],
    whole_s: tuple[float, float],
) -> tuple[str, tuple[float, float]]:
    """Kind of one loss of contact, told from what it is without the way back, and its span.

    A flat one is trimmed to where it stands still, but for a way back that follows or precedes.
    """
    kind = contact_kind(store, row, piece, *core_s)
    brief = core_s[1] - core_s[0] <= LONGEST_REACHED_S
    if kind == FLAT or (brief and kind in (POPPING, FLOATING)):
        place = {"first_cell": store.first_cell[piece], "n_cells": store.n_cells[piece]}
        still_s = trim_to_still(store.cells, core_s, channel=row, **place)
        if kind == FLAT or reached_only(still_s, core_s):
            onset_s = whole_s[0] if whole_s[0] < core_s[0] else still_s[0]
            end_s = whole_s[1] if whole_s[1] > core_s[1] else still_s[1]
            return FLAT, (onset_s, end_s)
    return kind, whole_s


def _touching_joined(
    segments: Sequence[tuple[float, float, float]],
) -> list[tuple[float, float, float]]:
    """Join segments where one ends as the next begins, ways back included.

    The confidence is the mean over their time.
    """
    joined: list[tuple[float, float, float]] = []
    for onset_s, end_s, confidence in segments:
        if joined and onset_s - joined[-1][1] < CELL_S / 2:
            first_s, last_s, before = joined.pop()
            total = before * (last_s - first_s) + confidence * (end_s - onset_s)
            confidence = total / (end_s - first_s)
            onset_s = first_s
        joined.append((onset_s, end_s, confidence))
    return joined


def _lost_segments(store: FeatureStore, lost: Mapping[int, Runs]) -> Iterator[Found]:
    """Give the lost reference a row on every channel."""
    rows = np.arange(len(store.channels), dtype=np.int16)
    for piece, spans in lost.items():
        start_s = store.pieces[piece].onset_s
        for onset_s, end_s, confidence in zip(
            spans.onset_s, spans.end_s, spans.confidence, strict=True
        ):
            yield Found(
                CONTACT_LOSS,
                REFERENCE_LOST,
                rows,
                np.full(rows.size, start_s + onset_s),
                np.full(rows.size, start_s + end_s),
                np.full(rows.size, confidence, dtype=np.float32),
            )
