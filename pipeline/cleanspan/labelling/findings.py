"""Findings about channels that are not spans of time: bridges, dead or drying electrodes."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from cleanspan.features.events import LEAD_ROWS
from cleanspan.features.extraction import FeatureStore
from cleanspan.features.registry import EVENT_NAMES
from cleanspan.features.windows import WINDOW_S
from cleanspan.labelling.channels import away_spans, contact_spans, reference_lost_spans
from cleanspan.labelling.contact import RAILED
from cleanspan.labelling.polarity import polarity_findings
from cleanspan.labelling.prediction import Predictions
from cleanspan.labelling.reference import FEWEST_CHANNELS
from cleanspan.labelling.segments import event_confidence
from cleanspan.labelling.spans import Spans, besides_s, union_s
from cleanspan.recording.electrodes import position
from cleanspan.types import (
    LINE_NOISE,
    NOISE_EVERYWHERE,
    REFERENCE_LOST,
    SALT_BRIDGE,
    STOPPED,
    Finding,
)

if TYPE_CHECKING:
    import pandas as pd

BRIDGE_UV2 = 2.0
"""A salt bridge leaves a difference of amplifier noise only (Tenke & Kayser 2001: electrical
distance near zero); 2 µV² is 1.4 µV rms."""
BRIDGE_SHARE = 0.01
"""r > .995 between two channels of equal size: the difference holds below 1 % of the variance."""
DEAD_FROM = 0.97
DRYING_RISE = 0.25
"""Rise of the share without contact from the first to the last third of the session."""
SHORTEST_S = 600.0
"""A trend needs a session of ten minutes."""
NEARLY_ALL = 0.8
"""Share of the channels with line noise at once from which no single electrode is to blame: what
they have in common is the reference, the ground and the cables (common practice)."""
TELLING_S = 20.0
"""A shorter recording tells nothing about where electrodes sit (common practice)."""
FEWEST_EVENTS = 8
FORWARD, FEWEST_SITES = 0.3, 3
"""How far from the middle an electrode is frontal or posterior (unit sphere), and how many of
each are needed to compare them."""
CLEAR_PEAK, MOSTLY, FRONT_LARGER = 2.0, 0.9, 1.5
"""An alpha peak twice its flanks is clear; where most frontal sites show one, half as large again
as at the back is suspicious (in the open eyes-closed recordings the front reaches 0.1 to 0.4)."""
LARGER = 1.15
"""How much larger blinks must be elsewhere than at the lead before a position is doubted."""


def findings_of(
    store: FeatureStore, predictions: Predictions, segments: "pd.DataFrame"
) -> list[Finding]:
    """All findings of one feature store."""
    found = [
        *_reference(segments, store),
        *_mains_everywhere(segments, store),
        *_stopped(store, predictions, segments),
        *_contact_findings(store, segments),
        *_bridges(store),
    ]
    if sum(piece.duration_s for piece in store.pieces) >= TELLING_S:
        found += [*_positions(store, predictions), *_alpha(store), *polarity_findings(store)]
    return found


def _reference(segments: "pd.DataFrame", store: FeatureStore) -> Iterator[Finding]:
    """Say once how long the reference was lost."""
    lost = segments[segments["kind"] == REFERENCE_LOST]
    if lost.empty:
        return
    first = lost[lost["channel"] == lost["channel"].iloc[0]]
    total_s, count = first["duration_s"].sum(), len(first)
    times = "once" if count == 1 else f"{count} times"
    lasted = f"{total_s:.0f} s" if total_s >= 1 else "less than 1 s"
    yield Finding(
        REFERENCE_LOST,
        tuple(channel.label for channel in store.channels),
        f"The reference was lost {times}, {lasted} in all: every channel is unusable then. "
        "Check the ear clips and the ground first.",
    )


def _mains_everywhere(segments: "pd.DataFrame", store: FeatureStore) -> Iterator[Finding]:
    """Say where to look when nearly all channels have line noise at the same time."""
    if len(store.channels) < FEWEST_CHANNELS:
        return
    rows = segments[segments["label"] == LINE_NOISE]
    onset_s = rows["onset_s"].to_numpy(dtype=float)
    edge_s = np.concatenate((onset_s, onset_s + rows["duration_s"].to_numpy(dtype=float)))
    order = np.argsort(edge_s)
    at_once = np.cumsum(np.where(order < len(rows), 1, -1))
    with_all = at_once[:-1] >= NEARLY_ALL * len(store.channels)
    total_s = float(np.diff(edge_s[order])[with_all].sum())
    if total_s <= 0:
        return
    first_s = float(edge_s[order][:-1][with_all][0])
    yield Finding(
        NOISE_EVERYWHERE,
        tuple(channel.label for channel in store.channels),
        f"Nearly all channels have line noise for about {total_s:.0f} s in all, first at "
        f"{first_s:.0f} s: check the ear clips, the ground and cables near the head before any "
        "single electrode.",
    )


def _stopped(
    store: FeatureStore, predictions: Predictions, segments: "pd.DataFrame"
) -> Iterator[Finding]:
    """Say when the whole amplifier stood still: no electrode is to blame for that."""
    if len(store.channels) < FEWEST_CHANNELS:
        return
    stopped = predictions.still(0)
    for row in range(1, len(store.channels)):
        stopped &= predictions.still(row)
    if not stopped.any():
        return
    first_s = float(store.onset_s[np.argmax(stopped)])
    # Windows that follow one another overlap; each stretch of them is longer than it counts.
    stretches = np.count_nonzero(np.diff(stopped.astype(np.int8), prepend=0) == 1)
    length_s = np.count_nonzero(stopped) * store.hop_s + stretches * (WINDOW_S - store.hop_s)
    yield Finding(
        STOPPED,
        tuple(channel.label for channel in store.channels),
        f"All channels stand still for about {length_s:.0f} s in all, first at {first_s:.0f} s: "
        f"{_why_stopped(store, segments, length_s)}; no electrode is to blame.",
    )


def _why_stopped(store: FeatureStore, segments: "pd.DataFrame", length_s: float) -> str:
    """Tell a stopped amplifier from one that is driven to its limits, as without a ground."""
    railed = segments[segments["kind"] == RAILED]
    by_channel = railed.groupby("channel", observed=True)["duration_s"].sum()
    each_s = [by_channel.get(channel.label, 0.0) for channel in store.channels]
    if np.median(each_s) > length_s / 2:
        return "at the amplifier's limits, so check the ground, the ear clips and the amplifier"
    return "the amplifier was stopped or the file was filled up"


def _contact_findings(store: FeatureStore, segments: "pd.DataFrame") -> Iterator[Finding]:
    """Electrodes that were dead, or dried as the session went on.

    What all of them lost at once is no electrode's fault and does not count.
    """
    duration_s = sum(piece.duration_s for piece in store.pieces)
    end_of_session_s = store.pieces[-1].onset_s + store.pieces[-1].duration_s
    lost = contact_spans(segments)
    nobody = away_spans(lost, reference_lost_spans(segments))
    for channel in store.channels:
        spans, away = lost[channel.label], nobody[channel.label]
        left_s = duration_s - union_s(*away)
        if 0 < DEAD_FROM * left_s <= besides_s(spans, away):
            yield Finding(
                "dead",
                (channel.label,),
                f"{channel.label} had no contact from start to end: wet, reseat or replace it.",
            )
            continue
        third_s = end_of_session_s / 3
        thirds = [
            besides_s(_within(spans, low_s, third_s), _within(away, low_s, third_s)) / third_s
            for low_s in (0.0, 2 * third_s)
        ]
        if duration_s >= SHORTEST_S and thirds[1] - thirds[0] >= DRYING_RISE:
            yield Finding(
                "drying",
                (channel.label,),
                f"{channel.label} lost contact for {thirds[0]:.0%} of the first third and "
                f"{thirds[1]:.0%} of the last: the sponge dries or lifts; wet it again.",
            )


def _within(spans: Spans, low_s: float, length_s: float) -> Spans:
    """Cut spans to a stretch of time."""
    onset_s, end_s = (np.clip(times_s, low_s, low_s + length_s) for times_s in spans)
    there = end_s > onset_s
    return onset_s[there], end_s[there]


def _bridges(store: FeatureStore) -> Iterator[Finding]:
    """Pairs of electrodes that salt water joins (Tenke & Kayser 2001)."""
    difference, variance = store.pairs.difference_uv2, store.pairs.variance_uv2
    names = [channel.label for channel in store.channels]
    for first in range(len(names)):
        for second in range(first + 1, len(names)):
            smaller = min(variance[first], variance[second])
            if smaller < 4 * BRIDGE_UV2:
                continue
            if difference[first, second] < min(BRIDGE_UV2, BRIDGE_SHARE * smaller):
                yield Finding(
                    SALT_BRIDGE,
                    (names[first], names[second]),
                    f"{names[first]} and {names[second]} carry the same signal: salt water joins "
                    "them; dry the skin between and use less water.",
                )


def _positions(store: FeatureStore, predictions: Predictions) -> Iterator[Finding]:
    """Blinks that are not largest at the foremost electrodes: plugs swapped, or polarity."""
    electrodes = [channel.electrode or "" for channel in store.channels]
    if not store.times.peak_s.size or not {"Fp1", "Fp2"} & set(electrodes):
        return
    stands = event_confidence(store, predictions, 0, {}) >= 0.5
    if np.count_nonzero(stands) < FEWEST_EVENTS:
        return
    shares = _typical_shares(store, stands)
    front = {name for row in LEAD_ROWS[:5] for name in row}
    rest = [row for row, name in enumerate(electrodes) if name not in front]
    if rest and shares[rest].max() > LARGER:
        row = max(rest, key=lambda place: shares[place])
        yield Finding(
            "position",
            (store.channels[row].label,),
            f"Blinks are larger at {store.channels[row].label} than at the foremost electrodes: "
            "check whether plugs are swapped or the cap sits too far back.",
        )


def _typical_shares(
    store: FeatureStore, stands: npt.NDArray[np.bool_]
) -> npt.NDArray[np.floating]:
    """Median projection of the blinks on each channel."""
    column = EVENT_NAMES.index("own_share")
    parts = [
        values[stands[first : first + len(values)], :, column]
        for first, values in store.event_features()
    ]
    shares: npt.NDArray[np.floating] = np.median(np.concatenate(parts), axis=0)
    return shares


def _alpha(store: FeatureStore) -> Iterator[Finding]:
    """Alpha that is larger at the front than at the back: the cap may sit back to front.

    Where a recording has alpha at all, it is posterior (8-13 Hz, eyes closed; common knowledge
    of the trade). Judged on the typical spectrum: the height of the alpha peak over its flanks.
    """
    frequency, density = store.spectra.frequency_hz, store.spectra.density_uv2_hz
    forward = np.array([position(channel.electrode or "")[1] for channel in store.channels])
    front, back = forward > FORWARD, forward < -FORWARD
    if front.sum() < FEWEST_SITES or back.sum() < FEWEST_SITES:
        return
    peak = density[:, (frequency >= 8) & (frequency <= 13)].max(axis=1)
    flanks = ((frequency >= 5) & (frequency <= 7)) | ((frequency >= 15) & (frequency <= 18))
    height = peak - density[:, flanks].mean(axis=1)
    clear = peak >= CLEAR_PEAK * density[:, flanks].mean(axis=1)
    front_height, back_height = np.median(height[front]), np.median(height[back])
    if clear[front].mean() >= MOSTLY and front_height > FRONT_LARGER * max(back_height, 0):
        yield Finding(
            "position",
            tuple(channel.label for channel in store.channels),
            "Alpha is larger at the front than at the back: check whether the cap or its plug "
            "was put on back to front, or the electrodes are named in another order.",
        )
