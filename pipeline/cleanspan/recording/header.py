"""The header of EDF, EDF+, BDF and BDF+ files: fields in, facts and warnings out.

Field widths: EDF (Kemp et al. 1992) and EDF+ (Kemp & Olivan 2003), published specifications. BDF
differs in its first eight bytes and in 24-bit samples.

The reader is our own code because no library we know of reads all of EDF, EDF+C, EDF+D, BDF and
BDF+ record by record, with flat memory, and tells what was odd about a header instead of refusing
it or mending it silently (``guides/reading.md`` compares).
"""

import math
import re
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from cleanspan.errors import NotARecordingError
from cleanspan.recording.header_fields import decode, number, parse_start, whole_number

FIXED_BYTES = 256
"""Size of the fixed header part, and of each signal's part."""

SIGNAL_FIELDS = (
    ("label", 16),
    ("transducer", 80),
    ("unit", 8),
    ("physical_min", 8),
    ("physical_max", 8),
    ("digital_min", 8),
    ("digital_max", 8),
    ("prefilter", 80),
    ("samples", 8),
    ("reserved", 32),
)
_LARGEST_PHYSICAL = 1e15
"""Beyond any quantity in any unit: a range above it is damage (and would overflow float32)."""
_ANNOTATION_LABELS = {"edf annotations", "bdf annotations"}


@dataclass(frozen=True, slots=True)
class SignalHeader:
    """One signal as the header describes it.

    Attributes
    ----------
    label, unit, prefilter : str
        Header texts without padding.
    physical_min, physical_max : float
        In `unit`; NaN where the field is not a number.
    digital_min, digital_max : float
        Stored integers that stand for them; NaN where the field is not a number.
    samples : int
        Samples in one data record.
    """

    label: str
    unit: str
    prefilter: str
    physical_min: float
    physical_max: float
    digital_min: float
    digital_max: float
    samples: int

    @property
    def is_annotation(self) -> bool:
        """Whether it holds annotations (TALs) instead of samples."""
        return self.label.lower() in _ANNOTATION_LABELS

    @property
    def calibration(self) -> tuple[float, float] | None:
        """Give (scale, offset): physical = scale * digital + offset; None if uncalibrated."""
        digital = self.digital_max - self.digital_min
        physical = self.physical_max - self.physical_min
        furthest = max(abs(self.physical_min), abs(self.physical_max))
        if not (math.isfinite(digital) and math.isfinite(physical)):
            return None
        if abs(digital) < 1 or physical == 0 or furthest > _LARGEST_PHYSICAL:
            return None
        scale = physical / digital
        return scale, self.physical_min - scale * self.digital_min


@dataclass(frozen=True, slots=True)
class Header:
    """The whole header.

    Attributes
    ----------
    raw : bytes
        The header as stored.
    family : {"EDF", "BDF"}
    continuity : {"", "C", "D"}
        Empty for plain EDF and BDF.
    start : datetime or None
        Start date and time, whole seconds.
    stated_records : int
        Number of data records as the header says; −1 where unknown.
    record_s : float
        Duration of a data record, seconds.
    signals : tuple of SignalHeader
    warnings : tuple of str
    """

    raw: bytes
    family: str
    continuity: str
    start: datetime | None
    stated_records: int
    record_s: float
    signals: tuple[SignalHeader, ...]
    warnings: tuple[str, ...]

    @property
    def sample_bytes(self) -> int:
        """Bytes of one stored sample."""
        return 3 if self.family == "BDF" else 2

    @property
    def record_bytes(self) -> int:
        """Bytes of one data record."""
        return self.sample_bytes * sum(signal.samples for signal in self.signals)

    @property
    def record_s_exact(self) -> Decimal:
        """Duration of a data record exactly as the header has it."""
        text = self.raw[244:252].strip(b" \0").replace(b",", b".")
        return Decimal(text.decode()) if self.record_s else Decimal(0)

    @property
    def format(self) -> str:
        """Name of the format, such as ``EDF+C``."""
        return f"{self.family}+{self.continuity}" if self.continuity else self.family


def family_of(first_bytes: bytes) -> str | None:
    """Tell ``EDF`` or ``BDF`` by a file's first eight bytes, None for anything else."""
    if len(first_bytes) >= 8 and first_bytes[:8].rstrip(b" \0") == b"0":
        return "EDF"
    if first_bytes[:8] == b"\xffBIOSEMI":
        return "BDF"
    return None


def signal_count(fixed: bytes, file_bytes: int) -> int:
    """Read the number of signals and check that the file can hold their headers.

    Raises
    ------
    NotARecordingError
        If it cannot be.
    """
    if len(fixed) < FIXED_BYTES:
        raise NotARecordingError(
            f"an EDF or BDF header has at least {FIXED_BYTES} bytes, the file has {len(fixed)}; "
            "copy the recording again from the recorder"
        )
    count = whole_number(fixed[252:256])
    if count is None or count < 1:
        raise NotARecordingError(
            "the header must state at least one signal, got "
            f"{decode(fixed[252:256])!r}; the file is damaged or not a recording"
        )
    needed = FIXED_BYTES * (count + 1)
    if file_bytes < needed:
        raise NotARecordingError(
            f"the header of {count} signals needs {needed} bytes, the file has {file_bytes}; "
            "copy the recording again from the recorder"
        )
    return count


def parse_header(raw: bytes) -> Header:
    """Read a header of the right length.

    Parameters
    ----------
    raw : bytes
        The first ``256 * (1 + number of signals)`` bytes of the file.

    Returns
    -------
    Header

    Raises
    ------
    NotARecordingError
        If what is needed to find the samples cannot be read.
    """
    warnings: list[str] = []
    family = family_of(raw[:8])
    if family is None:
        raise NotARecordingError("the first eight bytes must be those of EDF or BDF")
    signals = _parse_signals(raw, warnings)
    continuity = _continuity(raw, family, signals, warnings)
    start, odd = parse_start(raw, plus=bool(continuity))
    warnings += odd
    stated_size = whole_number(raw[184:192])
    if stated_size != len(raw):
        warnings.append(
            f"header size: the header says {decode(raw[184:192])!r} bytes, its signals make "
            f"{len(raw)}; {len(raw)} was used"
        )
    if not raw.isascii() and not raw[1:].isascii():
        warnings.append("header text: it holds bytes outside ASCII; read as UTF-8 or Latin-1")
    return Header(
        raw=raw,
        family=family,
        continuity=continuity,
        start=start,
        stated_records=_parse_records(raw, warnings),
        record_s=_parse_record_s(raw, signals, warnings),
        signals=signals,
        warnings=tuple(warnings),
    )


def _parse_signals(raw: bytes, warnings: list[str]) -> tuple[SignalHeader, ...]:
    count = len(raw) // FIXED_BYTES - 1
    columns: dict[str, list[bytes]] = {}
    at = FIXED_BYTES
    for name, width in SIGNAL_FIELDS:
        columns[name] = [raw[at + i * width : at + (i + 1) * width] for i in range(count)]
        at += count * width
    signals = []
    commas = False
    for i in range(count):
        samples = whole_number(columns["samples"][i])
        label = decode(columns["label"][i])
        if samples is None or samples < 0:
            raise NotARecordingError(
                f"signal {i + 1} must state its samples in a record, got "
                f"{decode(columns['samples'][i])!r}; the header is damaged"
            )
        numbers = {}
        for name in ("physical_min", "physical_max", "digital_min", "digital_max"):
            commas = commas or b"," in columns[name][i]
            numbers[name] = number(columns[name][i])
        signals.append(
            SignalHeader(
                label=label,
                unit=decode(columns["unit"][i]),
                prefilter=decode(columns["prefilter"][i]),
                samples=samples,
                **numbers,
            )
        )
    if commas:
        warnings.append("header numbers: decimal commas were read as decimal points")
    return tuple(signals)


def _continuity(
    raw: bytes, family: str, signals: tuple[SignalHeader, ...], warnings: list[str]
) -> str:
    """Tell plain (empty), ``C`` (continuous) or ``D`` (with gaps)."""
    reserved = decode(raw[192:236]).upper()
    has_annotations = any(signal.is_annotation for signal in signals)
    claim = re.match(r"(EDF|BDF)\+([CD])", reserved)
    if claim is None:
        if has_annotations:
            warnings.append(
                f"format: the header says plain {family} but there is an annotation signal; "
                f"read as {family}+C"
            )
            return "C"
        return ""
    if not has_annotations:
        gaps = "; gaps, if any, cannot be known" if claim[2] == "D" else ""
        warnings.append(
            f"format: the header says {claim[0]} but there is no annotation signal; "
            f"read as plain {family}{gaps}"
        )
        return ""
    return claim[2]


def _parse_records(raw: bytes, warnings: list[str]) -> int:
    count = whole_number(raw[236:244])
    if count is None or count < -1:
        warnings.append(
            f"number of records: it must be a whole number, got {decode(raw[236:244])!r}; "
            "counted from the file's size"
        )
        return -1
    return count


def _parse_record_s(raw: bytes, signals: tuple[SignalHeader, ...], warnings: list[str]) -> float:
    duration_s = number(raw[244:252])
    ordinary = any(not signal.is_annotation and signal.samples for signal in signals)
    if ordinary and not 1e-6 <= duration_s <= 1e7:
        raise NotARecordingError(
            "the duration of a data record must be a number of seconds above 0, got "
            f"{decode(raw[244:252])!r}; sampling rates cannot be known without it"
        )
    if not math.isfinite(duration_s) or duration_s < 0:
        warnings.append("record duration: it is not a number; taken as 0")
        return 0.0
    return duration_s
