"""Possible blinks: short humps on the most frontal channels, each with its shape and topography.

Windows of one second tell that a blink happened; these candidates tell when. They are found with
a low bar on purpose: the classifier decides which of them are blinks.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.features.peaks import find_peaks
from cleanspan.features.registry import EVENT_NAMES

LEAD_ROWS = (
    ("Fp1", "Fp2"), ("Fpz",), ("AF7", "AF8"), ("AF3", "AF4"), ("AFz",), ("F7", "F8"),
    ("F3", "F4"), ("Fz",),
)  # fmt: skip
"""Where lid artefacts are largest, best first (design fact: largest at Fp1/Fp2)."""
LOWEST_UV = 18.0
"""Lowest height of a candidate, µV; blinks at Fp1/Fp2 are 50-200 µV (from memory)."""
NARROWEST_S, WIDEST_S = 0.055, 0.9
"""Width at half height; alpha waves (half a period of 8-13 Hz is 38-62 ms) mostly fall below."""
SURROUND_S = 2.5
"""Span over which a hump's height is measured, and busy surroundings judged."""
HALF_S = 0.8
"""Half the length of the cut around a peak."""
MERGE_S = 0.16
"""Candidates of the two leads closer than this are one event."""
CROWD_S = 0.6
"""How near another candidate counts as crowding."""
FOOT = 0.2
"""Onset and end lie where the hump has fallen to this share of its height."""


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """Candidates of one chunk.

    Attributes
    ----------
    onset_s, peak_s, end_s : ndarray of shape (n_events,), s from the piece's start
    features : ndarray of shape (n_events, n_channels, n_features), float32
        Columns `registry.EVENT_NAMES`; those that need the channel's own level hold the plain
        logarithm until `context` puts them in relation.
    """

    onset_s: npt.NDArray[np.float64]
    peak_s: npt.NDArray[np.float64]
    end_s: npt.NDArray[np.float64]
    features: npt.NDArray[np.float32]


def lead_channels(electrodes: Sequence[str]) -> tuple[int, ...]:
    """Rows of the most frontal channels there are; empty where none is frontal."""
    for row in LEAD_ROWS:
        found = tuple(electrodes.index(name) for name in row if name in electrodes)
        if found:
            return found
    return ()


def find_events(
    slow_uv: npt.NDArray[np.float32],
    rate_hz: float,
    *,
    leads: Sequence[int],
    positions: npt.NDArray[np.float64],
    window_s: tuple[float, float],
    origin_s: float,
) -> Events:
    """Find the candidates whose peak lies in a window of time, with their features.

    Parameters
    ----------
    slow_uv : ndarray of shape (n_channels, n_samples), µV
        The slow signal of a chunk with its margins.
    rate_hz : float
    leads : sequence of int
        Rows of the lead channels.
    positions : ndarray of shape (n_channels, 3)
    window_s : (begin, end)
        Peaks outside belong to another chunk; seconds from the piece's start.
    origin_s : float
        Time of the first column.
    """
    if slow_uv.shape[1] < round(SURROUND_S * rate_hz):
        return _nothing(len(positions))
    smooth = smoothed(slow_uv)
    half = round(HALF_S * rate_hz)
    peaks, which = _peaks(smooth[list(leads)], rate_hz)
    time_s = origin_s + (peaks.astype(np.float64) + 0.5) / rate_hz
    whole = (peaks >= half // 8) & (peaks < slow_uv.shape[1] - half // 8)
    # Those just outside are needed to say how crowded it is, wherever the chunks are cut.
    near = whole & (time_s >= window_s[0] - CROWD_S) & (time_s < window_s[1] + CROWD_S)
    peaks, which, time_s = peaks[near], which[near], time_s[near]
    own = (time_s >= window_s[0]) & (time_s < window_s[1])
    if not own.any():
        return _nothing(len(positions))
    padded = np.pad(smooth, ((0, 0), (half, half)), mode="edge")
    cuts = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=1)[:, peaks]
    cuts = np.ascontiguousarray(cuts.transpose(1, 0, 2))
    shape = _Shape(cuts, rate_hz, leads=leads, which=which)
    features = _features(shape, peaks, positions=positions)
    # A hump cut off by the piece's first or last sample begins or ends there.
    first_s, last_s = origin_s, origin_s + slow_uv.shape[1] / rate_hz
    return Events(
        onset_s=np.maximum(time_s - shape.before / rate_hz, first_s)[own],
        peak_s=time_s[own],
        end_s=np.minimum(time_s + shape.after / rate_hz, last_s)[own],
        features=features[own],
    )


def _nothing(n_channels: int) -> Events:
    """No candidate at all."""
    empty = np.empty(0)
    return Events(empty, empty, empty, np.empty((0, n_channels, len(EVENT_NAMES)), np.float32))


def smoothed(slow_uv: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Weights ¼ ½ ¼ along time: takes the rest of mains and muscle away."""
    edge = np.pad(slow_uv, ((0, 0), (1, 1)), mode="edge")
    smooth: npt.NDArray[np.float32] = edge[:, :-2] * np.float32(0.25)
    smooth += edge[:, 1:-1] * np.float32(0.5)
    smooth += edge[:, 2:] * np.float32(0.25)
    return smooth


def _peaks(
    leads_uv: npt.NDArray[np.float32], rate_hz: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Peaks of all leads, one an event: the position, and the lead that shows it best."""
    found, height, lead = [], [], []
    for row, trace in enumerate(leads_uv):
        places, prominences = find_peaks(
            trace,
            prominence=LOWEST_UV,
            width=(NARROWEST_S * rate_hz, WIDEST_S * rate_hz),
            around=round(SURROUND_S * rate_hz),
        )
        found.append(places)
        height.append(prominences)
        lead.append(np.full(places.size, row))
    places, heights, rows = (np.concatenate(part) for part in (found, height, lead))
    order = np.argsort(-heights, kind="stable")
    apart = MERGE_S * rate_hz
    chosen: list[int] = []
    taken = np.zeros(leads_uv.shape[1] + 1, dtype=bool)
    for candidate in order:
        place = places[candidate]
        if taken[place]:
            continue
        chosen.append(candidate)
        taken[max(int(place - apart), 0) : int(place + apart) + 1] = True
    kept = np.array(sorted(chosen, key=lambda item: places[item]), dtype=np.int64)
    return places[kept].astype(np.int64), rows[kept].astype(np.int64)


class _Shape:
    """Measures of the hump on its lead: feet, height, width."""

    def __init__(
        self,
        cuts: npt.NDArray[np.float32],
        rate_hz: float,
        *,
        leads: Sequence[int],
        which: npt.NDArray[np.int64],
    ) -> None:
        self.cuts = cuts
        self.rate_hz = rate_hz
        self.leads = list(leads)
        self.middle = cuts.shape[2] // 2
        rows = np.arange(len(cuts))
        self.main = np.array(self.leads)[which]
        self.lead = cuts[rows, self.main]
        self.other = cuts[rows, np.array(self.leads)[(which + 1) % len(self.leads)]]
        reach = round(0.6 * rate_hz)
        left = self.lead[:, self.middle - reach : self.middle + 1][:, ::-1]
        right = self.lead[:, self.middle : self.middle + reach + 1]
        self.peak = self.lead[:, self.middle]
        self.low_left, self.low_right = _lowest_before_rise(left), _lowest_before_rise(right)
        self.base = np.maximum(self.low_left, self.low_right)
        self.height = np.maximum(self.peak - self.base, np.float32(1.0))
        self.before = _samples_until(left, self.base + FOOT * self.height)
        self.after = _samples_until(right, self.base + FOOT * self.height)
        half_level = self.base + 0.5 * self.height
        self.width = _samples_until(left, half_level) + _samples_until(right, half_level)
        self.mask = self._mask()

    def _mask(self) -> npt.NDArray[np.bool_]:
        """Which samples of a cut belong to the event, feet included."""
        offset = np.arange(self.cuts.shape[2]) - self.middle
        extra = max(round(0.04 * self.rate_hz), 1)
        inside: npt.NDArray[np.bool_] = (offset >= -(self.before[:, None] + extra)) & (
            offset <= self.after[:, None] + extra
        )
        return inside


def _lowest_before_rise(side: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Lowest value from the peak outwards until the trace climbs above the peak."""
    higher = side > side[:, :1]
    reachable = ~np.maximum.accumulate(higher, axis=1)
    lowest: npt.NDArray[np.float32] = np.where(reachable, side, np.inf).min(axis=1)
    return lowest.astype(np.float32)


def _samples_until(
    side: npt.NDArray[np.float32], level: npt.NDArray[np.float32]
) -> npt.NDArray[np.int64]:
    """Count samples from the peak outwards until the trace is at or below a level."""
    below = side <= level[:, None]
    first = np.argmax(below, axis=1)
    count: npt.NDArray[np.int64] = np.where(below.any(axis=1), first, side.shape[1] - 1)
    return count


def _features(
    shape: _Shape, peaks: npt.NDArray[np.int64], *, positions: npt.NDArray[np.float64]
) -> npt.NDArray[np.float32]:
    """Fill the columns of `registry.EVENT_NAMES`."""
    rate = shape.rate_hz
    share, alike = _projections(shape)
    log_height = np.log10(shape.height)
    columns: dict[str, npt.NDArray[np.floating]] = {
        "lead_height": log_height,
        "lead_height_above": log_height,
        "lead_width": np.log10(np.maximum(shape.width, 1) / rate),
        "lead_rise": np.log10(np.maximum(shape.before, 1) / rate),
        "lead_fall": np.log10(np.maximum(shape.after, 1) / rate),
        **_balance(shape, share, alike),
        **_surroundings(shape, peaks),
        **_rows(share, positions),
        "shape_match": _shape_match(shape),
    }
    out = np.empty((*share.shape, len(EVENT_NAMES)), dtype=np.float32)
    own_height = np.clip(share, 0.01, 3) * shape.height[:, None]
    own = {
        "own_height": np.log10(np.maximum(own_height, 0.1)),
        "own_share": np.clip(share, -2, 3),
        "own_alike": alike,
        "own_height_above": np.log10(np.maximum(own_height, 0.1)),
        "own_frontness": np.broadcast_to(positions[:, 1], share.shape),
        "is_lead": np.broadcast_to(np.isin(np.arange(len(positions)), shape.leads), share.shape),
    }
    for place, name in enumerate(EVENT_NAMES):
        out[..., place] = own[name] if name in own else columns[name][:, None]
    return out


def _detrended(
    cuts: npt.NDArray[np.float32], mask: npt.NDArray[np.bool_]
) -> npt.NDArray[np.float32]:
    """Take away the line through an event's first and last sample; zero outside the event."""
    first = np.argmax(mask, axis=1)
    last = mask.shape[1] - 1 - np.argmax(mask[:, ::-1], axis=1)
    rows = np.arange(len(mask))
    wide = cuts if cuts.ndim == 3 else cuts[:, None]
    start, stop = wide[rows, :, first], wide[rows, :, last]
    part = (np.arange(mask.shape[1]) - first[:, None]) / np.maximum(last - first, 1)[:, None]
    line = start[..., None] + (stop - start)[..., None] * part[:, None].astype(np.float32)
    flat: npt.NDArray[np.float32] = np.subtract(wide, line, out=line)
    flat *= mask[:, None]
    return flat


def _projections(shape: _Shape) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Share of the lead's hump in each channel, and their correlation, during the event."""
    all_channels = _detrended(shape.cuts, shape.mask)
    lead = _detrended(shape.lead, shape.mask)[:, 0]
    product = (all_channels @ lead[..., None])[..., 0]
    lead_power = np.maximum(np.einsum("et,et->e", lead, lead), 1e-3)[:, None]
    power = np.maximum(np.einsum("ect,ect->ec", all_channels, all_channels), 1e-3)
    return product / lead_power, product / np.sqrt(lead_power * power)


def _balance(
    shape: _Shape, share: npt.NDArray[np.float32], alike: npt.NDArray[np.float32]
) -> dict[str, npt.NDArray[np.floating]]:
    """How alike the two leads are; NaN where there is one lead only."""
    if len(shape.leads) < 2:
        missing = np.full(len(share), np.nan)
        return {"lead_balance": missing, "lead_alike": missing}
    pair_share, pair_r = share[:, shape.leads], alike[:, shape.leads]
    ratio = pair_share.min(axis=1) / np.maximum(pair_share.max(axis=1), 0.01)
    return {"lead_balance": np.log10(np.clip(ratio, 0.01, 1)), "lead_alike": pair_r.min(axis=1)}


def _surroundings(
    shape: _Shape, peaks: npt.NDArray[np.int64]
) -> dict[str, npt.NDArray[np.floating]]:
    """Measure what the lead does before and after, how busy it is around, and how crowded."""
    rate, middle, lead = shape.rate_hz, shape.middle, shape.lead
    half = round(0.5 * rate)
    height = shape.height
    offset = np.arange(lead.shape[1]) - middle
    after = (offset > shape.after[:, None]) & (offset <= shape.after[:, None] + half)
    before = (offset < -shape.before[:, None]) & (offset >= -shape.before[:, None] - half)
    level_after = np.where(after, lead, 0).sum(axis=1) / np.maximum(after.sum(axis=1), 1)
    level_before = np.where(before, lead, 0).sum(axis=1) / np.maximum(before.sum(axis=1), 1)
    low_after = np.where(after, lead, np.inf).min(axis=1)
    low_before = np.where(before, lead, np.inf).min(axis=1)
    outside = np.where(shape.mask, np.nan, lead)
    spread = _nan_std(outside)
    return {
        "after_swing": np.clip((low_after - level_before) / height, -3, 2),
        "before_swing": np.clip((low_before - level_before) / height, -3, 2),
        "stays_up": np.clip((level_after - level_before) / height, -2, 2),
        "busy": np.log10(np.maximum(spread, 0.1) / height),
        "alpha_share": _alpha_share(outside, rate),
        "crowd": _crowd(peaks, shape),
    }


def _nan_std(values: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """Take the standard deviation along the last axis of what is not NaN; 0 where all is."""
    known = np.isfinite(values)
    count = np.maximum(known.sum(axis=-1, keepdims=True), 1)
    mean = np.where(known, values, 0).sum(axis=-1, keepdims=True) / count
    square = np.where(known, (values - mean) ** 2, 0).sum(axis=-1) / count[..., 0]
    spread: npt.NDArray[np.floating] = np.sqrt(square)
    return spread


def _alpha_share(outside: npt.NDArray[np.floating], rate_hz: float) -> npt.NDArray[np.floating]:
    """8-13 Hz part of the lead's power outside the event."""
    known = np.isfinite(outside)
    mean = np.where(known, outside, 0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    filled = np.where(known, outside - mean[:, None], 0) * np.hanning(outside.shape[1])
    power = np.abs(np.fft.rfft(filled, axis=1)) ** 2
    frequency = np.fft.rfftfreq(outside.shape[1], 1 / rate_hz)
    band = (frequency >= 8) & (frequency <= 13)
    total = np.maximum(power[:, frequency >= 1].sum(axis=1), 1e-6)
    share: npt.NDArray[np.floating] = power[:, band].sum(axis=1) / total
    return share


def _crowd(peaks: npt.NDArray[np.int64], shape: _Shape) -> npt.NDArray[np.floating]:
    """Count other candidates of at least half the height within `CROWD_S`."""
    reach = CROWD_S * shape.rate_hz
    close = np.abs(peaks[:, None] - peaks[None, :]) <= reach
    high = shape.height[None, :] >= 0.5 * shape.height[:, None]
    crowd: npt.NDArray[np.floating] = np.minimum((close & high).sum(axis=1) - 1, 4).astype(float)
    return crowd


def _rows(
    share: npt.NDArray[np.float32], positions: npt.NDArray[np.float64]
) -> dict[str, npt.NDArray[np.floating]]:
    """Middle projection on the rows of the head, and the turn from left to right."""
    x, y = positions[:, 0], positions[:, 1]
    rows = {
        "frontal_share": (y > 0.3) & (y < 0.9) & (np.abs(x) < 0.75),
        "central_share": np.abs(y) <= 0.3,
        "posterior_share": y < -0.3,
    }
    out: dict[str, npt.NDArray[np.floating]] = {
        name: np.clip(np.median(share[:, used], axis=1), -2, 2)
        if used.any()
        else np.full(len(share), np.nan)
        for name, used in rows.items()
    }
    left = (x < -0.6) & (y > 0.2) & (y < 0.9)
    right = (x > 0.6) & (y > 0.2) & (y < 0.9)
    if left.any() and right.any():
        turn = np.median(share[:, left], axis=1) - np.median(share[:, right], axis=1)
        out["lateral_turn"] = np.clip(np.abs(turn), 0, 3)
    else:
        out["lateral_turn"] = np.full(len(share), np.nan)
    return out


def _shape_match(shape: _Shape) -> npt.NDArray[np.floating]:
    """Correlation of the lead with a raised cosine between the event's feet."""
    offset = (np.arange(shape.lead.shape[1]) - shape.middle)[None, :]
    length = np.where(offset < 0, shape.before[:, None], shape.after[:, None]) + 1
    template = np.where(np.abs(offset) <= length, 0.5 + 0.5 * np.cos(np.pi * offset / length), 0)
    template = np.where(shape.mask, template, 0)
    count = shape.mask.sum(axis=1, keepdims=True)
    lead = np.where(shape.mask, shape.lead, 0)
    lead = np.where(shape.mask, lead - lead.sum(axis=1, keepdims=True) / count, 0)
    template = np.where(shape.mask, template - template.sum(axis=1, keepdims=True) / count, 0)
    size = np.sqrt((lead**2).sum(axis=1) * (template**2).sum(axis=1))
    match: npt.NDArray[np.floating] = (lead * template).sum(axis=1) / np.maximum(size, 1e-6)
    return match
