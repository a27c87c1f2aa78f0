"""The lost reference: spans in which nearly all channels lose contact at once."""

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from cleanspan.config import SegmentRule
from cleanspan.features.extraction import FeatureStore
from cleanspan.features.windows import WINDOW_S
from cleanspan.labelling.edges import refined, whole
from cleanspan.labelling.prediction import Predictions
from cleanspan.labelling.runs import RunKey, Runs, by_piece, cell_probabilities, find_runs
from cleanspan.types import CONTACT_LOSS

REFERENCE_SHARE = 0.75
"""From this share of the channels on, contact lost at once is the reference's."""
LIKELY = 0.5
"""From this probability on a cell counts where nearly all channels reach it at once (common
practice: more likely than not)."""
SLACK_S = 2.0
"""How far a segment may reach beyond the lost reference and still be its doing, s."""
BESIDE_STOP_S = 2.0
"""What begins less than this from a stop of nearly all channels is its doing: a window reaches a
second into it, and the window before looks a second ahead."""
FEWEST_CHANNELS = 4
"""With fewer channels a lost reference cannot be told from lost electrodes."""


def reference_spans(
    store: FeatureStore,
    predictions: Predictions,
    runs: Mapping[RunKey, Runs],
    edged: Mapping[RunKey, Runs],
    returned: Mapping[RunKey, Runs],
    rules: Mapping[str, SegmentRule],
) -> dict[int, Runs]:
    """Spans in which nearly all channels lost contact at once, by piece.

    What would be marked counts, gaps between pops included: where an ear clip pops or sways, the
    channels do not reach the probability at which a mark begins all in the same window. And what
    is likely on nearly all channels counts, though on most it would not be marked.
    Channels that stand still are not counted: then the amplifier stopped, not the reference. Nor
    are windows that reach into such a stop of nearly all channels. Mains that drown nearly all
    channels from then on, or until then, came in through the lost reference and belong to it.

    Parameters
    ----------
    store : FeatureStore
    predictions : Predictions
    runs, edged, returned : mapping of (channel row, label, piece) to Runs
        As the probabilities have them, with edges moved to where the signal changes, and with the
        way back.
    rules : mapping of str to SegmentRule
    """
    n_channels = len(store.channels)
    if n_channels < FEWEST_CHANNELS or CONTACT_LOSS not in predictions.labels:
        return {}
    rule = rules.get(CONTACT_LOSS, SegmentRule())
    share, drowned = _shares(store, predictions, runs)
    threshold = SegmentRule(REFERENCE_SHARE, REFERENCE_SHARE * 0.8, 0.5, rule.join_s)
    reach = round(WINDOW_S / store.hop_s)
    lost = {}
    for piece, part in by_piece(store, share):
        of_piece = drowned[store.first[piece] : store.first[piece + 1]]
        part[_beside(of_piece, part >= REFERENCE_SHARE, reach)] = 1
        spans = find_runs(_of_cells(part, store.hop_s), threshold, store.hop_s)
        if spans.onset_s.size:
            keys = [(row, CONTACT_LOSS, piece) for row in range(n_channels)]
            own = [
                (edged[key], returned[key]) if key in edged else _fitted(spans, store, key)
                for key in keys
            ]
            lost[piece] = agreed(spans, own, fewest=n_channels / 2)
    return lost


def _shares(
    store: FeatureStore, predictions: Predictions, runs: Mapping[RunKey, Runs]
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.bool_]]:
    """Share of the channels that lost contact in each window, and whether mains drown them.

    Both of shape (n_windows,). The share is 0 where the amplifier stopped, and beside.
    """
    n_channels = len(store.channels)
    contact = predictions.labels.index(CONTACT_LOSS)
    share, likely, standing, humming = np.zeros((4, store.onset_s.size), dtype=np.float32)
    for row in range(n_channels):
        still = predictions.still(row)
        share += _in_runs(store, runs, row) & ~still
        likely += _likely(store, predictions.channel(row)[:, contact]) & ~still
        standing += still
        humming += predictions.humming(row)
    np.maximum(share, likely, out=share)
    share /= n_channels
    stopped = standing >= REFERENCE_SHARE * n_channels
    share[_around(stopped, round(BESIDE_STOP_S / store.hop_s))] = 0
    return share, humming >= REFERENCE_SHARE * n_channels


def _likely(store: FeatureStore, probability: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Which windows hold, in their middle, a cell that has lost contact more likely than not.

    One channel alone would not be marked for that; nearly all of them at once are no chance.
    """
    shift = max(round(WINDOW_S / store.hop_s), 1) // 2
    likely = [
        cell_probabilities(part, store.hop_s)[shift : shift + len(part)] >= LIKELY
        for _, part in by_piece(store, probability)
    ]
    return np.concatenate([np.zeros(0, dtype=bool), *likely])


def _fitted(spans: Runs, store: FeatureStore, key: RunKey) -> tuple[Runs, Runs]:
    """Fit the spans' edges to a channel without runs of its own; without, and with a way back."""
    row, label, piece = key
    edged = refined(spans, store, row=row, piece=piece, label=label)
    return edged, whole(edged, store, row=row, piece=piece)


def _of_cells(share: npt.NDArray[np.float32], hop_s: float) -> npt.NDArray[np.float32]:
    """Share of each hop-long cell: that of the window whose middle it holds.

    Runs are of cells already. Windows that agree, as `cell_probabilities` wants them, would
    overlook every loss that one of them holds.
    """
    cover = max(round(WINDOW_S / hop_s), 1)
    return np.pad(share, (cover // 2, cover - 1 - cover // 2), mode="edge")


def _beside(
    more: npt.NDArray[np.bool_], flags: npt.NDArray[np.bool_], n_windows: int
) -> npt.NDArray[np.bool_]:
    """Which windows lie in a stretch of `more` that a flag is near, or between the two.

    Near is what at most so many windows part.
    """
    change = np.flatnonzero(np.diff(np.concatenate(([False], more, [False]))))
    beside = np.zeros_like(more)
    for begin, end in change.reshape(-1, 2):
        low = max(begin - n_windows, 0)
        near = low + np.flatnonzero(flags[low : end + n_windows])
        if near.size:
            beside[min(begin, near[0]) : max(end, near[-1] + 1)] = True
    return beside


def _around(flags: npt.NDArray[np.bool_], n_windows: int) -> npt.NDArray[np.bool_]:
    """Which windows are flagged or fewer than so many away: the edges of a stop are its doing."""
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


def agreed(spans: Runs, own: Sequence[tuple[Runs, Runs]], *, fewest: float) -> Runs:
    """Take the edges that the channels' own spans agree on: the median of those that are near.

    Parameters
    ----------
    spans : Runs
        Of the lost reference.
    own : sequence of (Runs, Runs)
        Of each channel that has any: with refined edges, which tell what is near, and with the
        way back, whose edges are taken.
    fewest : float
        With fewer edges near a span keeps its own.

    Returns
    -------
    Runs
        As many; ordered, and none reaches into the next. A span keeps its edges where the
        channels' would turn it inside out.
    """
    onset_s, end_s = spans.onset_s.copy(), spans.end_s.copy()
    for place, (first_s, last_s) in enumerate(zip(spans.onset_s, spans.end_s, strict=True)):
        begins_s, stops_s = [], []
        for edged, returned in own:
            touching = np.flatnonzero((edged.onset_s < last_s) & (edged.end_s > first_s))
            if touching.size:
                begins_s.append((edged.onset_s[touching[0]], returned.onset_s[touching[0]]))
                stops_s.append((edged.end_s[touching[-1]], returned.end_s[touching[-1]]))
        least_s = end_s[place - 1] if place else -np.inf
        most_s = onset_s[place + 1] if place + 1 < onset_s.size else np.inf
        begin_s = max(_middle_of_near(begins_s, first_s, fewest=fewest), least_s)
        stop_s = min(_middle_of_near(stops_s, last_s, fewest=fewest), most_s)
        if begin_s < stop_s:
            onset_s[place], end_s[place] = begin_s, stop_s
    return Runs(onset_s, end_s, spans.confidence)


def _middle_of_near(
    edges_s: Sequence[tuple[float, float]], edge_s: float, *, fewest: float
) -> float:
    """Give the median of what the edges within the slack became; the edge where those are few."""
    near = [whole_s for time_s, whole_s in edges_s if abs(time_s - edge_s) <= SLACK_S]
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
