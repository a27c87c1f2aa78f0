"""Labelled windows and events out of recordings with hand labels.

One row a channel-window (or channel-event); every label is 1 there, 0 not there, -1 not known.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.config import LabelRules, Windows
from cleanspan.features.extraction import EventTimes, FeatureStore
from cleanspan.features.registry import EVENT_NAMES, WINDOW_NAMES
from cleanspan.scratch import scratch_folder
from cleanspan.training.events import midpoints, reader_events, touching
from cleanspan.training.hand_labels import HandLabel, electrode_key
from cleanspan.training.truth import (
    BLINK_REGION,
    NEGATIVE,
    POSITIVE,
    TWO,
    UNKNOWN,
    Agreement,
    cell_truth,
    channels_seen,
)
from cleanspan.types import BLINK, LINE_NOISE, Channel, Recording

LINE_NOISE_FROM, LINE_NOISE_BELOW = np.log10(0.62), np.log10(0.4)
"""Line noise is there where mains rms reaches 0.62 of the 1-40 Hz rms, not there below 0.4. Half
is the geometric middle between a quarter (below, none is marked) and 1 (above, all is)."""
MATCH_S = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Feature rows with what is known about them.

    Attributes
    ----------
    features : ndarray of shape (n_rows, n_features), float32
    truth : mapping of str to ndarray of shape (n_rows,), int8
        By label.
    person, recording : ndarray of shape (n_rows,)
        Whose recording it is, for splits by person.
    channel : ndarray of shape (n_rows,)
        Electrode names.
    time_s : ndarray of shape (n_rows,)
        Window onsets, or event peaks.
    """

    features: npt.NDArray[np.float32]
    truth: Mapping[str, npt.NDArray[np.int8]]
    person: npt.NDArray[np.str_]
    recording: npt.NDArray[np.str_]
    channel: npt.NDArray[np.str_]
    time_s: npt.NDArray[np.float64]

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.features)

    def rows(self, keep: npt.NDArray[np.bool_] | npt.NDArray[np.int64]) -> "Table":
        """Choose some rows."""
        return Table(
            self.features[keep],
            {label: values[keep] for label, values in self.truth.items()},
            self.person[keep],
            self.recording[keep],
            self.channel[keep],
            self.time_s[keep],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Labelled windows and labelled events."""

    windows: Table
    events: Table


def of_people(tables: Tables, people: Collection[str]) -> Tables:
    """Choose the rows of some people."""
    wanted = sorted(people)
    return Tables(
        *(table.rows(np.isin(table.person, wanted)) for table in (tables.windows, tables.events))
    )


def joined(tables: Sequence[Table]) -> Table:
    """Put tables one under the other; a label that one lacks is unknown there."""
    labels = dict.fromkeys(label for table in tables for label in table.truth)
    return Table(
        np.concatenate([table.features for table in tables]),
        {
            label: np.concatenate(
                [
                    table.truth.get(label, np.full(len(table), UNKNOWN, dtype=np.int8))
                    for table in tables
                ]
            )
            for label in labels
        },
        np.concatenate([table.person for table in tables]),
        np.concatenate([table.recording for table in tables]),
        np.concatenate([table.channel for table in tables]),
        np.concatenate([table.time_s for table in tables]),
    )


def tables_of(
    recording: Recording,
    channels: Sequence[Channel],
    hand_labels: Sequence[HandLabel],
    *,
    labels: Sequence[str],
    name: str,
    person: str,
    windows: Windows | None = None,
    agreement: Agreement = TWO,
    rules: LabelRules | None = None,
) -> Tables:
    """Compute features and truth of one recording.

    Parameters
    ----------
    recording : Recording
    channels : sequence of Channel
        Scalp channels of one rate.
    hand_labels : sequence of HandLabel
        The marks of this recording.
    labels : sequence of str
        Window labels wanted, ``line noise`` included where it is to be computed.
    name, person : str
        Which recording and whose.
    windows : Windows, optional
    agreement : Agreement
        How several readers are combined.
    rules : LabelRules, optional
    """
    with (
        scratch_folder() as scratch,
        FeatureStore(recording, channels, windows=windows or Windows(), scratch=scratch) as store,
    ):
        rows = np.stack(
            [
                np.concatenate([part for _, part in store.window_features(channel)])
                for channel in range(len(channels))
            ]
        )
        nothing = np.empty((0, len(channels), len(EVENT_NAMES)), dtype=np.float32)
        event_rows = np.concatenate([nothing, *(part for _, part in store.event_features())])
        times = store.times
    electrodes = [channel.electrode or channel.label for channel in channels]
    truth = {
        label: cell_truth(
            hand_labels,
            electrodes,
            label,
            onsets_s=store.onset_s,
            rules=rules,
            agreement=agreement,
        )
        for label in labels
        if label not in (BLINK, LINE_NOISE)
    }
    if LINE_NOISE in labels:
        truth[LINE_NOISE] = line_noise_truth(rows)
    window_table = _table(rows, truth, electrodes, store.onset_s, name=name, person=person)
    blink = event_truth(times, hand_labels, electrodes, agreement=agreement, rules=rules)
    event_table = _table(
        event_rows.transpose(1, 0, 2),
        {BLINK: blink},
        electrodes,
        times.peak_s,
        name=name,
        person=person,
    )
    return Tables(_known(window_table), _known(event_table))


def line_noise_truth(rows: npt.NDArray[np.float32]) -> npt.NDArray[np.int8]:
    """Say where line noise is by its measure; ndarray of shape (n_channels, n_windows)."""
    around = rows[..., WINDOW_NAMES.index("mains_around")]
    truth = np.full(around.shape, UNKNOWN, dtype=np.int8)
    truth[around >= LINE_NOISE_FROM] = POSITIVE
    truth[~(around > LINE_NOISE_BELOW)] = NEGATIVE
    return truth


def event_truth(
    times: EventTimes,
    hand_labels: Sequence[HandLabel],
    electrodes: Sequence[str],
    *,
    agreement: Agreement,
    rules: LabelRules | None,
) -> npt.NDArray[np.int8]:
    """Say which candidates are blinks, on which channels.

    A candidate is a blink where it pairs one to one with a marked blink; on channels that the
    readers named. Beside a doubtful mark, or next to a blink without being its pair, nothing is
    known.

    Returns
    -------
    ndarray of shape (n_channels, n_events), int8
    """
    marks = reader_events(hand_labels, electrodes, BLINK, rules=rules, agreement=agreement)
    spans = np.stack((times.onset_s, times.end_s), axis=1).reshape(-1, 2)
    truth = np.full((len(electrodes), len(spans)), UNKNOWN, dtype=np.int8)
    if marks.reviewed_s is None or not len(spans):
        return truth
    middle = np.stack((times.peak_s, times.peak_s), axis=1)
    looked = touching(middle, marks.reviewed_s) & ~touching(middle, marks.doubtful_s)
    truth[:, looked] = NEGATIVE
    for candidate, blink in _pairs(times.peak_s, marks.spans_s):
        truth[:, candidate] = _named(hand_labels, marks.spans_s[blink], electrodes)
    truth[~channels_seen(hand_labels, electrodes, rules)] = UNKNOWN
    return truth


def _pairs(
    peak_s: npt.NDArray[np.float64], spans_s: npt.NDArray[np.float64]
) -> list[tuple[int, int]]:
    """Pair candidates with blinks: nearest first, one to one."""
    gap = (
        np.abs(peak_s[:, None] - midpoints(spans_s)[None, :]) if len(spans_s) else np.empty((0, 0))
    )
    pairs: list[tuple[int, int]] = []
    while gap.size and gap.min() <= MATCH_S:
        place = np.unravel_index(int(np.argmin(gap)), gap.shape)
        pairs.append((int(place[0]), int(place[1])))
        gap[place[0], :] = np.inf
        gap[:, place[1]] = np.inf
    return pairs


def _named(
    hand_labels: Sequence[HandLabel], span_s: npt.NDArray[np.float64], electrodes: Sequence[str]
) -> npt.NDArray[np.int8]:
    """On which channels the readers saw this blink: most of them 1, none of them 0."""
    middle = float(span_s.mean())
    rows = [
        row
        for row in hand_labels
        if row.label == BLINK and abs((row.onset_s + row.end_s) / 2 - middle) <= MATCH_S
    ]
    readers = {row.reader for row in rows}
    # A blink on "all" is believed at the front; further back it may or may not show.
    everywhere = any(row.channels == ("all",) for row in rows)
    out = np.full(len(electrodes), UNKNOWN, dtype=np.int8)
    for place, electrode in enumerate(electrodes):
        key = electrode_key(electrode)
        votes = {
            row.reader
            for row in rows
            if (row.channels == ("all",) and key in BLINK_REGION)
            or key in {electrode_key(name) for name in row.channels}
        }
        if readers and len(votes) * 2 > len(readers):
            out[place] = POSITIVE
        elif not votes and not everywhere:
            out[place] = NEGATIVE
    return out


def _table(
    rows: npt.NDArray[np.float32],
    truth: Mapping[str, npt.NDArray[np.int8]],
    electrodes: Sequence[str],
    time_s: npt.NDArray[np.float64],
    *,
    name: str,
    person: str,
) -> Table:
    """Flatten (n_channels, n_times, n_features) into rows."""
    n_channels, n_times = rows.shape[:2]
    count = n_channels * n_times
    return Table(
        rows.reshape(count, rows.shape[2]),
        {label: values.reshape(-1) for label, values in truth.items()},
        np.full(count, person),
        np.full(count, name),
        np.repeat(np.array(electrodes), n_times),
        np.tile(time_s, n_channels),
    )


def _known(table: Table) -> Table:
    """Drop the rows about which nothing is known."""
    known = np.zeros(len(table), dtype=bool)
    for values in table.truth.values():
        known |= values != UNKNOWN
    return table.rows(known)
