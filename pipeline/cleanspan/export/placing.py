"""Which data record holds which annotation, and how much room each record needs."""

from collections.abc import Sequence
from dataclasses import dataclass

RECORD_LIMIT_BYTES = 61_440
"""Largest data record, EDF+ specification 2.1.3 (and EDF, Kemp et al. 1992)."""
_GROWTH_BYTES = 1 << 18
_GROWTH_SHARE = 0.05
"""A burst of marks in one record would enlarge all: above this, its marks go to later records."""


@dataclass(frozen=True, slots=True)
class Placement:
    """The annotation signal to be added.

    Attributes
    ----------
    width : int
        Bytes in each record; 0 where nothing is to be added.
    texts : dict of int to bytes
        Record → its lists, without padding and without time-keeping.
    over_limit : bool
        Whether the records become larger than the specification's limit.
    """

    width: int
    texts: dict[int, bytes]
    over_limit: bool = False


def place(
    lists: Sequence[tuple[int, bytes]],
    n_records: int,
    *,
    record_bytes: int,
    reserved_bytes: int,
    sample_bytes: int,
) -> Placement:
    """Spread annotations over the records, each into the record it lies in where room allows.

    Parameters
    ----------
    lists : sequence of (int, bytes)
        Record that the annotation lies in, and its list; in order of record.
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

    def width_of(room: int) -> int:
        return -(-(room + reserved_bytes) // sample_bytes) * sample_bytes

    if not lists:
        width = width_of(0)
        return Placement(width, {}, over_limit=record_bytes + width > RECORD_LIMIT_BYTES)
    loads: dict[int, int] = {}
    for record, text in lists:
        loads[record] = loads.get(record, 0) + len(text)
    busiest = max(loads.values())
    total = sum(loads.values())
    least = max(-(-total // n_records), *(len(text) for _, text in lists))
    budget = max(_GROWTH_BYTES, int(_GROWTH_SHARE * record_bytes * n_records)) // n_records
    limit = (RECORD_LIMIT_BYTES - record_bytes) // sample_bytes * sample_bytes - reserved_bytes
    room = max(least, min(busiest, budget))
    if least <= limit:
        room = min(room, limit)
    while True:
        texts = _fill(lists, n_records, room)
        if texts is not None:
            width = width_of(room)
            return Placement(width, texts, record_bytes + width > RECORD_LIMIT_BYTES)
        larger = min(busiest, room + max(room // 4, 16))
        room = limit if room < limit < larger else larger


def _fill(
    lists: Sequence[tuple[int, bytes]], n_records: int, room: int
) -> dict[int, bytes] | None:
    """Fill forwards from each list's own record, then what is left over backwards from the end."""
    parts: dict[int, list[bytes]] = {}
    used: dict[int, int] = {}

    def put(record: int, text: bytes) -> None:
        parts.setdefault(record, []).append(text)
        used[record] = used.get(record, 0) + len(text)

    record, left_over = 0, []
    for wanted, text in lists:
        record = max(record, wanted)
        if used.get(record, 0) + len(text) > room:
            record += 1
        if record < n_records:
            put(record, text)
        else:
            left_over.append(text)
    record = n_records - 1
    for text in left_over:
        while record >= 0 and used.get(record, 0) + len(text) > room:
            record -= 1
        if record < 0:
            return None
        put(record, text)
    return {record: b"".join(texts) for record, texts in parts.items()}
