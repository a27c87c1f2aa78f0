"""Segments of all channels: runs of windows, single events, and the lost reference."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from cleanspan.config import SegmentRule
from cleanspan.features.extraction import FeatureStore
from cleanspan.labelling.contact import contact_kind
from cleanspan.labelling.edges import refine
from cleanspan.labelling.prediction import Predictions
from cleanspan.labelling.runs import Runs, cell_probabilities, find_runs
from cleanspan.types import CONTACT_LOSS, SEGMENT_COLUMNS

if TYPE_CHECKING:
    import pandas as pd

REFERENCE_LOST = "reference lost"
REFERENCE_SHARE = 0.75
"""From this share of the channels on, contact lost at once is the reference's."""
FEWEST_CHANNELS = 4
"""With fewer channels a lost reference cannot be told from lost electrodes."""


@dataclass(frozen=True, slots=True)
class Found:
    """One segment while the table is being made."""

    row: int
    label: str
    kind: str
    onset_s: float
    end_s: float
    confidence: float


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
    found = list(event_segments(store, predictions, rules))
    runs = _all_runs(store, predictions, rules)
    lost = _reference_spans(store, predictions, rules)
    for (row, label, piece), spans in runs.items():
        found.extend(_window_segments(store, row, label, piece, spans, lost))
    found.extend(_lost_segments(store, lost))
    return _table(found, store, predictions.labels)


def _table(found: list[Found], store: FeatureStore, labels: tuple[str, ...]) -> "pd.DataFrame":
    """Put the segments into columns."""
    import pandas as pd

    names = [channel.label for channel in store.channels]
    order = sorted(range(len(found)), key=lambda i: (found[i].onset_s, found[i].row))
    rows = [found[place] for place in order]
    kinds = sorted({row.kind for row in rows} | {""})
    return pd.DataFrame(
        {
            "channel": pd.Categorical.from_codes([row.row for row in rows], pd.Index(names)),
            "label": pd.Categorical([row.label for row in rows], list(labels)),
            "kind": pd.Categorical([row.kind for row in rows], kinds),
            "onset_s": np.array([row.onset_s for row in rows], dtype=np.float64),
            "duration_s": np.array([row.end_s - row.onset_s for row in rows], dtype=np.float64),
            "confidence": np.array([row.confidence for row in rows], dtype=np.float32),
        },
        columns=list(SEGMENT_COLUMNS),
    )


def event_segments(
    store: FeatureStore, predictions: Predictions, rules: Mapping[str, SegmentRule]
) -> Iterator[Found]:
    """Events that stand, one row for each channel that shows them, all with one onset.

    An event stands where its lead channels reach the rule's `keep_above` on average; another
    channel shows it from `begin_at` on.
    """
    for column in range(predictions.events.shape[2]):
        label = predictions.labels[column]
        rule = rules.get(label, SegmentRule())
        probability = predictions.events[:, :, column]
        lead = event_confidence(probability, store)
        for event in np.flatnonzero(lead >= rule.keep_above):
            shown = probability[event] >= rule.begin_at
            shown[list(store.leads)] = True
            for row in np.flatnonzero(shown):
                yield Found(
                    int(row),
                    label,
                    "",
                    float(store.times.onset_s[event]),
                    float(store.times.end_s[event]),
                    float(probability[event, row]),
                )


def event_confidence(
    probability: npt.NDArray[np.float32], store: FeatureStore
) -> npt.NDArray[np.float32]:
    """Mean probability of each event over the lead channels, ndarray of shape (n_events,)."""
    if not store.leads:
        return np.zeros(len(probability), dtype=np.float32)
    lead: npt.NDArray[np.float32] = probability[:, list(store.leads)].mean(axis=1)
    return lead


def _all_runs(
    store: FeatureStore, predictions: Predictions, rules: Mapping[str, SegmentRule]
) -> dict[tuple[int, str, int], Runs]:
    """Find the runs of every window label, by channel row, label and piece."""
    n_event_labels = predictions.events.shape[2]
    runs = {}
    for row in range(len(store.channels)):
        values = predictions.channel(row)
        for column in range(n_event_labels, len(predictions.labels)):
            label = predictions.labels[column]
            rule = rules.get(label, SegmentRule())
            for piece, part in _by_piece(store, values[:, column]):
                cells = cell_probabilities(part, store.hop_s)
                spans = find_runs(cells, rule, store.hop_s)
                if spans.onset_s.size:
                    runs[row, label, piece] = spans
    return runs


def _by_piece(
    store: FeatureStore, values: npt.NDArray[np.float32]
) -> Iterator[tuple[int, npt.NDArray[np.float32]]]:
    """Parts of a channel's windows, piece by piece."""
    for piece in range(len(store.pieces)):
        part = values[store.first[piece] : store.first[piece + 1]]
        if len(part):
            yield piece, part


def _reference_spans(
    store: FeatureStore, predictions: Predictions, rules: Mapping[str, SegmentRule]
) -> dict[int, Runs]:
    """Spans in which nearly all channels lost contact at once, by piece."""
    n_channels = len(store.channels)
    if n_channels < FEWEST_CHANNELS or CONTACT_LOSS not in predictions.labels:
        return {}
    column = predictions.labels.index(CONTACT_LOSS)
    rule = rules.get(CONTACT_LOSS, SegmentRule())
    share = np.zeros(store.onset_s.size, dtype=np.float32)
    for row in range(n_channels):
        share += predictions.channel(row)[:, column] >= rule.begin_at
    share /= n_channels
    threshold = SegmentRule(REFERENCE_SHARE, REFERENCE_SHARE * 0.8, 0.5, rule.join_s)
    lost = {}
    for piece, part in _by_piece(store, share):
        spans = find_runs(cell_probabilities(part, store.hop_s), threshold, store.hop_s)
        if spans.onset_s.size:
            lost[piece] = _refine(spans, store, row=0, piece=piece)
    return lost


def _refine(spans: Runs, store: FeatureStore, *, row: int, piece: int) -> Runs:
    """Refine edges, and let a run that reaches the last window reach the piece's end."""
    length_s = store.pieces[piece].duration_s
    refined = refine(
        spans,
        store.cells,
        channel=row,
        first_cell=store.first_cell[piece],
        n_cells=store.n_cells[piece],
    )
    end_s = np.where(length_s - refined.end_s < store.hop_s, length_s, refined.end_s)
    return Runs(refined.onset_s, end_s, refined.confidence)


def _window_segments(
    store: FeatureStore,
    row: int,
    label: str,
    piece: int,
    spans: Runs,
    lost: Mapping[int, Runs],
) -> Iterator[Found]:
    """Segments of one label on one channel in one piece."""
    refined = _refine(spans, store, row=row, piece=piece)
    start_s = store.pieces[piece].onset_s
    for onset_s, end_s, confidence in zip(
        refined.onset_s, refined.end_s, refined.confidence, strict=True
    ):
        kind = ""
        if label == CONTACT_LOSS:
            if _mostly_lost(onset_s, end_s, lost.get(piece)):
                continue
            kind = contact_kind(store, row, piece, onset_s, end_s)
        yield Found(
            row, label, kind, float(start_s + onset_s), float(start_s + end_s), float(confidence)
        )


def _mostly_lost(onset_s: float, end_s: float, lost: Runs | None) -> bool:
    """Whether a contact loss is the reference's: it lies in its span, give or take a second."""
    if lost is None:
        return False
    inside = np.minimum(end_s, lost.end_s) - np.maximum(onset_s, lost.onset_s)
    return bool(np.clip(inside, 0, None).sum() >= (end_s - onset_s) - 2.0 and inside.max() > 0)


def _lost_segments(store: FeatureStore, lost: Mapping[int, Runs]) -> Iterator[Found]:
    """Give the lost reference a row on every channel."""
    for piece, spans in lost.items():
        start_s = store.pieces[piece].onset_s
        for onset_s, end_s, confidence in zip(
            spans.onset_s, spans.end_s, spans.confidence, strict=True
        ):
            for row in range(len(store.channels)):
                yield Found(
                    row,
                    CONTACT_LOSS,
                    REFERENCE_LOST,
                    float(start_s + onset_s),
                    float(start_s + end_s),
                    float(confidence),
                )
