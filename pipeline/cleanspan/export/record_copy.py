"""Copy data records with one signal added, at the speed of the disk and with flat memory."""

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from cleanspan.errors import RecordingError
from cleanspan.recording.samples import StoredSamples

_STEP_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class RecordCopy:
    """What to copy and what to put in.

    Attributes
    ----------
    stored : StoredSamples
        The source's records.
    n_records : int
    insert_at : int
        Byte in the record before which the added signal goes.
    width : int
        Bytes of the added signal in each record.
    added : callable
        Record → the added signal's bytes, at most `width`.
    replaced : callable or None
        Record → (byte in the source's record, bytes to stand there instead).
    """

    stored: StoredSamples
    n_records: int
    insert_at: int
    width: int
    added: Callable[[int], bytes]
    replaced: Callable[[int], Iterator[tuple[int, bytes]]] | None

    def write_to(self, file: BinaryIO) -> None:
        """Write all records.

        Raises
        ------
        OSError
            If the file cannot be written.
        RecordingError
            If the source shrinks meanwhile.
        """
        if self.stored.has_long_records:
            self._write_long(file)
            return
        before, width = self.insert_at, self.width
        size = self.stored.record_bytes + width
        step = min(self.stored.records_at_once(), max(1, _STEP_BYTES // size))
        out = np.zeros((step, size), np.uint8)
        for first in range(0, self.n_records, step):
            n = min(step, self.n_records - first)
            records = self.stored.whole(first, n)
            out[:n, :before] = records[:, :before]
            out[:n, before + width :] = records[:, before:]
            out[:n, before : before + width] = 0
            for i in range(n):
                for at, data in self._patches(first + i):
                    out[i, at : at + len(data)] = np.frombuffer(data, np.uint8)
            write_all(file, out[:n].data.cast("B"))

    def _patches(self, record: int) -> Iterator[tuple[int, bytes]]:
        """Give (byte in the written record, bytes) to put over the copied ones."""
        if self.width:
            yield self.insert_at, self.added(record)
        if self.replaced is not None:
            for at, data in self.replaced(record):
                yield (at if at < self.insert_at else at + self.width), data

    def _write_long(self, file: BinaryIO) -> None:
        """Copy records that are too long to hold, then put the patches in."""
        source, size = self.stored.descriptor, self.stored.record_bytes
        for record in range(self.n_records):
            begin = file.tell()
            at = self.stored.header_bytes + record * size
            _stream(source, at, self.insert_at, file)
            write_all(file, memoryview(bytes(self.width)))
            _stream(source, at + self.insert_at, size - self.insert_at, file)
            for offset, data in self._patches(record):
                file.seek(begin + offset)
                write_all(file, memoryview(data))
            file.seek(begin + size + self.width)


def write_all(file: BinaryIO, data: memoryview) -> None:
    """Write to an unbuffered file until nothing is left."""
    while data:
        data = data[file.write(data) :]


def _stream(source: int, at: int, count: int, file: BinaryIO) -> None:
    while count:
        data = os.pread(source, min(count, _STEP_BYTES), at)
        if not data:
            raise RecordingError(
                "the file must not change while it is read, but it ended early; "
                "wait until it has been copied, then run again"
            )
        write_all(file, memoryview(data))
        at += len(data)
        count -= len(data)
