"""Context features: each window against its channel's own middle and the seconds around it.

The middle of a channel is the median over the whole recording. It is counted in histograms while
the features pass by, so that no feature table has to be held.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanspan.features.registry import (
    AMONG_QUIET,
    BASELINED,
    COMPARED,
    EVENT_NAMES,
    MIDDLES,
    NEAR,
    NEAR_S,
    OUTSTANDING,
    OUTSTANDING_S,
    RAW_NAMES,
    SMOOTH_S,
    SMOOTHED,
)
from cleanspan.features.spectral import RMS_FLOOR_UV

BIN = 0.02
"""Width of a histogram's bins in the feature's own unit."""
LOWEST, HIGHEST = -8.0, 8.0
COUNTED = tuple(dict.fromkeys((*BASELINED, *MIDDLES, "mains_50", "mains_60")))
SCALE = {"mobility": 0.1}
"""Features with a wider range than the histogram are counted in coarser units."""
DEAD_SHARE = 0.5
"""A window is dead where so much of it stands still or touches the limits,"""
STILL = 0.0
"""or where its rms, log10 µV, is below this: below 1 µV there is amplifier noise only."""
ROLLED_OFF = -2.5
"""log10 fall from 30-45 to 65-78 Hz (median channel) beyond which the upper band counts as
filtered away; muscle-free EEG falls by 0.4 to 1.9 in the open recordings."""
MAINS_SEEN = -1.3
"""log10 of mains rms against 1-40 Hz rms at which the recording's mains frequency is named, where
a quarter of the channels show it."""
MAINS_CLEAR = -0.45
"""The same where one channel alone shows it: 35 % of the 1-40 Hz rms."""


class Middles:
    """Medians of features for each channel, by histogram.

    Dead windows do not count: where an electrode comes off early, its usual state is the good one
    before, not the fault that lasts to the end. A channel without any other window has none.

    Parameters
    ----------
    n_channels : int
    """

    def __init__(self, n_channels: int) -> None:
        self.n_bins = round((HIGHEST - LOWEST) / BIN)
        self.columns = np.array([RAW_NAMES.index(name) for name in COUNTED])
        self.scale = np.array([SCALE.get(name, 1.0) for name in COUNTED], dtype=np.float32)
        self._counts = np.zeros((n_channels, len(COUNTED), self.n_bins), dtype=np.uint32)
        self._waiting: list[npt.NDArray[np.int32]] = []
        self._n_waiting = 0
        offsets = np.arange(n_channels * len(COUNTED), dtype=np.int32) * (self.n_bins + 1)
        self._offsets = offsets.reshape(n_channels, 1, len(COUNTED))

    def add(self, rows: npt.NDArray[np.float32]) -> None:
        """Count windows, ndarray of shape (n_channels, n_windows, n_raw)."""
        values = rows[..., self.columns] * self.scale
        values[dead(rows)] = np.nan
        place = np.clip((values - LOWEST) / BIN, 0, self.n_bins - 1)
        # What is not known goes to a bin of its own past the others, which is then cut off.
        np.copyto(place, self.n_bins, where=np.isnan(place))
        place = place.astype(np.int32)
        place += self._offsets
        self._waiting.append(place.ravel())
        self._n_waiting += place.size
        # A count goes over all bins, however few values there are: some blocks at once.
        if self._n_waiting >= self._counts.size // 2:
            self._count()

    def _count(self) -> None:
        """Count what waits."""
        if not self._waiting:
            return
        places = np.concatenate(self._waiting)
        added = np.bincount(places, minlength=self._offsets.size * (self.n_bins + 1))
        by_feature = added.reshape(*self._counts.shape[:2], -1)[..., : self.n_bins]
        self._counts += by_feature.astype(np.uint32)
        self._waiting, self._n_waiting = [], 0

    def medians(self) -> dict[str, npt.NDArray[np.float32]]:
        """Median of each counted feature, ndarray of shape (n_channels,); NaN where unknown."""
        self._count()
        total = self._counts.sum(axis=2)
        running = np.cumsum(self._counts, axis=2)
        place = np.argmax(running * 2 >= np.maximum(total, 1)[..., None], axis=2)
        value = (LOWEST + (place + 0.5) * BIN) / self.scale
        value = np.where(total > 0, value, np.nan).astype(np.float32)
        return {name: value[:, column] for column, name in enumerate(COUNTED)}


def dead(rows: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Tell which windows show nothing but the amplifier, out of their raw features."""
    flat, railed, rms = (
        rows[..., RAW_NAMES.index(name)] for name in ("flat_share", "railed_share", "rms")
    )
    silent: npt.NDArray[np.bool_] = (flat >= DEAD_SHARE) | (railed >= DEAD_SHARE) | (rms < STILL)
    return silent


def forget_comparisons(rows: npt.NDArray[np.float32]) -> None:
    """Compare a channel with nothing, in place, while all others are dead.

    It is as alone then as the one electrode of a cap, and no worse for having nothing in common
    with them.

    Parameters
    ----------
    rows : ndarray of shape (n_channels, n_windows, n_raw)
    """
    alive = ~dead(rows)
    alone = alive & (alive.sum(axis=0) == 1)
    if not alone.any():
        return
    # Of the channels that live it is its own quiet quarter.
    for names, value in ((COMPARED, np.nan), (AMONG_QUIET, 0)):
        columns = [RAW_NAMES.index(name) for name in names]
        compared = rows[..., columns]
        compared[alone] = value
        rows[..., columns] = compared


@dataclass(frozen=True, slots=True, eq=False)
class Surroundings:
    """What pass one learnt about the whole recording.

    Attributes
    ----------
    medians : mapping of str to ndarray of shape (n_channels,)
    mains_hz : float or None
        The mains frequency that stands out, if any.
    mains_column : str
        Which of ``mains_50``, ``mains_60`` is used.
    upper_shown : bool
        Whether 65-78 Hz was recorded rather than filtered away.
    """

    medians: dict[str, npt.NDArray[np.float32]]
    mains_hz: float | None
    mains_column: str
    upper_shown: bool


def surroundings(middles: Middles) -> Surroundings:
    """Sum up pass one."""
    medians = middles.medians()
    # One electrode with a dry sponge is enough to tell 50 from 60 Hz.
    strength = {mains_hz: _share_of(medians[f"mains_{mains_hz}"], 1.0) for mains_hz in (50, 60)}
    strongest = max(strength, key=lambda mains_hz: strength[mains_hz])
    usual = _share_of(medians[f"mains_{strongest}"], 0.75)
    named = usual > MAINS_SEEN or strength[strongest] > MAINS_CLEAR
    fall = _middle(medians["band_65_78"] - medians["band_30_45"])
    return Surroundings(
        medians=medians,
        mains_hz=float(strongest) if named else None,
        mains_column=f"mains_{strongest}",
        upper_shown=not fall < ROLLED_OFF,
    )


def _share_of(values: npt.NDArray[np.float32], share: float) -> float:
    """Quantile over the channels; very low where none is known."""
    known = values[np.isfinite(values)]
    return float(np.quantile(known, share)) if known.size else -9.0


def _middle(values: npt.NDArray[np.float32]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else 0.0


def add_context(
    rows: npt.NDArray[np.float32], around: Surroundings, *, channel: int, hop_s: float
) -> npt.NDArray[np.float32]:
    """Complete the feature rows of one channel.

    Parameters
    ----------
    rows : ndarray of shape (n_windows, n_raw)
        Consecutive windows; those near the ends serve as surroundings of the others.
    around : Surroundings
    channel : int
        Row of the channel in the medians.
    hop_s : float

    Returns
    -------
    ndarray of shape (n_windows, n_features)
        Columns `registry.WINDOW_NAMES`.
    """
    column = {name: place for place, name in enumerate(RAW_NAMES)}
    rows = rows.copy()
    for name in OUTSTANDING:
        rows[:, column[name]] = outstanding(rows[:, column[name]], hop_s)
    if not around.upper_shown:
        for name in ("band_65_78", "slope_high", "faster_size"):
            rows[:, column[name]] = np.nan
    middle = {name: float(values[channel]) for name, values in around.medians.items()}
    if not around.upper_shown:
        middle.update(dict.fromkeys(("band_65_78", "slope_high", "faster_size"), np.nan))
    size = max(round(SMOOTH_S / hop_s) // 2 * 2 + 1, 1)
    mains = rows[:, column[around.mains_column]]
    parts = [rows]
    parts += [rows[:, [column[name]]] - np.float32(middle[name]) for name in BASELINED]
    parts += [np.full((len(rows), 1), middle[name], dtype=np.float32) for name in MIDDLES]
    smoothed = rows[:, [*(column[name] for name in SMOOTHED), column[around.mains_column]]]
    smoothed = running_mean(smoothed, size)
    parts.append(smoothed[:, :-1])
    reach = max(round(NEAR_S / hop_s), 1)
    near = rows[:, [column[name] for name in NEAR]]
    parts += [running_largest(near, reach, 0), running_largest(near, reach, reach)]
    parts.append(
        np.stack(
            (
                mains,
                smoothed[:, -1],
                np.full(len(rows), middle[around.mains_column], dtype=np.float32),
                rows[:, column[f"{around.mains_column}_rms"]],
                _hum(mains) - _hum(np.float32(middle[around.mains_column])),
            ),
            axis=1,
        )
    )
    return np.concatenate(parts, axis=1, dtype=np.float32)


def _hum(mains: npt.NDArray[np.float32] | np.float32) -> npt.NDArray[np.float32]:
    """Take mains that no one would see for equally small: their ratio is noise."""
    return np.maximum(mains, np.float32(MAINS_CLEAR))


def running_mean(values: npt.NDArray[np.float32], size: int) -> npt.NDArray[np.float32]:
    """Mean over what is known of `size` rows around each row; NaN where nothing is.

    The first and last row stand for those outside. Own code, for the import of scipy.ndimage
    takes longer than a short recording's features.

    Parameters
    ----------
    values : ndarray of shape (n_rows, n_columns)
    size : int
        Odd.
    """
    half = size // 2
    padded = np.pad(values, ((half, half), (0, 0)), mode="edge")
    return _means(padded, size).astype(np.float32)


def _means(rows: npt.NDArray[np.floating], count: int) -> npt.NDArray[np.float64]:
    """Mean over what is known of so many rows that follow one another; NaN where nothing is."""
    unknown = np.isnan(rows)
    if not unknown.any():
        return _sums(rows, count) / count
    known = _sums(~unknown, count)
    sums = _sums(np.where(unknown, 0, rows), count)
    means: npt.NDArray[np.float64] = np.where(known > 0, sums / np.maximum(known, 1), np.nan)
    return means


def _sums(rows: npt.NDArray[np.generic], count: int) -> npt.NDArray[np.float64]:
    """Sum of so many rows that follow one another."""
    running = np.cumsum(rows, axis=0, dtype=np.float64)
    running = np.concatenate((np.zeros_like(running[:1]), running))
    sums: npt.NDArray[np.float64] = running[count:] - running[:-count]
    return sums


def running_largest(
    values: npt.NDArray[np.float32], before: int, after: int
) -> npt.NDArray[np.float32]:
    """Largest known of some rows before and after each row, itself included.

    Parameters
    ----------
    values : ndarray of shape (n_rows, n_columns)
    before, after : int
    """
    largest = np.pad(values, ((before, after), (0, 0)), mode="edge")
    wanted, reached = before + after + 1, 1
    # Largest of 2, 4, 8... rows that follow one another, until all are covered.
    while reached < wanted:
        step = min(reached, wanted - reached)
        largest = np.fmax(largest[:-step], largest[step:])
        reached += step
    return largest


def outstanding(level_uv: npt.NDArray[np.float32], hop_s: float) -> npt.NDArray[np.float32]:
    """How far each level stands out from the seconds before it and those after it.

    Parameters
    ----------
    level_uv : ndarray of shape (n_rows,), µV
    hop_s : float

    Returns
    -------
    ndarray of shape (n_rows,), log10 µV
        The smaller of the two differences; the floor where the level lies between the two.
    """
    begin, end = (round(away_s / hop_s) for away_s in OUTSTANDING_S)
    count = end - begin + 1
    means = _means(np.pad(level_uv.astype(np.float64), end, mode="edge"), count)
    from_before = level_uv - means[: level_uv.size]
    from_after = level_uv - means[end + begin : end + begin + level_uv.size]
    smaller_uv = np.minimum(np.abs(from_before), np.abs(from_after))
    smaller_uv[from_before * from_after < 0] = 0
    # Where the seconds on one side are unknown nothing stands out from them.
    smaller_uv[np.isnan(smaller_uv) & ~np.isnan(level_uv)] = 0
    logs: npt.NDArray[np.float32] = np.log10(np.maximum(smaller_uv, RMS_FLOOR_UV)).astype(
        np.float32
    )
    return logs


def relate_events(
    features: npt.NDArray[np.float32], slow_level: npt.NDArray[np.float32], leads: Sequence[int]
) -> npt.NDArray[np.float32]:
    """Put event heights in relation to each channel's usual slow activity.

    Parameters
    ----------
    features : ndarray of shape (n_events, n_channels, n_event_features)
    slow_level : ndarray of shape (n_channels,), log10 µV
        Median rms of each channel.
    leads : sequence of int
    """
    related = features.copy()
    levels = slow_level[list(leads)]
    alive = levels[np.isfinite(levels)]
    lead_level = alive.min() if alive.size else np.nan
    related[..., EVENT_NAMES.index("lead_height_above")] -= lead_level
    related[..., EVENT_NAMES.index("own_height_above")] -= slow_level
    return related
