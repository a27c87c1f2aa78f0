"""EDF, EDF+ and BDF files byte by byte, so that a test can get any field wrong on purpose."""

from dataclasses import dataclass, field

import numpy as np

WIDTHS = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)


def cell(value, width):
    """Pad a field; bytes are taken as they are."""
    raw = value if isinstance(value, bytes) else str(value).encode()
    return raw.ljust(width)[:width]


@dataclass
class Signal:
    """One signal: header fields as texts, and its stored integers for the whole file."""

    label: object = "EEG Fp1-A1A2"
    digital: np.ndarray = field(default_factory=lambda: np.arange(40) * 7 - 100)
    samples: object = 10
    unit: object = "uV"
    physical: tuple = (-3276.8, 3276.7)
    limits: tuple = (-32768, 32767)
    prefilter: object = ""
    transducer: object = ""
    reserved: object = ""

    def cells(self):
        """Give the ten header fields."""
        return (
            self.label,
            self.transducer,
            self.unit,
            *self.physical,
            *self.limits,
            self.prefilter,
            self.samples,
            self.reserved,
        )


@dataclass
class Notes:
    """One annotation signal: the bytes of each record."""

    records: list
    samples: int = 30
    label: object = "EDF Annotations"

    def cells(self):
        """Give the ten header fields."""
        edges = (-8388608, 8388607) if b"BDF" in cell(self.label, 16) else (-32768, 32767)
        return (self.label, "", "", -1, 1, *edges, "", self.samples, "")


def stamps(n_records, record_s=1.0, begin_s=0.0):
    """Give the time-keeping list of each record."""
    onsets = [begin_s + i * record_s for i in range(n_records)]
    return [
        f"+{round(onset, 9):.9f}".rstrip("0").rstrip(".").encode() + b"\x14\x14\0"
        for onset in onsets
    ]


def edf_bytes(
    signals,
    n_records=4,
    *,
    record_s=1,
    reserved="",
    patient="X X X X",
    recording="Startdate 02-MAR-2026 X X X",
    date="02.03.26",
    time="21.00.00",
    header_bytes=None,
    stated_records=None,
    stated_signals=None,
    bdf=False,
):
    """Put a whole file together."""
    size = 256 * (1 + len(signals))
    parts = [
        b"\xffBIOSEMI" if bdf else cell("0", 8),
        cell(patient, 80),
        cell(recording, 80),
        cell(date, 8),
        cell(time, 8),
        cell(size if header_bytes is None else header_bytes, 8),
        cell(reserved, 44),
        cell(n_records if stated_records is None else stated_records, 8),
        cell(record_s, 8),
        cell(len(signals) if stated_signals is None else stated_signals, 4),
    ]
    columns = zip(*(signal.cells() for signal in signals), strict=True)
    for width, values in zip(WIDTHS, columns, strict=True):
        parts += [cell(value, width) for value in values]
    parts += [_stored(signal, i, bdf=bdf) for i in range(n_records) for signal in signals]
    return b"".join(parts)


def _stored(signal, record, *, bdf):
    width = 3 if bdf else 2
    if isinstance(signal, Notes):
        return signal.records[record].ljust(signal.samples * width, b"\0")
    n = int(signal.samples)
    values = np.asarray(signal.digital)[record * n : (record + 1) * n].astype("<i4")
    if not bdf:
        return values.astype("<i2").tobytes()
    return values.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
