"""The lost reference: spans in which nearly all channels lose contact at once."""

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from cleanspan.config import SegmentRule
from cleanspan.features.extraction import FeatureStore
from cleanspan.features.windows import WINDOW_S
from cleanspan.labelling.prediction import Predictions
from cleanspan.labelling.runs import RunKey, Runs, by_piece, cell_probabilities, find_runs
from cleanspan.types import CONTACT_LOSS

REFERENCE_SHARE = 0.75
"""From this share of the channels on, contact lost at once is the reference's."""
SLACK_S = 2.0
"""How far a segment may reach beyond the lost reference and still be its doing, s."""
FEWEST_CHANNELS = 4
"""With fewer channels a lost reference cannot be told from lost electrodes."""


def reference_spans(
    store: FeatureStore,
    predictions: Predictions,
    runs: Mapping[RunKey, Runs],
    refined: Mapping[RunKey, Runs],
    rules: Mapping[str, SegmentRule],
) -> dict[int, Runs]:
    """Spans in which nearly all channels lost contact at once, by piece.

    What would be marked counts, gaps between pops included: where an ear clip pops or sways, the
    channels do not reach the probability at which a mark begins all in the same window.
    Channels that stand still are not counted: then the amplifier stopped, not the reference. Nor
    are windows that reach into such a stop of nearly all channels.

    Parameters
    ----------
    store : FeatureStore
    predictions : Predictions
    runs, refined : mapping of (channel row, label, piece) to Runs
        As the probabilities have them, and with edges moved to where the signal changes.
    rules : mapping of str to SegmentRule
    """
    n_channels = len(store.channels)
    if n_channels < FEWEST_CHANNELS or CONTACT_LOSS not in predictions.labels:
        return {}
    rule = rules.get(CONTACT_LOSS, SegmentRule())
    share, standing = np.zeros((2, store.onset_s.size), dtype=np.float32)
    for row in range(n_channels):
        still = predictions.still(row)
        share += _in_runs(store, runs, row) & ~still
        standing += still
    share /= n_channels
    share[_around(standing >= REFERENCE_SHARE * n_channels, round(WINDOW_S / store.hop_s))] = 0
    threshold = SegmentRule(REFERENCE_SHARE, REFERENCE_SHARE * 0.8, 0.5, rule.join_s)
    lost = {}
    for piece, part in by_piece(store, share):
        spans = find_runs(cell_probabilities(part, store.hop_s), threshold, store.hop_s)
        if spans.onset_s.size:
            own = [refined.get((row, CONTACT_LOSS, piece)) for row in range(n_channels)]
            lost[piece] = agreed(spans, own)
    return lost


def _around(flags: npt.NDArray[np.bool_], n_windows: int) -> npt.NDArray[np.bool_]:
    """Which windows are flagged or reach into one that is: the edges of a stop are its doing."""
    near = flags.copy()
    for shift in range(1, n_windows):
        near[shift:] |= flags[:-shift]
        near[:-shift] |= flags[shift:]
    return near


def _in_runs(store: FeatureStore, runs: Mapping[RunKey, Runs], row: int) -> npt.NDArray[np.bool_]:
    """Which windows have their middle in a run of lost contact on one channel."""
    inside = np.zeros(store.onset_s.size, dtype=bool)
    for piece in range(len(store.pieces)):
        spans = runs.get((row, CONTACT_LOSS, piece))
        if spans is None:
            continue
        first, last = store.first[piece], store.first[piece + 1]
        middle_s = store.hop_s * np.arange(last - first) + WINDOW_S / 2
        place = np.searchsorted(spans.onset_s, middle_s, side="right") - 1
        inside[first:last] = (place >= 0) & (middle_s < spans.end_s[np.maximum(place, 0)])
    return inside


def agreed(spans: Runs, own: Sequence[Runs | None]) -> Runs:
    """Take the edges that the channels' own spans agree on: the median of those that are near.

    Parameters
    ----------
    spans : Runs
        Of the lost reference.
    own : sequence of Runs or None
        Of each channel, with refined edges.

    Returns
    -------
    Runs
        As many; ordered, and none reaches into the next. A span keeps its edges where the
        channels' would turn it inside out.
    """
    onset_s, end_s = spans.onset_s.copy(), spans.end_s.copy()
    for place, (first_s, last_s) in enumerate(zip(spans.onset_s, spans.end_s, strict=True)):
        begins_s, stops_s = [], []
        for part in own:
            if part is None:
                continue
            touching = np.flatnonzero((part.onset_s < last_s) & (part.end_s > first_s))
            if touching.size:
                begins_s.append(part.onset_s[touching[0]])
                stops_s.append(part.end_s[touching[-1]])
        least_s = end_s[place - 1] if place else -np.inf
        most_s = onset_s[place + 1] if place + 1 < onset_s.size else np.inf
        begin_s = max(_middle_of_near(begins_s, first_s, fewest=len(own) / 2), least_s)
        stop_s = min(_middle_of_near(stops_s, last_s, fewest=len(own) / 2), most_s)
        if begin_s < stop_s:
            onset_s[place], end_s[place] = begin_s, stop_s
    return Runs(onset_s, end_s, spans.confidence)


def _middle_of_near(edges_s: Sequence[float], edge_s: float, *, fewest: float) -> float:
    """Give the median of the edges within the slack; the edge itself where those are too few."""
    near = [time_s for time_s in edges_s if abs(time_s - edge_s) <= SLACK_S]
    return float(np.median(near)) if len(near) >= fewest else edge_s


def mostly_lost(onset_s: float, end_s: float, lost: Runs | None) -> bool:
    """Whether a segment says no more than the lost reference: it lies in its span, about."""
    if lost is None:
        return False
    inside = np.minimum(end_s, lost.end_s) - np.maximum(onset_s, lost.onset_s)
    covered_s = float(np.clip(inside, 0, None).sum())
    return covered_s > 0 and covered_s >= (end_s - onset_s) - SLACK_S


def within(
    time_s: npt.NDArray[np.float64], store: FeatureStore, lost: Mapping[int, Runs]
) -> npt.NDArray[np.bool_]:
    """Which times lie in a span of the lost reference."""
    inside = np.zeros(time_s.size, dtype=bool)
    for piece, spans in lost.items():
        for onset_s, end_s in zip(spans.onset_s, spans.end_s, strict=True):
            start_s = store.pieces[piece].onset_s
            inside |= (time_s >= start_s + onset_s) & (time_s < start_s + end_s)
    return inside
