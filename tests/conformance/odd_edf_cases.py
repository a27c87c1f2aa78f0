"""Recordings as they come in practice: what each must lead to.

Every case is (bytes of the file, what must be said): ``reads`` with words of the warnings, in
order (none: read silently), or ``refuses`` with words of the reason. The first signal of a case
that is read holds the digital values 7·i − 100 for sample i unless `digital` says otherwise.
"""

import runpy
from dataclasses import dataclass
from pathlib import Path

import numpy as np

_bytes = runpy.run_path(str(Path(__file__).with_name("edf_bytes.py")))
Signal, Notes, edf_bytes, stamps = (
    _bytes[name] for name in ("Signal", "Notes", "edf_bytes", "stamps")
)


@dataclass(frozen=True)
class Case:
    """One odd file and what cleanspan must do with it."""

    name: str
    content: bytes
    verdict: str
    words: tuple = ()
    what: str = ""
    samples: int = 40
    suffix: str = ".edf"


def ramp(n=40):
    """Give n different digital values."""
    return np.arange(n) * 7 - 100


def edited(content, at, value):
    """Overwrite bytes of a file."""
    return content[:at] + value + content[at + len(value) :]


def plus(signals=None, tals=None, **fields):
    """Give an EDF+C file of four records with one EEG channel."""
    tals = stamps(4) if tals is None else tals
    return edf_bytes([*(signals or [Signal()]), Notes(tals)], reserved="EDF+C", **fields)


def _gap(tals, reserved):
    return edf_bytes([Signal(), Notes(tals)], reserved=reserved)


def _long_record():
    return edf_bytes([Signal(digital=ramp(2400) % 3000, samples=1200)], 2, record_s=60)


def _big_records():
    wide = np.resize(ramp(4000), 80000)
    return edf_bytes([Signal(digital=wide, samples=40000)], 2)


def all_cases():
    """Give every case, in the order of the guide's table."""
    plain = edf_bytes([Signal()])
    one = 256 * 2
    uneven = [Signal(), Signal("EOG left", ramp(20), 5), Signal("EEG Fp2-A1A2", ramp(40), 10)]
    t = stamps(4)
    return [
        Case("plain EDF", plain, "reads"),
        Case("EDF+C", plus(), "reads"),
        Case(
            "BDF+C",
            edf_bytes(
                [Signal(limits=(-8388608, 8388607)), Notes(t, label="BDF Annotations")],
                reserved="BDF+C",
                bdf=True,
            ),
            "reads",
            suffix=".bdf",
        ),
        Case(
            "two annotation signals",
            edf_bytes(
                [
                    Signal(),
                    Notes([text + b"+1\x14one\x14\0" * (i == 0) for i, text in enumerate(t)]),
                    Notes([b"+2\x151\x14two\x14\0" * (i == 3) for i in range(4)]),
                ],
                reserved="EDF+C",
            ),
            "reads",
            what="annotations of all are read",
        ),
        Case(
            "records of 5 ms",
            edf_bytes(
                [Signal(samples=1), Notes(stamps(40, 0.005))], 40, record_s=0.005, reserved="EDF+C"
            ),
            "reads",
        ),
        Case("records of a minute", _long_record(), "reads", samples=2400),
        Case("records above 61,440 bytes", _big_records(), "reads", samples=80000),
        Case("sampling rates differ by channel", edf_bytes(uneven), "reads"),
        Case(
            "sub-second start",
            plus(tals=stamps(4, begin_s=0.25)),
            "reads",
            what="start and annotations shifted by the first time stamp",
        ),
        Case(
            "EDF+D with a gap",
            _gap([t[0], t[1], *stamps(2, begin_s=7.5)], "EDF+D"),
            "reads",
            what="two pieces; no window spans the gap",
        ),
        Case(
            "EDF+D without a gap, stamps rounded",
            _gap(
                [b"+0\x14\x14\0", b"+1.0004\x14\x14\0", b"+1.9996\x14\x14\0", b"+3\x14\x14\0"],
                "EDF+D",
            ),
            "reads",
            what="one piece",
        ),
        Case(
            "EDF+C whose time stamps jump",
            _gap([t[0], t[1], *stamps(2, begin_s=7.5)], "EDF+C"),
            "reads",
            ("record times: they jump 1 times",),
            what="two pieces, as if EDF+D",
        ),
        Case(
            "EDF+C whose time stamps step back",
            _gap([t[0], t[1], *stamps(2, begin_s=0.5)], "EDF+C"),
            "reads",
            ("record times: they step back 1 times",),
            what="stored order kept, cut at the step",
        ),
        Case(
            "records without a time stamp",
            _gap([t[0], b"", b"", t[3]], "EDF+C"),
            "reads",
            ("record times: 2 of 4 records have no time stamp",),
        ),
        Case(
            "damaged annotation",
            _gap([t[0] + b"+0.5no end\0", *t[1:]], "EDF+C"),
            "reads",
            ("annotations: 1 could not be read",),
        ),
        Case(
            "wrong header-byte count",
            edf_bytes([Signal()], header_bytes=1024),
            "reads",
            ("header size: the header says '1024'",),
        ),
        Case(
            "EDF+C claimed, no annotation signal",
            edf_bytes([Signal()], reserved="EDF+C"),
            "reads",
            ("format: the header says EDF+C but there is no annotation signal",),
        ),
        Case(
            "EDF+D claimed, no annotation signal",
            edf_bytes([Signal()], reserved="EDF+D"),
            "reads",
            ("gaps, if any, cannot be known",),
        ),
        Case(
            "annotation signal in plain EDF",
            edf_bytes([Signal(), Notes(t)]),
            "reads",
            ("format: the header says plain EDF but there is an annotation signal",),
        ),
        Case(
            "−1 records (still recording, or crashed)",
            edf_bytes([Signal()], stated_records=-1),
            "reads",
            ("number of records: unknown in the header",),
        ),
        Case(
            "fewer records than stated",
            edf_bytes([Signal()], stated_records=9),
            "reads",
            ("number of records: the header says 9 but the file holds 4; the end is missing",),
        ),
        Case(
            "more records than stated",
            edf_bytes([Signal()], stated_records=2),
            "reads",
            ("number of records: the header says 2 but the file holds 4; all were read",),
        ),
        Case(
            "number of records unreadable",
            edf_bytes([Signal()], stated_records="many"),
            "reads",
            ("number of records: it must be a whole number, got 'many'", "unknown in the header"),
        ),
        Case(
            "bytes after the last record",
            plain + b"\n",
            "reads",
            ("end of file: 1 bytes after the last whole record",),
        ),
        Case(
            "cut inside a record",
            plain[:-7],
            "reads",
            ("the file holds 3; the end is missing", "end of file: 13 bytes"),
            samples=30,
        ),
        Case(
            "cut inside the first record",
            plain[: one + 9],
            "refuses",
            ("at least one data record",),
        ),
        Case(
            "cut inside the header", plain[:300], "refuses", ("needs 512 bytes, the file has 300",)
        ),
        Case("no records", plain[:one], "refuses", ("at least one data record",)),
        Case("empty file", b"", "refuses", ("got an empty file",)),
        Case(
            "another content under the name .edf",
            b"\x1f\x8b\x08\x00" + bytes(400),
            "refuses",
            ("an EDF file must begin with",),
        ),
        Case(
            "number of signals unreadable",
            edf_bytes([Signal()], stated_signals="two"),
            "refuses",
            ("must state at least one signal, got 'two'",),
        ),
        Case(
            "more signals stated than the file can hold",
            edf_bytes([Signal()], stated_signals=9999),
            "refuses",
            ("the header of 9999 signals needs 2560000 bytes",),
        ),
        Case(
            "samples in a record unreadable",
            edited(plain, 256 + 216, b"ten     "),
            "refuses",
            ("signal 1 must state its samples in a record, got 'ten'",),
        ),
        Case(
            "huge samples in a record",
            edited(plain, 256 + 216, b"99999999"),
            "refuses",
            ("at least one data record of 199999998 bytes",),
        ),
        Case(
            "record duration 0 with signals",
            edf_bytes([Signal()], record_s=0),
            "refuses",
            ("the duration of a data record must be a number of seconds above 0, got '0'",),
        ),
        Case(
            "bytes outside ASCII: Latin-1",
            edf_bytes([Signal(unit=b"\xb5V", transducer=b"Schw\xe4mmchen")]),
            "reads",
            ("header text: it holds bytes outside ASCII",),
            what="µV understood",
        ),
        Case(
            "bytes outside ASCII: UTF-8",
            edf_bytes([Signal(unit="µV")]),
            "reads",
            ("header text: it holds bytes outside ASCII",),
            what="µV understood",
        ),
        Case(
            "fields padded with zero bytes",
            edf_bytes([Signal(label=b"Fp1".ljust(16, b"\0"), unit=b"uV".ljust(8, b"\0"))]),
            "reads",
        ),
        Case(
            "start date missing",
            edf_bytes([Signal()], date="", time="", recording=""),
            "reads",
            ("start date: it is missing or impossible",),
        ),
        Case(
            "start date absurd",
            edf_bytes([Signal()], date="42.13.26", recording=""),
            "reads",
            ("start date: it is missing or impossible",),
        ),
        Case(
            "start time absurd",
            edf_bytes([Signal()], time="25.61.00"),
            "reads",
            ("start time: it is missing or impossible",),
        ),
        Case(
            "the two start dates differ",
            plus(recording="Startdate 03-MAR-2026 X X X"),
            "reads",
            ("start date: the header's two start dates differ",),
        ),
        Case(
            "physical minimum above maximum",
            edf_bytes([Signal(physical=(3276.7, -3276.8))]),
            "reads",
            ("polarity: EEG Fp1-A1A2: the header turns the signal over",),
            what="signal turned over as the header asks",
        ),
        Case(
            "digital minimum above maximum",
            edf_bytes([Signal(limits=(32767, -32768))]),
            "reads",
            ("polarity: EEG Fp1-A1A2",),
            what="signal turned over as the header asks",
        ),
        Case(
            "physical minimum equals maximum",
            edf_bytes([Signal(physical=(0, 0)), Signal("EEG Fp2-A1A2")]),
            "reads",
            ("not screened: EEG Fp1-A1A2: physical or digital minimum",),
            what="the other channels are screened",
        ),
        Case(
            "digital minimum equals maximum",
            edf_bytes([Signal(limits=(0, 0)), Signal("EEG Fp2-A1A2")]),
            "reads",
            ("not screened: EEG Fp1-A1A2: physical or digital minimum",),
            what="the other channels are screened",
        ),
        Case(
            "physical range unreadable",
            edf_bytes([Signal(physical=("low", "high")), Signal("EEG Fp2-A1A2")]),
            "reads",
            ("not screened: EEG Fp1-A1A2: physical or digital",),
            what="the other channels are screened",
        ),
        Case(
            "physical maximum beyond any quantity",
            edf_bytes([Signal(physical=(0, "9e99")), Signal("EEG Fp2-A1A2", physical=(0, "x"))]),
            "reads",
            ("not screened: EEG Fp1-A1A2, EEG Fp2-A1A2: physical or digital",),
        ),
        Case(
            "decimal commas",
            edf_bytes([Signal(physical=("-3276,8", "3276,7"))]),
            "reads",
            ("header numbers: decimal commas",),
        ),
        Case(
            "unit absent, range like µV",
            edf_bytes([Signal(unit="")]),
            "reads",
            ("unit: EEG Fp1-A1A2: the unit is absent; taken as µV",),
        ),
        Case(
            "unit absent, range unlike µV",
            edf_bytes([Signal(unit="", physical=(-1, 1))]),
            "reads",
            ("not screened: EEG Fp1-A1A2: the unit is absent and its range of ±1",),
        ),
        Case(
            "unit is no voltage",
            edf_bytes([Signal(unit="degC")]),
            "reads",
            ("not screened: EEG Fp1-A1A2: the unit 'degC' is not a voltage",),
        ),
        Case(
            "duplicate labels",
            edf_bytes([Signal(), Signal(), Signal()]),
            "reads",
            ("labels: EEG Fp1-A1A2: more than once",),
            what="the repeats end in #2, #3",
        ),
        Case(
            "empty label",
            edf_bytes([Signal(), Signal("")]),
            "reads",
            ("labels: a channel without a label is called unnamed",),
        ),
        Case(
            "a signal without samples",
            edf_bytes([Signal(), Signal("EEG Fp2-A1A2", ramp(0), 0)]),
            "reads",
            ("not screened: EEG Fp2-A1A2: no samples",),
        ),
        Case(
            "derivations between scalp electrodes",
            edf_bytes([Signal("Fp1-F7"), Signal("F7-T3")]),
            "reads",
            ("not screened: Fp1-F7, F7-T3: a derivation",),
        ),
        Case(
            "annotations only",
            edf_bytes(
                [Notes([b"+0\x14\x14Recording starts\x14\0+3\x14Lights off\x14\0"], samples=40)],
                1,
                record_s=0,
                reserved="EDF+C",
            ),
            "reads",
            what="opened; no channel to screen",
            samples=0,
        ),
    ]
