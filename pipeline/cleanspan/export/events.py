"""Events: presses of the marker button, and which events' epochs a plan keeps."""

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from cleanspan.export.counted import SEPARATOR
from cleanspan.export.exclusions import Applied
from cleanspan.types import ALL_CHANNELS, Channel, Note, Piece, Recording

if TYPE_CHECKING:
    import pandas as pd

PRESS = "button"
BOUNCE_S = 0.05
"""Gaps shorter than this within a press are the contact bouncing (common practice)."""
SHORTEST_PRESS_S = 0.01
"""No finger is faster (common practice)."""
MOST_PRESSES_PER_S = 5.0
"""A channel that toggles faster for long is no button (common practice)."""
_STEPS = 16
"""A press differs from rest by at least this many steps of the converter."""
_SPREADS = 8.0
"""… and by this many robust standard deviations of the rest."""
LEAVES = "the epoch leaves the recording"


def find_presses(recording: Recording, channel_index: int) -> list[Note]:
    """Find presses of a marker button, either polarity, reading the channel twice in blocks.

    The threshold lies midway between the level at rest and the level of presses, both medians
    over the recording's blocks, so that a single glitch moves neither.

    Parameters
    ----------
    recording : Recording
    channel_index : int
        Index of the button channel.

    Returns
    -------
    list of Note
        Onset and length of each press; empty where the channel never leaves its rest.
    """
    channel = next(item for item in recording.channels if item.index == channel_index)
    levels = _levels(recording, channel)
    if levels is None:
        return []
    rest, pressed = levels
    threshold = (rest + pressed) / 2
    presses = list(_joined(_pressed_spans(recording, channel, threshold, rising=pressed > rest)))
    notes = [
        Note(round(begin, 6), round(end - begin, 6), PRESS)
        for begin, end in presses
        if end - begin >= SHORTEST_PRESS_S
    ]
    return notes if len(notes) <= MOST_PRESSES_PER_S * recording.duration_s else []


def _levels(recording: Recording, channel: Channel) -> tuple[float, float] | None:
    """Find the level at rest and the level of presses; None where there are no presses."""
    blocks = [
        (
            float(np.median(x)),
            float(np.median(np.abs(x - np.median(x)))),
            float(x.min()),
            float(x.max()),
        )
        for x in _samples(recording, channel)
    ]
    if not blocks:
        return None
    medians, spreads, lows, highs = np.array(blocks).T
    rest = float(np.median(medians))
    noise = 1.4826 * float(np.median(spreads))  # MAD → σ of a normal distribution
    step = (channel.highest_uv - channel.lowest_uv) / 2**16
    least = max(_SPREADS * noise, _STEPS * step if math.isfinite(step) else 0.0)
    above, below = highs - rest, rest - lows
    away = above if above.max() >= below.max() else -below
    far = away[np.abs(away) > least]
    return (rest, rest + float(np.median(far))) if len(far) else None


def _samples(recording: Recording, channel: Channel) -> Iterator[npt.NDArray[np.float32]]:
    """Give the channel block by block, without what was not recorded."""
    for block in recording.blocks([channel.index]):
        samples = block.samples_uv[0]
        samples = samples[np.isfinite(samples)]
        if len(samples):
            yield samples


def _pressed_spans(
    recording: Recording, channel: Channel, threshold: float, *, rising: bool
) -> Iterator[tuple[float, float]]:
    """Give the spans beyond the threshold, block by block, in seconds."""
    for block in recording.blocks([channel.index]):
        samples = block.samples_uv[0]
        beyond = samples > threshold if rising else samples < threshold
        edges = np.flatnonzero(np.diff(beyond.astype(np.int8), prepend=0, append=0))
        start_s = recording.pieces[block.piece].onset_s
        times = start_s + (block.first_sample + edges) / channel.rate_hz
        yield from zip(times[::2].tolist(), times[1::2].tolist(), strict=True)


def _joined(spans: Iterator[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    """Join spans that only a bounce or a block's edge parts."""
    held: tuple[float, float] | None = None
    for begin, end in spans:
        if held is not None and begin - held[1] < BOUNCE_S:
            held = (held[0], end)
            continue
        if held is not None:
            yield held
        held = (begin, end)
    if held is not None:
        yield held


def judge_events(
    events: Sequence[Note],
    epoch_s: tuple[float, float],
    applied: Applied,
    *,
    pieces: Sequence[Piece],
) -> "pd.DataFrame":
    """Decide for each event whether its epoch can be kept.

    Parameters
    ----------
    events : sequence of Note
    epoch_s : tuple of float
        Begin and end of the epoch, in seconds from the event.
    applied : Applied
        A plan's exclusions.
    pieces : sequence of Piece
        An epoch that leaves the recording, or reaches over a gap, is dropped.

    Returns
    -------
    pandas.DataFrame
        Columns onset_s, text, verdict (``keep``, ``drop``), reason, channels.
    """
    import pandas as pd

    ordered = sorted(events, key=lambda note: note.onset_s)
    onset_s = np.array([note.onset_s for note in ordered], dtype=float)
    begins, ends = onset_s + epoch_s[0], onset_s + epoch_s[1]
    inside = _inside(begins, ends, pieces)
    excluded = applied.excluded
    span_begins = excluded["onset_s"].to_numpy(dtype=float)
    span_ends = span_begins + excluded["duration_s"].to_numpy(dtype=float)
    slack = 1e-6  # times are whole microseconds: a span that only touches does not count
    first = np.searchsorted(span_ends, begins + slack, side="right")
    after = np.searchsorted(span_begins, ends - slack, side="left")
    causes = excluded["reason"].tolist(), excluded["channels"].tolist()
    rows = []
    for note, whole, low, high in zip(ordered, inside, first, after, strict=True):
        reasons = _merged(causes[0][low:high]) + ([] if whole else [LEAVES])
        channels = _merged(causes[1][low:high])
        channels = [ALL_CHANNELS] if ALL_CHANNELS in channels else channels
        verdict = "drop" if reasons else "keep"
        cells = (SEPARATOR.join(reasons), SEPARATOR.join(channels))
        rows.append((float(note.onset_s), note.text, verdict, *cells))
    return pd.DataFrame(rows, columns=["onset_s", "text", "verdict", "reason", "channels"])


def _inside(
    begins: npt.NDArray[np.float64], ends: npt.NDArray[np.float64], pieces: Sequence[Piece]
) -> npt.NDArray[np.bool_]:
    """Tell which epochs lie within one piece."""
    slack = 1e-6
    starts = np.array([piece.onset_s for piece in pieces])
    stops = starts + [piece.duration_s for piece in pieces]
    index = np.searchsorted(starts, begins + slack, side="right") - 1
    return np.asarray((index >= 0) & (ends <= stops[np.maximum(index, 0)] + slack))


def _merged(texts: Sequence[str]) -> list[str]:
    """Take joined names apart and keep each once, in order."""
    return list(dict.fromkeys(name for text in texts for name in text.split(SEPARATOR)))
