"""EDF, EDF+ and BDF recordings as streams of µV."""

import bisect
import os
from collections.abc import Iterator, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Self

import numpy as np
import numpy.typing as npt

from cleanspan.errors import NotARecordingError
from cleanspan.recording.channels import describe_channels
from cleanspan.recording.clock import Clock
from cleanspan.recording.header import FIXED_BYTES, Header, parse_header, signal_count
from cleanspan.recording.samples import StoredSamples
from cleanspan.types import Block, Channel, Note, Piece

_LARGEST_BLOCK = 1 << 26
"""Samples in a block at the most: a header that lies about time must not fill the memory."""


class EdfRecording:
    """An opened EDF, EDF+, BDF or BDF+ recording; see `cleanspan.types.Recording`.

    Samples of channels that are not a voltage come in the header's unit; those of an uncalibrated
    channel as stored. One recording serves one thread at a time (it has one buffer).

    Parameters
    ----------
    path : Path
        The file; it is opened for reading only.

    Raises
    ------
    NotARecordingError
        If it cannot be read.
    """

    _descriptor = -1

    def __init__(self, path: Path) -> None:
        self.path = path
        self._descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        try:
            self._open()
        except BaseException:
            self.close()
            raise

    def _open(self) -> None:
        warnings: list[str] = []
        self.header = _read_header(self._descriptor)
        self.format = self.header.format
        warnings += self.header.warnings
        signals = self.header.signals
        self.annotation_signals = tuple(i for i, s in enumerate(signals) if s.is_annotation)
        self.ordinary_signals = tuple(i for i, s in enumerate(signals) if not s.is_annotation)
        self.n_records = _count_records(self.header, self._descriptor, warnings)
        self.stored = StoredSamples(
            self._descriptor,
            len(self.header.raw),
            self.header.sample_bytes,
            tuple(signal.samples for signal in signals),
        )
        self.channels: tuple[Channel, ...]
        self.channels, self._scales, odd = describe_channels(self.header)
        warnings += odd
        self._follow_clock(warnings)
        self.warnings: tuple[str, ...] = tuple(warnings)

    def _follow_clock(self, warnings: list[str]) -> None:
        rates = [channel.rate_hz for channel in self.channels if channel.rate_hz > 0]
        clock = Clock(
            self.header.record_s,
            1 / max(rates) if rates else 0.0,
            may_have_gaps=self.header.continuity == "D",
        )
        self.start: datetime | None = self.header.start
        self.notes: tuple[Note, ...] = ()
        self.first_records: tuple[int, ...] = (0,)
        self._stamps_s: tuple[float, ...] = (0.0,)
        self.all_stamped = False
        self._record_s = self.header.record_s_exact
        length_s = self.n_records * self.header.record_s
        self.pieces: tuple[Piece, ...] = (Piece(0.0, length_s),) if rates else ()
        if self.annotation_signals:
            self._follow_records(clock, warnings)
        self._onsets_s = tuple(piece.onset_s for piece in self.pieces)

    def _follow_records(self, clock: Clock, warnings: list[str]) -> None:
        for record in range(self.n_records):
            clock.follow(self.stored.raw(record, i) for i in self.annotation_signals)
        self.notes = clock.notes
        self.all_stamped = clock.all_stamped
        self._stamps_s = clock.stamps_s
        warnings += clock.warnings
        if self.pieces:
            self.pieces = clock.pieces
        self.first_records = clock.first_records
        if self.start is not None:
            with suppress(OverflowError):
                self.start += timedelta(seconds=clock.first_stamp_s)

    @property
    def duration_s(self) -> float:
        """End of the last piece, in seconds from the first sample."""
        return self.pieces[-1].onset_s + self.pieces[-1].duration_s if self.pieces else 0.0

    def digital_limits(self, channel: int) -> tuple[float, float]:
        """Give the stored integers at which a channel is railed (NaN where unknown)."""
        signal = self.header.signals[self.ordinary_signals[channel]]
        return signal.digital_min, signal.digital_max

    def record_at(self, onset_s: float) -> int:
        """Give the index of the data record that a time lies in (or nearest to it)."""
        piece = self._piece_at(onset_s)
        within_s = onset_s - self.pieces[piece].onset_s if self.pieces else 0.0
        record_s = self.header.record_s
        offset = int(within_s / record_s + 1e-9) if record_s else 0
        return self.first_records[piece] + min(max(offset, 0), self._piece_records(piece) - 1)

    def file_time_s(self, onset_s: float) -> float:
        """Turn a time from the first sample into one from the header's start, as TALs have it."""
        piece = self._piece_at(onset_s)
        begin_s = self.pieces[piece].onset_s if self.pieces else 0.0
        return self._stamps_s[piece] + (onset_s - begin_s)

    def record_stamp(self, record: int) -> Decimal:
        """Give the exact time at which a record starts, counted from the header's start."""
        piece = bisect.bisect_right(self.first_records, record) - 1
        within = (record - self.first_records[piece]) * self._record_s
        return Decimal(repr(self._stamps_s[piece])) + within

    def _piece_at(self, onset_s: float) -> int:
        return max(0, bisect.bisect_right(self._onsets_s, onset_s + 1e-9) - 1)

    def blocks(self, channels: Sequence[int], *, block_s: float = 20.0) -> Iterator[Block]:
        """Yield the samples of channels in order, without overlap, pieces apart.

        Parameters
        ----------
        channels : sequence of int
            Indices into `channels`; all of one rate.
        block_s : float
            Longest block; blocks end with a data record where that is possible.

        Yields
        ------
        Block

        Raises
        ------
        ValueError
            If the channels differ in rate, or none is given.
        RecordingError
            If the file shrinks while it is read.
        """
        per_record = self._samples_per_record(channels)
        wanted = max(1, round(block_s * per_record / self.header.record_s))
        wanted = min(wanted, max(1, _LARGEST_BLOCK // len(channels)))
        if wanted > per_record:
            wanted -= wanted % per_record
        for piece in range(len(self.pieces)):
            total = self._piece_records(piece) * per_record
            for first in range(0, total, wanted):
                n = min(wanted, total - first)
                yield Block(piece, first, self._read(piece, first, n, channels))

    def span(
        self, channels: Sequence[int], onset_s: float, duration_s: float
    ) -> npt.NDArray[np.float32]:
        """Read one span; NaN where nothing was recorded.

        Parameters
        ----------
        channels : sequence of int
            Indices into `channels`; all of one rate.
        onset_s, duration_s : float
            Seconds from the recording's first sample.

        Returns
        -------
        ndarray of shape (n_channels, n_samples), float32, µV
        """
        per_record = self._samples_per_record(channels)
        rate_hz = per_record / self.header.record_s
        total = max(0, round(duration_s * rate_hz))
        out = np.full((len(channels), total), np.nan, np.float32)
        for i, piece in enumerate(self.pieces):
            shift = round((onset_s - piece.onset_s) * rate_hz)
            begin = max(0, shift)
            end = min(self._piece_records(i) * per_record, shift + total)
            if begin < end:
                out[:, begin - shift : end - shift] = self._read(i, begin, end - begin, channels)
        return out

    def close(self) -> None:
        """Release the file."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def __del__(self) -> None:
        """Release the file of a recording that nobody closed."""
        self.close()

    def __enter__(self) -> Self:
        """Use in a with statement."""
        return self

    def __exit__(self, *_: object) -> None:
        """Release the file."""
        self.close()

    def _piece_records(self, piece: int) -> int:
        ends = (*self.first_records[1:], self.n_records)
        return ends[piece] - self.first_records[piece]

    def _samples_per_record(self, channels: Sequence[int]) -> int:
        counts = {self.header.signals[self.ordinary_signals[i]].samples for i in channels}
        if len(counts) != 1 or not (count := counts.pop()):
            raise ValueError("channels must be given and have one common sampling rate")
        return count

    def _read(
        self, piece: int, first: int, total: int, channels: Sequence[int]
    ) -> npt.NDArray[np.float32]:
        """Read samples of one piece: the end of a record, whole records, the start of one."""
        signals = tuple(self.ordinary_signals[i] for i in channels)
        count = self.header.signals[signals[0]].samples
        out = np.empty((len(signals), total), np.float32)
        done = 0
        while done < total:
            record, start = divmod(first + done, count)
            record += self.first_records[piece]
            whole = (total - done) // count
            if start == 0 and whole and not self.stored.has_long_records:
                n = whole * count
                self.stored.whole_records(record, whole, signals, out[:, done : done + n])
            else:
                n = min(count - start, total - done)
                part = out[:, done : done + n]
                self.stored.part_of_record(record, signals, (start, start + n), part)
            done += n
        for row, channel in enumerate(channels):
            scale = self._scales[channel]
            out[row] *= scale.factor
            if scale.offset:
                out[row] += scale.offset
        return out


def _read_header(descriptor: int) -> Header:
    size = os.fstat(descriptor).st_size
    count = signal_count(os.pread(descriptor, FIXED_BYTES, 0), size)
    return parse_header(os.pread(descriptor, FIXED_BYTES * (count + 1), 0))


def _count_records(header: Header, descriptor: int, warnings: list[str]) -> int:
    """Count the data records by the file's size and compare with the header."""
    data_bytes = os.fstat(descriptor).st_size - len(header.raw)
    if header.record_bytes == 0:
        raise NotARecordingError(
            "the signals must have samples, got 0 in every signal; the header is damaged"
        )
    present, rest = divmod(data_bytes, header.record_bytes)
    stated = header.stated_records
    if present == 0:
        raise NotARecordingError(
            f"the file must hold at least one data record of {header.record_bytes} bytes, got "
            f"{data_bytes} bytes after the header; copy the recording again from the recorder"
        )
    if stated == -1:
        warnings.append(
            "number of records: unknown in the header (still recording, or the recorder "
            f"stopped without closing the file); {present} were found"
        )
    elif stated > present:
        warnings.append(
            f"number of records: the header says {stated} but the file holds {present}; "
            "the end is missing"
        )
    elif stated < present:
        warnings.append(
            f"number of records: the header says {stated} but the file holds {present}; "
            "all were read"
        )
    if rest:
        warnings.append(f"end of file: {rest} bytes after the last whole record were left out")
    return present
