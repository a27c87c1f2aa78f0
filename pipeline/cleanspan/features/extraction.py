"""Features of a whole recording: one pass over the samples, scratch files, then context.

Pass one reads blocks, cuts windows, stores raw features and candidate events on disk, and counts
histograms. Pass two reads them back channel by channel and adds context.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import numpy.typing as npt

from cleanspan.config import Windows
from cleanspan.features import (
    context,
    edges,
    events,
    snaps,
    spatial,
    spectral,
    statistical,
    whole_head,
)
from cleanspan.features.humps import Humps
from cleanspan.features.registry import EVENT_NAMES, RAW_NAMES, SMOOTH_S
from cleanspan.features.slower import Slower
from cleanspan.features.spool import RowFile
from cleanspan.features.windows import (
    CELL_S,
    WINDOW_S,
    Chunk,
    chunks,
    gather,
    window_onsets,
)
from cleanspan.recording.electrodes import position
from cleanspan.types import Channel, Recording, Spectra

Levels = npt.NDArray[np.float32]
EIGHTHS = 8
PASS_TWO_ROWS = 4096
"""Windows of one channel that are completed at once."""
DISTANCE_S = 30.0
"""Electrical distances are taken over this long, s: slow drift of one electrode counts little."""
AT_ONCE_SAMPLES = 240_000
"""Samples of windows that are transformed at once. Arrays of about a megabyte stay in the
processor's cache, and their memory is used again instead of going back to the system."""


@dataclass(frozen=True, slots=True, eq=False)
class EventTimes:
    """When each candidate event begins, peaks and ends; ndarrays of shape (n_events,), s."""

    onset_s: npt.NDArray[np.float64]
    peak_s: npt.NDArray[np.float64]
    end_s: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PairDistances:
    """How far apart the slow signals of each two channels are over the recording.

    Attributes
    ----------
    difference_uv2 : ndarray of shape (n_channels, n_channels), µV²
        Electrical distance: variance of the difference (Tenke & Kayser 2001).
    variance_uv2 : ndarray of shape (n_channels,), µV²
    """

    difference_uv2: npt.NDArray[np.float64]
    variance_uv2: npt.NDArray[np.float64]


class FeatureStore:
    """The features of one recording's channels of one rate, on disk.

    Parameters
    ----------
    recording : Recording
    channels : sequence of Channel
        Scalp channels of one rate.
    windows : Windows
        Grid settings.
    scratch : Path
        Folder for scratch files.

    Attributes
    ----------
    onset_s : ndarray of shape (n_windows,), s
    first : ndarray of shape (n_pieces + 1,)
        The windows of piece ``p`` are ``first[p]:first[p + 1]``.
    rows : RowFile
        Raw features, columns `registry.RAW_NAMES`.
    cells : RowFile
        Extent and level of each sixteenth of a second; piece ``p`` begins at ``first_cell[p]`` and
        has ``n_cells[p]``.
    around : Surroundings
    spectra : Spectra
    pairs : PairDistances
    near : ndarray of shape (n_channels, n_neighbours)
        Rows of the nearest electrodes.
    humps : Humps
    """

    def __init__(
        self, recording: Recording, channels: Sequence[Channel], *, windows: Windows, scratch: Path
    ) -> None:
        self.channels = tuple(channels)
        self.hop_s = windows.hop_s
        rate_hz = channels[0].rate_hz
        self.onset_s, self.first = window_onsets(recording.pieces, rate_hz, windows.hop_s)
        self.pieces = recording.pieces
        self.rows = RowFile(
            scratch / f"features-{channels[0].index}",
            n_channels=len(channels),
            n_windows=self.onset_s.size,
            n_columns=len(RAW_NAMES),
        )
        self._event_path = scratch / f"events-{channels[0].index}"
        self._times_path = scratch / f"event-times-{channels[0].index}"
        self._kept_times: EventTimes | None = None
        self.n_cells = [int(piece.duration_s / CELL_S + 1e-6) for piece in self.pieces]
        self.first_cell = [sum(self.n_cells[:place]) for place in range(len(self.n_cells))]
        self.cells = RowFile(
            scratch / f"cells-{channels[0].index}",
            n_channels=len(channels),
            n_windows=max(sum(self.n_cells), 1),
            n_columns=2,
        )
        try:
            self._pass_one(recording, windows)
        except BaseException:
            self._delete()
            raise

    def _pass_one(self, recording: Recording, windows: Windows) -> None:
        """Read the samples once."""
        worker = _Worker(self.channels)
        middles = context.Middles(len(self.channels))
        with self._event_path.open("wb") as event_file, self._times_path.open("wb") as times_file:
            for chunk in chunks(
                recording,
                [channel.index for channel in self.channels],
                hop_s=windows.hop_s,
                block_s=windows.block_s,
            ):
                first_cell, extremes = worker.cells(chunk)
                place = self.first_cell[chunk.piece] + first_cell
                self.cells.write(place, edges.measures(*extremes))
                rows = worker.window_rows(chunk, windows.hop_s, first_cell, extremes)
                if rows.shape[1]:
                    self.rows.write(int(self.first[chunk.piece]) + chunk.first_window, rows)
                    # Windows overlap: those a whole second apart say all there is to count.
                    apart = round(WINDOW_S / windows.hop_s)
                    middles.add(rows[:, -chunk.first_window % apart :: apart])
                found = worker.events(chunk)
                onset_s = self.pieces[chunk.piece].onset_s
                times = np.stack((found.onset_s, found.peak_s, found.end_s), axis=1)
                times_file.write((onset_s + times).tobytes())
                event_file.write(found.features.tobytes())
        self.leads, self.near, self.humps = worker.leads, worker.near, worker.humps
        self.around = context.surroundings(middles)
        self.spectra = worker.mean_spectra()
        self.pairs = worker.pairs()

    @property
    def times(self) -> EventTimes:
        """When the candidate events lie; read anew each time while the store is open."""
        if self._kept_times is not None:
            return self._kept_times
        columns = np.fromfile(self._times_path).reshape(-1, 3).T
        return EventTimes(*map(np.ascontiguousarray, columns))

    def window_features(self, channel: int) -> Iterator[tuple[int, npt.NDArray[np.float32]]]:
        """Yield (first window, rows of shape (n, n_features)) of one channel, in order."""
        extra = round(SMOOTH_S / self.hop_s / 2) + 1
        for begin, end in zip(self.first[:-1], self.first[1:], strict=True):
            for first in range(int(begin), int(end), PASS_TWO_ROWS):
                last = min(first + PASS_TWO_ROWS, int(end))
                low, high = max(first - extra, int(begin)), min(last + extra, int(end))
                rows = context.add_context(
                    self.rows.read(channel, low, high),
                    self.around,
                    channel=channel,
                    hop_s=self.hop_s,
                )
                yield first, rows[first - low : last - low]

    def event_features(
        self, *, at_once: int = 500
    ) -> Iterator[tuple[int, npt.NDArray[np.float32]]]:
        """Yield (first event, features of shape (n, n_channels, n_event_features)), in order."""
        n_columns = len(self.channels) * len(EVENT_NAMES)
        with self._event_path.open("rb") as file:
            first = 0
            while data := file.read(at_once * n_columns * 4):
                values = np.frombuffer(data, dtype=np.float32)
                values = values.reshape(-1, len(self.channels), len(EVENT_NAMES))
                yield first, context.relate_events(values, self.around.medians["rms"], self.leads)
                first += len(values)

    def close(self) -> None:
        """Delete the scratch files; what `times` says stays known."""
        self._kept_times = self.times
        self._delete()

    def _delete(self) -> None:
        self.rows.close()
        self.cells.close()
        self._event_path.unlink(missing_ok=True)
        self._times_path.unlink(missing_ok=True)

    def __enter__(self) -> Self:
        """Give itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Delete the scratch files whatever happened."""
        self.close()


class _Worker:
    """Turns chunks into features; knows what depends on rate and electrodes only."""

    def __init__(self, channels: tuple[Channel, ...]) -> None:
        self.channels = channels
        self.rate_hz = self.channels[0].rate_hz
        low_pass = [channel.low_pass_hz for channel in self.channels if channel.low_pass_hz]
        self.plan = spectral.plan_spectra(
            self.rate_hz, low_pass_hz=min(low_pass) if low_pass else None
        )
        self.middle_factor = max(round(self.rate_hz / statistical.MIDDLE_RATE_HZ), 1)
        self.slow_factor = max(round(self.rate_hz / statistical.SLOW_RATE_HZ), 1)
        names = [channel.electrode or "" for channel in self.channels]
        self.places = np.array([position(name) for name in names])
        self.leads = events.lead_channels(names)
        self.near = spatial.nearest(self.places)
        self.humps = Humps(len(names), self.leads)
        self.limits_uv = np.array(
            [(channel.lowest_uv, channel.highest_uv) for channel in self.channels],
            dtype=np.float32,
        )
        n_channels = len(self.channels)
        self.density_sum = np.zeros((n_channels, self.plan.frequency_hz.size))
        self.distance_sum = np.zeros((n_channels, n_channels))
        self.variance_sum = np.zeros(n_channels)
        self.n_windows = self.n_distances = 0
        self._made: Slower | None = None

    def window_rows(
        self, chunk: Chunk, hop_s: float, first_cell: int, extremes: tuple[Levels, Levels]
    ) -> npt.NDArray[np.float32]:
        """Raw features of a chunk's windows, ndarray of shape (n_channels, n_windows, n_raw)."""
        windows = chunk.first_window + np.arange(chunk.n_windows)
        starts_s = hop_s * windows.astype(np.float64)
        if not chunk.n_windows:
            return np.empty((len(self.channels), 0, len(RAW_NAMES)), dtype=np.float32)
        made = self._slower(chunk)
        middle, slow = (
            made.cut(made.without_mains(factor), factor, starts_s)
            for factor in (self.middle_factor, self.slow_factor)
        )
        lag = statistical.step_lag(self.slow_rate_hz)
        without = made.without_mains(self.slow_factor)
        wide = made.cut(without, self.slow_factor, starts_s, before=lag)
        spectra = self._spectral(chunk, starts_s)
        parts = (
            spectra,
            statistical.shape_features(middle, self.rate_hz / self.middle_factor),
            statistical.step_features(slow, wide, self.slow_rate_hz),
            self._stuck(starts_s, first_cell, extremes),
            spatial.spatial_features(slow, wide, self.slow_rate_hz, near=self.near),
            spatial.relative_to_quiet(spectra[..., 5])[..., None],
            spatial.relative_to_quiet(spectra[..., 6])[..., None],
            whole_head.whole_head_features(made, starts_s, self.slow_factor),
            snaps.snap_features(made, starts_s, self.middle_factor, near=self.near),
        )
        together = max(round(DISTANCE_S / hop_s), 1)
        # Two channels that differ by their mains alone are not joined: here it counts.
        whole = made.cut(made.whole(self.slow_factor), self.slow_factor, starts_s)
        for first in range(0, whole.shape[1], together):
            self._note_distances(whole[:, first : first + together])
        rows = np.concatenate(parts, axis=2)
        context.forget_comparisons(rows)
        return rows

    @property
    def slow_rate_hz(self) -> float:
        """Rate of the slow signal."""
        return self.rate_hz / self.slow_factor

    def _slower(self, chunk: Chunk) -> Slower:
        """Slower versions of a chunk: kept for as long as it is worked on."""
        if self._made is None or self._made.chunk is not chunk:
            self._made = Slower(chunk, self.rate_hz)
        return self._made

    def _spectral(
        self, chunk: Chunk, starts_s: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float32]:
        """Spectral features, and the running mean spectrum, some channels at a time."""
        length = round(self.rate_hz)
        starts = np.rint(starts_s * self.rate_hz).astype(np.int64) - chunk.first_sample
        at_once = max(AT_ONCE_SAMPLES // (length * len(starts)), 1)
        windows = gather(chunk.samples_uv, starts, length)
        used = np.empty((*windows.shape[:2], self.plan.n_used), dtype=np.float32)
        for first in range(0, len(self.channels), at_once):
            some = slice(first, first + at_once)
            transform = spectral.transforms(windows[some], self.plan)
            # Every fourth window says enough about the mean spectrum, the one use of high bins.
            density = spectral.power(transform[:, ::4])
            logs = np.log10(np.maximum(density, spectral.DENSITY_FLOOR))
            self.density_sum[some] += logs.sum(axis=1)
            used[some] = spectral.power(transform[..., : self.plan.n_used])
        self.n_windows += len(starts[::4])
        return spectral.spectral_features(used, self.plan)

    def cells(self, chunk: Chunk) -> tuple[int, tuple[Levels, Levels]]:
        """First sixteenth of a second of a chunk, and the extremes of all its sixteenths.

        They reach to the end of its last window, or of the piece.
        """
        first = round(chunk.begin_s / CELL_S)
        end_s = (chunk.first_sample + chunk.samples_uv.shape[1]) / self.rate_hz
        last = min(int(end_s / CELL_S + 1e-6), round((chunk.end_s + WINDOW_S) / CELL_S))
        edges = np.rint(np.arange(first, last + 1) * CELL_S * self.rate_hz).astype(np.int64)
        bounds = edges - chunk.first_sample
        if bounds.size < 2:
            nothing = np.empty((len(self.channels), 0), dtype=np.float32)
            return first, (nothing, nothing)
        bounds[-1] = min(bounds[-1], chunk.samples_uv.shape[1])
        return first, statistical.cell_extremes(chunk.samples_uv, bounds)

    def _stuck(
        self, starts_s: npt.NDArray[np.float64], first_cell: int, extremes: tuple[Levels, Levels]
    ) -> Levels:
        """Flat and railed shares."""
        high, low = (
            statistical.in_pairs(extreme, ufunc)
            for extreme, ufunc in zip(extremes, (np.maximum, np.minimum), strict=True)
        )
        eighths = np.rint(starts_s * EIGHTHS).astype(np.int64)[:, None]
        cells = eighths - round(first_cell * CELL_S * EIGHTHS)
        window_cells = np.minimum(cells + np.arange(EIGHTHS), high.shape[1] - 1)
        return statistical.stuck_features(high, low, window_cells, limits_uv=self.limits_uv)

    def events(self, chunk: Chunk) -> events.Events:
        """Candidate blinks of a chunk."""
        made = self._slower(chunk)
        slow = made.without_mains(self.slow_factor)
        if not self.leads:
            slow = slow[:, :0]
        window_s = chunk.begin_s, chunk.end_s
        origin_s = made.first(self.slow_factor) / self.slow_rate_hz
        self.humps.add(slow, self.slow_rate_hz, window_s=window_s, origin_s=origin_s)
        return events.find_events(
            slow,
            self.slow_rate_hz,
            leads=self.leads,
            positions=self.places,
            window_s=window_s,
            origin_s=origin_s,
        )

    def _note_distances(self, slow: npt.NDArray[np.float32]) -> None:
        """Add some seconds' electrical distances of all pairs to the running mean."""
        flat = slow[:, ::2].reshape(slow.shape[0], -1)
        flat = flat - flat.mean(axis=1, keepdims=True)
        covariance = flat @ flat.T / np.float32(flat.shape[1])
        variance = np.diagonal(covariance)
        distance = variance[:, None] + variance[None, :] - 2 * covariance
        self.distance_sum += np.log10(np.maximum(distance, 1e-4))
        self.variance_sum += np.log10(np.maximum(variance, 1e-4))
        self.n_distances += 1

    def mean_spectra(self) -> Spectra:
        """Geometric mean density of each channel."""
        mean = self.density_sum / max(self.n_windows, 1)
        return Spectra(frequency_hz=self.plan.frequency_hz, density_uv2_hz=10**mean)

    def pairs(self) -> PairDistances:
        """Geometric means over the recording."""
        count = max(self.n_distances, 1)
        return PairDistances(10 ** (self.distance_sum / count), 10 ** (self.variance_sum / count))
