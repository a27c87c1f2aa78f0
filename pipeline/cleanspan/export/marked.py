"""EDF+ and BDF+ files with our marks: a copy of the recording, or the annotations alone.

Own code: edfio decodes and writes again the annotations that a file has, keeps one annotation
signal of several, puts what is left over into the last record, and holds the file in memory; a
marked copy must keep every stored byte. For annotations alone edfio writes the time-keeping list
and the text ``Recording starts`` as two lists where the specification has them in one.
"""

import heapq
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from cleanspan.atomic import replacing_file
from cleanspan.errors import OutputError
from cleanspan.export.cells import safe_stem
from cleanspan.export.edf_header import (
    ANONYMOUS_PATIENT,
    ANONYMOUS_RECORDING,
    ANONYMOUS_START,
    Identity,
    annotation_signal_header,
    fixed_part,
    identity_of,
    marked_header,
    startdate,
)
from cleanspan.export.placing import RECORD_LIMIT_BYTES, Placement, place
from cleanspan.export.record_copy import RecordCopy
from cleanspan.export.tal import annotation, seconds_text, time_keeping
from cleanspan.recording.edf import EdfRecording
from cleanspan.recording.opening import open_recording
from cleanspan.recording.tal import parse_tals
from cleanspan.types import Note, Recording


def can_copy(recording: Recording) -> bool:
    """Tell whether a marked copy can keep every stored sample: of EDF and BDF recordings only."""
    return isinstance(recording, EdfRecording)


def derived_name(recording: Recording, suffix: str = "_marked") -> str:
    """Name a derived file by the specification's rule: ``R.edf`` gives ``R_marked.edf``.

    Parameters
    ----------
    recording : Recording
        The source.
    suffix : str
        Added to the source's name.

    Returns
    -------
    str
        Ends in ``.bdf`` for BDF sources, else in ``.edf``.
    """
    ending = ".bdf" if recording.format.startswith("BDF") else ".edf"
    return f"{safe_stem(recording.path.name)}{suffix}{ending}"


def write_marked(
    source: Path | Recording,
    target: Path,
    marks: Iterable[Note],
    *,
    deidentify: bool = False,
    keep_notes: bool = True,
) -> tuple[str, ...]:
    """Write a copy of a recording with marks added; stored samples stay as they are.

    Parameters
    ----------
    source : Path or Recording
        EDF, EDF+, BDF or BDF+; read only.
    target : Path
        Written whole or not at all; must not be the source.
    marks : iterable of Note
        Onsets in seconds from the recording's first sample. A collection in order of onset is
        gone through several times, so that its texts are never all held at once.
    deidentify : bool
        Write none of the header's patient, recording and start fields.
    keep_notes : bool
        Keep the annotations that the source has, byte for byte; else only their time-keeping.

    Returns
    -------
    tuple of str
        What a user should know about the copy, one line each.

    Raises
    ------
    NotARecordingError
        If the source cannot be read.
    OutputError
        If the target cannot be written, or the source's format cannot be copied.
    ValueError
        If a mark is impossible.
    """
    with _opened(source) as recording:
        if not isinstance(recording, EdfRecording):
            raise OutputError(
                f"{target}: a marked copy keeps every stored sample, which needs an EDF or BDF "
                f'recording, got {recording.format}; set marked = "annotations-only"'
            )
        _refuse_same_file(recording.path, target)
        copy = _plan_copy(recording, marks, deidentify=deidentify, keep_notes=keep_notes)
        with replacing_file(target) as beside, beside.open("wb", buffering=0) as file:
            file.write(copy.header)
            copy.records.write_to(file)
        return copy.warnings


@dataclass(frozen=True, slots=True)
class _Copy:
    header: bytes
    records: RecordCopy
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Annotations:
    """What the annotation signals of each written record hold."""

    recording: EdfRecording
    texts: Iterator[bytes]
    keeps_time: bool

    def added(self, record: int) -> bytes:
        """Fill the added signal; records come in order."""
        stamp = time_keeping(self.recording.record_stamp(record)) if self.keeps_time else b""
        return stamp + next(self.texts)

    def replaced(self, record: int) -> Iterator[tuple[int, bytes]]:
        """Leave only time-keeping in the source's signals."""
        stored = self.recording.stored
        for number, signal in enumerate(self.recording.annotation_signals):
            kept = _time_keeping_only(stored.raw(record, signal)) if number == 0 else b""
            width = stored.counts[signal] * stored.sample_bytes
            yield stored.offsets[signal] * stored.sample_bytes, kept.ljust(width, b"\0")


def _plan_copy(
    recording: EdfRecording, marks: Iterable[Note], *, deidentify: bool, keep_notes: bool
) -> _Copy:
    """Decide the added signal's place and width, and what each record gets."""
    header, stored = recording.header, recording.stored
    keeps_time = not recording.all_stamped
    # The first annotation signal keeps time: ours comes first where the source's does not.
    source_comes_first = not (keeps_time and recording.annotation_signals)
    insert_at = len(header.signals) if source_comes_first else recording.annotation_signals[0]
    lists = _lists_of(recording, _in_order(marks))
    placement = _place_marks(recording, lists, keeps_time=keeps_time)
    texts = placement.filled(lambda: (text for _, text in lists()), recording.n_records)
    annotations = _Annotations(recording, texts, keeps_time)
    identity = identity_of(header, deidentify=deidentify)
    return _Copy(
        header=marked_header(
            header,
            identity,
            n_records=recording.n_records,
            added_samples=placement.width // header.sample_bytes,
            insert_at=insert_at,
        ),
        records=RecordCopy(
            stored=stored,
            n_records=recording.n_records,
            insert_at=sum(stored.counts[:insert_at]) * header.sample_bytes,
            width=placement.width,
            added=annotations.added,
            replaced=None if keep_notes else annotations.replaced,
        ),
        warnings=(*identity.warnings, *_size_warnings(recording, placement)),
    )


def _size_warnings(recording: EdfRecording, placement: Placement) -> list[str]:
    if not placement.over_limit:
        return []
    text = (
        f"record size: the copy's data records exceed the {RECORD_LIMIT_BYTES} bytes that "
        f"EDF allows (the source's have {recording.header.record_bytes})"
    )
    return [text]


def _longest_stamp(recording: EdfRecording) -> int:
    """Room for any record's time-keeping list: the most digits before and after the point."""
    records = [*recording.first_records, recording.n_records - 1]
    # Texts, not arithmetic: a damaged header may state a record length of any number of digits.
    parts = [seconds_text(recording.record_stamp(record)).partition(".") for record in records]
    whole = max(len(before) for before, _, _ in parts)
    return whole + max(len(after) for _, _, after in parts) + len(b"+..\x14\x14\0")


def _in_order(marks: Iterable[Note]) -> Iterable[Note]:
    """Give marks by onset, to be gone through again; a collection in this order stays as it is."""
    goes_again = iter(marks) is not marks
    if goes_again and all(a.onset_s <= b.onset_s for a, b in pairwise(marks)):
        return marks
    return sorted(marks, key=lambda mark: mark.onset_s)


def _lists_of(
    recording: EdfRecording, marks: Iterable[Note]
) -> Callable[[], Iterator[tuple[int, bytes]]]:
    """Give a callable that goes through the marks: the record each lies in, and its list."""

    def lists() -> Iterator[tuple[int, bytes]]:
        for mark in marks:
            text = annotation(recording.file_time_s(mark.onset_s), mark.duration_s, mark.text)
            yield recording.record_at(mark.onset_s), text

    return lists


def _place_marks(
    recording: EdfRecording, lists: Callable[[], Iterator[tuple[int, bytes]]], *, keeps_time: bool
) -> Placement:
    sized = np.fromiter(((record, len(text)) for record, text in lists()), np.dtype("2i4"))
    wanted, sizes = np.ascontiguousarray(sized.T)
    return place(
        wanted,
        sizes,
        recording.n_records,
        record_bytes=recording.header.record_bytes,
        reserved_bytes=_longest_stamp(recording) if keeps_time else 0,
        sample_bytes=recording.header.sample_bytes,
    )


def _time_keeping_only(raw: bytes) -> bytes:
    """Keep a record's time stamp exactly as it is written, without the texts beside it."""
    first = raw.split(b"\0", 1)[0]
    tals, _ = parse_tals(first)
    if not tals or tals[0].texts[0] != "":
        return b""
    return first[: first.index(b"\x14")] + b"\x14\x14"


def write_annotations_only(
    source: Path | Recording,
    target: Path,
    marks: Iterable[Note],
    *,
    deidentify: bool = False,
    keep_notes: bool = True,
) -> tuple[str, ...]:
    """Write the marks as an EDF+ file without signals (specification 2.2.4 and 2.2.5).

    Its data records last 0 s; the first time-keeping list also says ``Recording starts``.

    Parameters
    ----------
    source : Path or Recording
        Any recording that can be opened.
    target : Path
        Written whole or not at all; must not be the source.
    marks : iterable of Note
        Onsets in seconds from the recording's first sample. A collection in order of onset is
        gone through several times, so that its texts are never all held at once.
    deidentify : bool
        Write none of the header's patient, recording and start fields.
    keep_notes : bool
        Write the source's own annotations as well.

    Returns
    -------
    tuple of str
        What a user should know about the file, one line each.

    Raises
    ------
    NotARecordingError
        If the source cannot be read.
    OutputError
        If the target cannot be written.
    ValueError
        If a mark is impossible.
    """
    with _opened(source) as recording:
        _refuse_same_file(recording.path, target)
        identity, first_s = _identity_without_signals(recording, deidentify=deidentify)
        own = _in_order(recording.notes if keep_notes else ())
        notes = _Merged(own, _in_order(marks))
        sizes = [len(record) for record in _annotation_records(recording, notes, first_s)]
        width = max(sizes) + max(sizes) % 2
        header = fixed_part(b"0", identity, b"EDF+C", len(sizes), b"0", n_signals=1)
        with replacing_file(target) as beside, beside.open("wb") as file:
            file.write(header + annotation_signal_header("EDF", width // 2))
            for record in _annotation_records(recording, notes, first_s):
                file.write(record.ljust(width, b"\0"))
        return identity.warnings


def _identity_without_signals(recording: Recording, *, deidentify: bool) -> tuple[Identity, float]:
    """Give the identity fields and the first sample's time after the header's start."""
    if isinstance(recording, EdfRecording):
        identity = identity_of(recording.header, deidentify=deidentify)
        return identity, recording.file_time_s(0.0)
    start = recording.start
    if deidentify or start is None or not 1985 <= start.year <= 2084:
        return Identity(ANONYMOUS_PATIENT, ANONYMOUS_RECORDING, ANONYMOUS_START), 0.0
    recorded = (b"Startdate " + startdate(start) + b" X X X").ljust(80)
    clock = start.strftime("%d.%m.%y%H.%M.%S").encode()
    return Identity(ANONYMOUS_PATIENT, recorded, clock), start.microsecond / 1e6


@dataclass(frozen=True, slots=True)
class _Merged:
    """Two collections by onset, gone through as one."""

    first: Iterable[Note]
    second: Iterable[Note]

    def __iter__(self) -> Iterator[Note]:
        return heapq.merge(self.first, self.second, key=lambda note: note.onset_s)


def _annotation_records(
    recording: Recording, notes: Iterable[Note], first_s: float
) -> Iterator[bytearray]:
    """Fill as many records as the size limit asks for; each begins with its time-keeping list."""

    def file_time_s(onset_s: float) -> float:
        if isinstance(recording, EdfRecording):
            return recording.file_time_s(onset_s)
        return onset_s + first_s

    stamp = time_keeping(first_s)
    record = bytearray(stamp[:-1] + b"Recording starts\x14\0")
    for note in notes:
        text = annotation(file_time_s(note.onset_s), note.duration_s, note.text)
        if len(record) + len(text) > RECORD_LIMIT_BYTES:
            yield record
            record = bytearray(stamp)
        record += text
    yield record


@contextmanager
def _opened(source: Path | Recording) -> Iterator[Recording]:
    """Open a path and close it again; leave an opened recording open."""
    if not isinstance(source, Path):
        yield source
        return
    recording = open_recording(source)
    try:
        yield recording
    finally:
        recording.close()


def _refuse_same_file(source: Path, target: Path) -> None:
    if target.exists() and source.exists() and target.samefile(source):
        raise OutputError(
            f"{target}: the output must not be the recording itself; choose another folder"
        )
