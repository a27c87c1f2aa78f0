"""The header of a derived EDF+ or BDF+ file, EDF+ specification (Kemp & Olivan 2003) 2.1.3."""

import re
import unicodedata
from dataclasses import dataclass
from datetime import datetime

from cleanspan.recording.header import FIXED_BYTES, SIGNAL_FIELDS, Header
from cleanspan.recording.header_fields import MONTHS, decode

_PATIENT = re.compile(rb"[!-~]+ [MFX] (?:X|\d\d-[A-Z]{3}-\d{4}) [!-~]+(?: [ -~]*)?")
_RECORDING = re.compile(rb"Startdate (X|\d\d-[A-Z]{3}-\d{4}) [!-~]+ [!-~]+ [!-~]+(?: [ -~]*)?")
ANONYMOUS_PATIENT = b"X X X X".ljust(80)
ANONYMOUS_RECORDING = b"Startdate X X X X".ljust(80)
ANONYMOUS_START = b"01.01.8500.00.00"
"""Start of a recording whose date must not be known, as edfio's `anonymize` writes it."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Who and when: the header's first 168 bytes after the version, and start date and time.

    Attributes
    ----------
    patient, recording : bytes
        80 bytes each.
    start : bytes
        ``dd.mm.yyhh.mm.ss``.
    warnings : tuple of str
        What had to be changed so that the fields follow EDF+.
    """

    patient: bytes
    recording: bytes
    start: bytes
    warnings: tuple[str, ...] = ()


def identity_of(header: Header, *, deidentify: bool) -> Identity:
    """Derive a file's identity fields from its source's.

    A patient field that follows EDF+ is copied byte for byte (derived files rule). Free text, as
    plain EDF allows, is moved behind ``X X X X``, which EDF+ demands first and strict readers
    insist on; a recording field that does not begin as EDF+ demands keeps its text after
    ``Startdate ...``.

    Parameters
    ----------
    header : Header
        The source's.
    deidentify : bool
        Whether to write none of it.
    """
    if deidentify:
        return Identity(ANONYMOUS_PATIENT, ANONYMOUS_RECORDING, ANONYMOUS_START)
    warnings: list[str] = []
    start = header.raw[168:184]
    if header.start is None:
        start = ANONYMOUS_START
        warnings.append("start: the source has no possible start date and time; 01.01.85 written")
    patient = header.raw[8:88]
    if not _PATIENT.fullmatch(patient.rstrip()):
        patient = _keeping_text(b"X X X X", patient, "patient", warnings)
    date = startdate(header.start)
    recording = header.raw[88:168]
    named = _RECORDING.fullmatch(recording.rstrip())
    if not named or named[1] not in (b"X", date):
        recording = _keeping_text(
            b"Startdate " + date + b" X X X", recording, "recording", warnings
        )
    return Identity(patient, recording, start, tuple(warnings))


def startdate(start: datetime | None) -> bytes:
    """Write a date as the recording field has it: ``02-MAR-2002``, or ``X``."""
    if start is None:
        return b"X"
    return f"{start.day:02d}-{MONTHS[start.month - 1]}-{start.year:04d}".encode()


def marked_header(
    header: Header, identity: Identity, *, n_records: int, added_samples: int, insert_at: int
) -> bytes:
    """Build the header of a marked copy; the source's signal headers stay as they are.

    Parameters
    ----------
    header : Header
        The source's.
    identity : Identity
    n_records : int
        Data records in the copy.
    added_samples : int
        Samples per record of the added annotation signal; 0 adds none.
    insert_at : int
        Signal number that the added signal gets.

    Returns
    -------
    bytes
    """
    raw = header.raw
    count = len(raw) // FIXED_BYTES - 1
    added = _annotation_fields(header.family, added_samples) if added_samples else {}
    total = count + bool(added)
    columns = []
    at = FIXED_BYTES
    for name, width in SIGNAL_FIELDS:
        cells = [raw[at + i * width : at + (i + 1) * width] for i in range(count)]
        if added:
            cells.insert(insert_at, added[name].ljust(width))
        columns += cells
        at += count * width
    claim = decode(raw[192:197]).upper()
    continuity = header.continuity or (claim[4:5] if claim[3:4] == "+" else "") or "C"
    reserved = f"{header.family}+{continuity}".encode()
    if claim[3:4] == "+" and identity.patient != ANONYMOUS_PATIENT:
        reserved += raw[197:236]
    return fixed_part(
        raw[:8], identity, reserved, n_records, raw[244:252], n_signals=total
    ) + b"".join(columns)


def fixed_part(
    version: bytes,
    identity: Identity,
    reserved: bytes,
    n_records: int,
    record_duration: bytes,
    *,
    n_signals: int,
) -> bytes:
    """Put the header's fixed part together."""
    size = FIXED_BYTES * (n_signals + 1)
    return b"".join(
        (
            version.ljust(8),
            identity.patient,
            identity.recording,
            identity.start,
            str(size).encode().ljust(8),
            reserved.ljust(44)[:44],
            str(n_records).encode().ljust(8),
            record_duration.ljust(8),
            str(n_signals).encode().ljust(4),
        )
    )


def annotation_signal_header(family: str, samples: int) -> bytes:
    """Build the signal header of a file that has an annotation signal only."""
    fields = _annotation_fields(family, samples)
    return b"".join(fields[name].ljust(width) for name, width in SIGNAL_FIELDS)


def _annotation_fields(family: str, samples: int) -> dict[str, bytes]:
    """Fields of an annotation signal (2.2.1): digital range full, physical ends different."""
    bits = 24 if family == "BDF" else 16
    return {
        "label": f"{family} Annotations".encode(),
        "transducer": b"",
        "unit": b"",
        "physical_min": b"-1",
        "physical_max": b"1",
        "digital_min": str(-(2 ** (bits - 1))).encode(),
        "digital_max": str(2 ** (bits - 1) - 1).encode(),
        "prefilter": b"",
        "samples": str(samples).encode(),
        "reserved": b"",
    }


def _keeping_text(begin: bytes, field: bytes, name: str, warnings: list[str]) -> bytes:
    """Write the demanded beginning and as much of the old text after it as fits."""
    letters = unicodedata.normalize("NFKD", decode(field))
    text = "".join(char for char in letters if not unicodedata.combining(char)).encode(
        "ascii", "replace"
    )
    text = b" ".join(text.split())
    result = begin + b" " + text
    if text:
        lost = " (its end had to be cut)" if len(result) > 80 else ""
        warnings.append(f"{name} field: it does not follow EDF+; its text was moved back{lost}")
    return result[:80].ljust(80)
