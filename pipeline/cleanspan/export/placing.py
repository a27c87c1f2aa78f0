"""Which data record holds which annotation, and how much room each record needs."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np
import numpy.typing as npt

Whole = npt.NDArray[np.int32]

RECORD_LIMIT_BYTES = 61_440
"""Largest data record, EDF+ specification 2.1.3 (and EDF, Kemp et al. 1992)."""
_GROWTH_BYTES = 1 << 18
_GROWTH_SHARE = 0.05
"""A burst of marks in one record would enlarge all: above this, its marks go to later records."""


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """The annotation signal to be added.

    Attributes
    ----------
    width : int
        Bytes in each record; 0 where nothing is to be added.
    record : ndarray of shape (n_lists,)
        The record that each list goes to.
    n_forwards : int
        The first so many lists are placed in order of record, the rest backwards from the end.
    over_limit : bool
        Whether the records become larger than the specification's limit.
    """

    width: int
    record: Whole
    n_forwards: int
    over_limit: bool = False

    def filled(self, lists: Callable[[], Iterable[bytes]], n_records: int) -> Iterator[bytes]:
        """Yield each record's lists, without padding and without time-keeping.

        Parameters
        ----------
        lists : callable
            Gives the lists that were placed, in the same order, each time it is called: they are
            never all held at once.
        n_records : int
        """
        behind: dict[int, bytes] = {}
        if self.n_forwards < len(self.record):
            late = islice(lists(), self.n_forwards, None)
            for record, text in zip(self.record[self.n_forwards :].tolist(), late, strict=True):
                behind[record] = behind.get(record, b"") + text
        ahead = zip(self.record[: self.n_forwards].data, lists(), strict=False)
        place, text = next(ahead, (n_records, b""))
        for record in range(n_records):
            mine = []
            while place == record:
                mine.append(text)
                place, text = next(ahead, (n_records, b""))
            yield b"".join((*mine, behind.get(record, b"")))


def place(
    wanted: Whole,
    sizes: Whole,
    n_records: int,
    *,
    record_bytes: int,
    reserved_bytes: int,
    sample_bytes: int,
) -> Placement:
    """Spread annotations over the records, each into the record it lies in where room allows.

    Parameters
    ----------
    wanted : ndarray of shape (n_lists,)
        Record that each annotation lies in; sorted.
    sizes : ndarray of shape (n_lists,)
        Bytes of its list.
    n_records : int
        Number of data records.
    record_bytes : int
        Size of a record before the signal is added.
    reserved_bytes : int
        Room for the time-keeping list in each record; 0 where another signal has it.
    sample_bytes : {2, 3}
        The width is a multiple of it.

    Returns
    -------
    Placement
    """

    def placement(room: int, record: Whole, n_forwards: int) -> Placement:
        width = -(-(room + reserved_bytes) // sample_bytes) * sample_bytes
        return Placement(width, record, n_forwards, record_bytes + width > RECORD_LIMIT_BYTES)

    if not len(wanted):
        return placement(0, wanted, 0)
    busiest = _busiest(wanted, sizes)
    total = int(sizes.sum(dtype=np.int64))
    least = max(-(-total // n_records), int(sizes.max()))
    budget = max(_GROWTH_BYTES, int(_GROWTH_SHARE * record_bytes * n_records)) // n_records
    limit = (RECORD_LIMIT_BYTES - record_bytes) // sample_bytes * sample_bytes - reserved_bytes
    room = max(least, min(busiest, budget))
    if least <= limit:
        room = min(room, limit)
    while True:
        if room >= busiest:
            return placement(room, wanted, len(wanted))
        filled = _fill(wanted, sizes, n_records, room)
        if filled is not None:
            return placement(room, *filled)
        larger = min(busiest, room + max(room // 4, 16))
        room = limit if room < limit < larger else larger


def _busiest(wanted: Whole, sizes: Whole) -> int:
    """Bytes of the record in which most lie."""
    first = np.flatnonzero(np.diff(wanted, prepend=-1))
    return int(np.add.reduceat(sizes, first, dtype=np.int64).max())


def _fill(wanted: Whole, sizes: Whole, n_records: int, room: int) -> tuple[Whole, int] | None:
    """Fill forwards from each list's own record, then what is left over backwards from the end.

    Returns the record of each list and how many went forwards; None where the room is too small.
    """
    placed = np.empty(len(wanted), dtype=np.int32)
    used: dict[int, int] = {}
    record, n_forwards = 0, len(wanted)
    for item, (own, size) in enumerate(zip(wanted.data, sizes.data, strict=True)):
        record = max(record, own)
        if used.get(record, 0) + size > room:
            record += 1
        if record >= n_records:
            n_forwards = item
            break
        placed[item] = record
        used[record] = used.get(record, 0) + size
    record = n_records - 1
    for item in range(n_forwards, len(wanted)):
        size = int(sizes[item])
        while record >= 0 and used.get(record, 0) + size > room:
            record -= 1
        if record < 0:
            return None
        placed[item] = record
        used[record] = used.get(record, 0) + size
    return placed, n_forwards
