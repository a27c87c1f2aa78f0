"""Stored samples of EDF and BDF files: whole data records in, integers out.

Plain positioned reads, no memory map: a map's pages count as the process's memory, which would
grow with the recording's length.
"""

import os
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from cleanspan.errors import RecordingError

_CHUNK_BYTES = 1 << 20
_LONG_RECORD_BYTES = 4 << 20
"""A longer record is read signal by signal."""


@dataclass(slots=True)
class StoredSamples:
    """The data records of an opened file.

    Parameters
    ----------
    descriptor : int
        File descriptor opened for reading.
    header_bytes : int
        Where the first record starts.
    sample_bytes : {2, 3}
        2 in EDF, 3 in BDF.
    counts : tuple of int
        Samples in one record, for each signal.

    Attributes
    ----------
    offsets : tuple of int
        Where each signal's samples begin in a record, in samples.
    """

    descriptor: int
    header_bytes: int
    sample_bytes: int
    counts: tuple[int, ...]
    offsets: tuple[int, ...] = ()
    _record_samples: int = 0
    _buffer: npt.NDArray[np.uint8] = field(default_factory=lambda: np.empty(0, np.uint8))

    def __post_init__(self) -> None:
        """Work out where each signal lies in a record."""
        offsets = [0]
        for count in self.counts:
            offsets.append(offsets[-1] + count)
        self.offsets = tuple(offsets[:-1])
        self._record_samples = offsets[-1]

    @property
    def record_bytes(self) -> int:
        """Bytes of one data record."""
        return self.sample_bytes * self._record_samples

    def raw(self, record: int, signal: int) -> bytes:
        """Read the bytes of one signal in one record."""
        at = self.header_bytes + record * self.record_bytes
        at += self.sample_bytes * self.offsets[signal]
        wanted = self.sample_bytes * self.counts[signal]
        data = os.pread(self.descriptor, wanted, at)
        if len(data) < wanted:
            raise _shrunk()
        return data

    def records_at_once(self) -> int:
        """How many records to read at a time."""
        return max(1, _CHUNK_BYTES // max(1, self.record_bytes))

    @property
    def has_long_records(self) -> bool:
        """Whether a record is too long to be read as a whole."""
        return self.record_bytes > _LONG_RECORD_BYTES

    def whole_records(
        self, first: int, count: int, signals: tuple[int, ...], out: npt.NDArray[np.float32]
    ) -> None:
        """Read whole records of some signals, all of one sample count, into `out`.

        Parameters
        ----------
        first, count : int
            Which records.
        signals : tuple of int
            Which signals.
        out : ndarray of shape (n_signals, count * samples per record), float32
            Takes the stored integers.
        """
        step = self.records_at_once()
        samples = self.counts[signals[0]]
        for done in range(0, count, step):
            n = min(step, count - done)
            stored = self.whole(first + done, n)
            for row, signal in enumerate(signals):
                target = out[row, done * samples : (done + n) * samples].reshape(n, samples)
                target[...] = self._integers(stored, self.offsets[signal], samples)

    def part_of_record(
        self,
        record: int,
        signals: tuple[int, ...],
        between: tuple[int, int],
        out: npt.NDArray[np.float32],
    ) -> None:
        """Read the samples ``between[0]`` to ``between[1]`` of one record into `out`."""
        start, stop = between
        for row, signal in enumerate(signals):
            at = self.header_bytes + record * self.record_bytes
            at += self.sample_bytes * (self.offsets[signal] + start)
            data = os.pread(self.descriptor, self.sample_bytes * (stop - start), at)
            if len(data) < self.sample_bytes * (stop - start):
                raise _shrunk()
            stored = np.frombuffer(data, np.uint8).reshape(1, -1)
            out[row] = self._integers(stored, 0, stop - start)[0]

    def whole(self, first: int, n_records: int) -> npt.NDArray[np.uint8]:
        """Read whole records into a buffer that the next call uses again.

        Returns
        -------
        ndarray of shape (n_records, record_bytes), uint8
        """
        at = self.header_bytes + first * self.record_bytes
        wanted = n_records * self.record_bytes
        if len(self._buffer) < wanted:
            self._buffer = np.empty(wanted, np.uint8)
        view = self._buffer[:wanted].data
        done = 0
        while done < wanted:
            got = os.preadv(self.descriptor, [view[done:]], at + done)
            if got == 0:
                raise _shrunk()
            done += got
        return self._buffer[:wanted].reshape(n_records, self.record_bytes)

    def _integers(
        self, stored: npt.NDArray[np.uint8], offset: int, samples: int
    ) -> npt.NDArray[np.integer]:
        """View (16 bits) or convert (24 bits) the samples of one signal in some records."""
        width = self.sample_bytes
        raw = stored[:, offset * width : (offset + samples) * width]
        if width == 2:
            return raw.view("<i2")
        widened = np.zeros((len(raw), samples, 4), np.uint8)
        widened[:, :, 1:] = raw.reshape(len(raw), samples, 3)
        integers: npt.NDArray[np.int32] = widened.view("<i4")[:, :, 0]
        integers >>= 8
        return integers


def _shrunk() -> RecordingError:
    return RecordingError(
        "the file must not change while it is read, but it ended early; "
        "wait until it has been copied, then run again"
    )
