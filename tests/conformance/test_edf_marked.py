"""Written files against the EDF+ specification (Kemp & Olivan 2003), a test a clause.

The clause numbers and wordings follow the published text ("European data format 'plus' (EDF+), an
EDF alike standard format for the exchange of physiological data", Clin. Neurophysiol. 114).
"""

import random
import re
import runpy
from pathlib import Path

import numpy as np
import pytest

from cleanspan.errors import NotARecordingError, OutputError
from cleanspan.export.marked import derived_name, write_annotations_only, write_marked
from cleanspan.recording.opening import open_recording
from cleanspan.types import Note

_bytes = runpy.run_path(str(Path(__file__).with_name("edf_bytes.py")))
Signal, Notes, edf_bytes, stamps = (
    _bytes[name] for name in ("Signal", "Notes", "edf_bytes", "stamps")
)
N = 30
TAL = re.compile(
    rb"[+-](0|[1-9]\d*)(\.\d*[1-9])?(\x15(0|[1-9]\d*)(\.\d*[1-9])?)?\x14([^\x00-\x08\x0b\x0c\x0e-\x1f]*\x14)+"
)


def eeg(seed=0, samples=10, n_records=N):
    rng = np.random.default_rng(seed)
    return rng.integers(-3000, 3000, samples * n_records)


def signals(bdf=False):
    limits = (-8388608, 8388607) if bdf else (-32768, 32767)
    return [
        Signal(digital=eeg(1), limits=limits, transducer="sponge", prefilter="HP:0.1Hz LP:75Hz"),
        Signal("EEG Fp2-A1A2", eeg(2, 20), 20, limits=limits),
        Signal("ECG", eeg(3), unit="mV", physical=(-5, 5), limits=limits),
    ]


def sources():
    noted = [t + b"+3.5\x152\x14eyes closed\x14\0" * (i == 3) for i, t in enumerate(stamps(N))]
    second = [b"+9\x14cough \xc3\xa4\x14\0" if i == 9 else b"" for i in range(N)]
    gap = [*stamps(10), *stamps(N - 10, begin_s=25.5)]
    return {
        "EDF": edf_bytes(signals(), N),
        "EDF with free texts": edf_bytes(
            signals(), N, patient="Quill F 1950, bed 4", recording="night 2, room 7"
        ),
        "EDF+C": edf_bytes([*signals(), Notes(noted)], N, reserved="EDF+C"),
        "EDF+C, annotations first": edf_bytes(
            [Notes(noted), *signals()], N, reserved="EDF+C", patient="P7 F 02-MAY-1951 Quill_A"
        ),
        "EDF+C, two annotation signals": edf_bytes(
            [signals()[0], Notes(noted), *signals()[1:], Notes(second, 17)], N, reserved="EDF+C"
        ),
        "EDF+C, sub-second start": edf_bytes(
            [*signals(), Notes(stamps(N, begin_s=0.625))], N, reserved="EDF+C"
        ),
        "EDF+D": edf_bytes([*signals(), Notes(gap)], N, reserved="EDF+D"),
        "BDF": edf_bytes(signals(bdf=True), N, bdf=True, reserved="24BIT"),
        "BDF+C": edf_bytes(
            [*signals(bdf=True), Notes(noted, label="BDF Annotations")],
            N,
            bdf=True,
            reserved="BDF+C",
        ),
    }


SOURCES = sources()
MARKS = [
    Note(0.0, 0.31, "blink@@EEG Fp1-A1A2"),
    Note(0.0, 0.31, "blink@@EEG Fp2-A1A2"),
    Note(2.123456, 1.5, "contact loss@@EEG Fp2-A1A2"),
    Note(8.0, 0.0, "Prüfung µV"),
    Note(29.9, 0.1, "BAD_muscle"),
]


def write(tmp_path, name, marks=MARKS, **options):
    suffix = ".bdf" if name.startswith("BDF") else ".edf"
    source, target = tmp_path / f"R{suffix}", tmp_path / f"R_marked{suffix}"
    source.write_bytes(SOURCES[name] if isinstance(name, str) and name in SOURCES else name)
    warnings = write_marked(source, target, marks, **options)
    assert source.read_bytes() == SOURCES[name]
    return target.read_bytes(), warnings, target


class Parsed:
    """A second, plain reading of a file's bytes, independent of the package."""

    def __init__(self, raw):
        self.raw = raw
        self.n = int(raw[252:256])
        self.n_records = int(raw[236:244])
        self.header_bytes = int(raw[184:192])
        self.width = 3 if raw[:1] == b"\xff" else 2
        self.labels = [raw[256 + 16 * i :][:16].strip() for i in range(self.n)]
        self.counts = [int(raw[256 + 216 * self.n + 8 * i :][:8]) for i in range(self.n)]
        self.record_bytes = self.width * sum(self.counts)
        self.annotation = [i for i, label in enumerate(self.labels) if b"Annotations" in label]

    def signal(self, i, record):
        at = self.header_bytes + record * self.record_bytes + self.width * sum(self.counts[:i])
        return self.raw[at : at + self.width * self.counts[i]]

    def header_of(self, i):
        out, at = [], 256
        for width in (16, 80, 8, 8, 8, 8, 8, 80, 8, 32):
            out.append(self.raw[at + width * i : at + width * (i + 1)])
            at += width * self.n
        return out


def everywhere(test):
    return pytest.mark.parametrize("name", SOURCES)(test)


@everywhere
def test_every_stored_byte_and_signal_header_is_copied(name, tmp_path):
    written, _, _ = write(tmp_path, name)
    old, new = Parsed(SOURCES[name]), Parsed(written)
    added = new.n - 1
    assert new.n == old.n + 1
    assert new.n_records == old.n_records == N
    for i in range(old.n):
        assert new.header_of(i) == old.header_of(i)
        for record in range(N):
            assert new.signal(i, record) == old.signal(i, record)
    assert new.labels[added] == (
        b"BDF Annotations" if name.startswith("BDF") else b"EDF Annotations"
    )
    assert len(written) == new.header_bytes + N * new.record_bytes


@everywhere
def test_2_1_3_1_header_texts_are_ascii_and_the_first_fields_say_edf_plus(name, tmp_path):
    written, _, _ = write(tmp_path, name)
    family = b"BDF" if name.startswith("BDF") else b"EDF"
    assert written[:8] == SOURCES[name][:8]
    assert written[192:197] == family + (b"+D" if name == "EDF+D" else b"+C")
    header = written[8 : int(written[184:192])]
    assert all(32 <= byte <= 126 for byte in header)
    assert int(written[184:192]) == 256 * (1 + int(written[252:256]))


@everywhere
def test_2_1_3_3_recording_field_begins_with_startdate(name, tmp_path):
    written, _, _ = write(tmp_path, name)
    field = written[88:168].decode()
    assert re.fullmatch(r"Startdate 02-MAR-2026 \S+ \S+ \S+.*", field)
    assert written[168:184] == SOURCES[name][168:184]
    assert len(field) == 80


def test_2_1_3_3_free_recording_text_is_kept_after_the_demanded_fields(tmp_path):
    written, warnings, _ = write(tmp_path, "EDF with free texts")
    assert written[88:168].rstrip() == b"Startdate 02-MAR-2026 X X X night 2, room 7"
    assert [text.split(":")[0] for text in warnings] == ["patient field", "recording field"]


def test_2_1_3_3_free_patient_text_is_kept_after_the_demanded_fields(tmp_path):
    written, _, _ = write(tmp_path, "EDF with free texts")
    assert written[8:88].rstrip() == b"X X X X Quill F 1950, bed 4"


@pytest.mark.parametrize(
    ("field", "written_as"),
    [
        ("", b"X X X X"),
        ("Müller, Zoë".encode("latin-1"), b"X X X X Muller, Zoe"),
        ("Müller F".encode(), b"X X X X Muller F"),
        ("P" * 80, b"X X X X " + b"P" * 72),
        ("P7 F 02-MAY-1951 Quill_A", b"P7 F 02-MAY-1951 Quill_A"),
    ],
)
def test_2_1_3_3_patient_fields_that_strict_readers_accept(field, written_as, tmp_path):
    import pyedflib

    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    source.write_bytes(edf_bytes([Signal()], patient=field))
    warnings = write_marked(source, target, MARKS[:1])
    assert target.read_bytes()[8:88].rstrip() == written_as
    assert ("had to be cut" in "".join(warnings)) is (len(field) == 80)
    pyedflib.EdfReader(str(target)).close()


@pytest.mark.parametrize("name", [name for name in SOURCES if "free" not in name])
def test_derived_files_copy_the_80_character_patient_field(name, tmp_path):
    written, warnings, _ = write(tmp_path, name)
    assert written[8:88] == SOURCES[name][8:88]
    assert warnings == ()


@pytest.mark.parametrize("name", ["EDF", "BDF+C"])
def test_derived_files_are_named_r_plus_suffix(name, tmp_path):
    path = tmp_path / "R.REC"
    path.write_bytes(SOURCES[name])
    recording = open_recording(path)
    assert derived_name(recording) == f"R_marked{'.bdf' if name == 'BDF+C' else '.edf'}"
    assert derived_name(recording, "-x").startswith("R-x.")


@everywhere
def test_2_2_1_annotation_signal_header(name, tmp_path):
    written, _, _ = write(tmp_path, name)
    new = Parsed(written)
    label, transducer, unit, low, high, dig_low, dig_high, prefilter, samples, _ = new.header_of(
        new.n - 1
    )
    full = (b"-8388608", b"8388607") if new.width == 3 else (b"-32768", b"32767")
    assert (dig_low.strip(), dig_high.strip()) == full
    assert float(low) != float(high)
    assert transducer.strip() == unit.strip() == prefilter.strip() == b""
    assert int(samples) > 0
    assert label.strip() in (b"EDF Annotations", b"BDF Annotations")


@everywhere
def test_2_2_2_tals_follow_the_grammar_start_at_byte_0_and_never_spill(name, tmp_path):
    written, _, _ = write(tmp_path, name)
    new = Parsed(written)
    for record in range(N):
        raw = new.signal(new.n - 1, record)
        filled = raw.rstrip(b"\0")
        if not filled:
            continue
        assert raw[len(filled) : len(filled) + 1] == b"\0"
        for tal in filled.split(b"\0"):
            assert TAL.fullmatch(tal), tal
            tal.decode("utf-8")


@everywhere
def test_2_2_4_each_record_starts_with_its_time_keeping_tal(name, tmp_path):
    written, _, _ = write(tmp_path, name)
    new = Parsed(written)
    onsets = []
    for record in range(N):
        first = new.signal(new.annotation[0], record).split(b"\0")[0]
        keeping = re.match(rb"(\+[0-9.]+)\x14\x14", first)
        assert keeping
        onsets.append(float(keeping[1]))
    begin = 0.625 if "sub-second" in name else 0.0
    expected = begin + np.arange(N)
    if name == "EDF+D":
        expected[10:] += 15.5
    np.testing.assert_allclose(onsets, expected, rtol=0, atol=1e-12)


@everywhere
def test_marks_lie_in_the_record_that_they_begin_in(name, tmp_path):
    written, _, _ = write(tmp_path, name)
    new = Parsed(written)
    begin = 0.625 if "sub-second" in name else 0.0
    for record in range(N):
        for tal in new.signal(new.n - 1, record).rstrip(b"\0").split(b"\0"):
            if tal and not tal.endswith(b"\x14\x14"):
                onset = float(re.match(rb"\+[0-9.]+", tal)[0]) - begin
                if name != "EDF+D" or record < 10:
                    assert record == int(onset)


@everywhere
def test_existing_annotations_stay_and_marks_come_in_order(name, tmp_path):
    _, _, target = write(tmp_path, name)
    before = open_recording(tmp_path / f"R{target.suffix}").notes
    after = open_recording(target).notes
    expected = sorted([*before, *MARKS], key=lambda note: note.onset_s)
    assert sorted(after, key=lambda n: (n.onset_s, n.text)) == sorted(
        expected, key=lambda n: (n.onset_s, n.text)
    )


@pytest.mark.parametrize("name", ["EDF+C", "EDF+C, two annotation signals", "BDF+C"])
def test_dropped_annotations_leave_time_keeping_alone(name, tmp_path):
    written, _, target = write(tmp_path, name, keep_notes=False)
    assert sorted(open_recording(target).notes, key=lambda n: (n.onset_s, n.text)) == sorted(
        MARKS, key=lambda n: (n.onset_s, n.text)
    )
    assert b"eyes closed" not in written
    assert b"cough" not in written
    old, new = Parsed(SOURCES[name]), Parsed(written)
    for i in range(old.n):
        if i not in old.annotation:
            assert all(new.signal(i, r) == old.signal(i, r) for r in range(N))
    assert [new.signal(new.annotation[0], r).rstrip(b"\0") for r in range(N)] == [
        t.rstrip(b"\0") for t in stamps(N)
    ]


def test_a_time_stamp_that_fills_its_signal_is_kept_when_annotations_are_dropped(tmp_path):
    # Found by fuzzing: no zero byte follows a stamp of four bytes in a signal of four bytes.
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    tight = [t.rstrip(b"\0") for t in stamps(4)]
    source.write_bytes(edf_bytes([Signal(), Notes(tight, 2)], 4, reserved="EDF+C"))
    write_marked(source, target, [Note(1, 0, "blink")], keep_notes=False)
    new = Parsed(target.read_bytes())
    assert [new.signal(1, r) for r in range(4)] == tight
    assert open_recording(target).warnings == ()


def test_a_damaged_record_length_of_any_number_of_digits_is_no_arithmetic_error(tmp_path):
    # Found by fuzzing: the time-keeping of a record of 1e308 s has 309 digits.
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    untimed = [stamps(1)[0], b""]
    source.write_bytes(edf_bytes([Notes(untimed, 40)], 2, record_s="1e308", reserved="EDF+C"))
    write_marked(source, target, [Note(1, 0, "blink")], keep_notes=False)
    assert target.stat().st_size > source.stat().st_size


def test_2_1_3_data_records_stay_within_61440_bytes(tmp_path):
    # 60,000 bytes a record leave room for 1,440: a burst of marks has to spread over records.
    wide = [Signal(digital=eeg(5, 30000, 8), samples=30000)]
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    source.write_bytes(edf_bytes(wide, 8))
    marks = [Note(round(3 + i / 1000, 6), 0.5, f"blink@@{'x' * 40} {i}") for i in range(130)]
    assert write_marked(source, target, marks) == ()
    new = Parsed(target.read_bytes())
    assert new.record_bytes <= 61440
    assert sorted(open_recording(target).notes, key=lambda n: n.onset_s) == marks


def test_2_1_3_a_source_above_the_limit_is_copied_with_a_warning(tmp_path):
    wide = [Signal(digital=eeg(5, 40000, 3), samples=40000)]
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    source.write_bytes(edf_bytes(wide, 3))
    warnings = write_marked(source, target, MARKS[:1])
    assert len(warnings) == 1
    assert warnings[0].startswith("record size:")
    assert open_recording(target).notes == tuple(MARKS[:1])


def test_2_1_3_marks_that_cannot_fit_within_the_limit_are_written_with_a_warning(tmp_path):
    wide = [Signal(digital=eeg(5, 30700, 2), samples=30700)]
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    source.write_bytes(edf_bytes(wide, 2))
    marks = [Note(0.001 * i, 0.5, "blink@@EEG Fp1-A1A2") for i in range(40)]
    warnings = write_marked(source, target, marks)
    assert len(warnings) == 1
    assert "61440" in warnings[0]
    assert len(open_recording(target).notes) == 40


def test_a_burst_does_not_enlarge_every_record_of_a_long_recording(tmp_path):
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    n = 20_000
    source.write_bytes(edf_bytes([Signal(digital=eeg(5, 10, n))], n))
    marks = [Note(100 + i / 5000, 0.5, "blink@@EEG Fp1-A1A2") for i in range(4000)]
    write_marked(source, target, marks)
    assert len(open_recording(target).notes) == 4000
    assert target.stat().st_size - source.stat().st_size < 2_000_000


def test_records_of_5_ms_keep_exact_time(tmp_path):
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    source.write_bytes(
        edf_bytes([Signal(digital=eeg(5, 1, 1000), samples=1)], 1000, record_s="0.005")
    )
    write_marked(source, target, [Note(4.9, 0.05, "blink")])
    new = Parsed(target.read_bytes())
    assert new.signal(1, 777).startswith(b"+3.885\x14\x14\0")
    assert new.signal(1, 980).startswith(b"+4.9\x14\x14\0+4.9\x150.05\x14blink\x14\0")


def test_a_record_duration_with_many_decimals_is_summed_without_rounding(tmp_path):
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    source.write_bytes(
        edf_bytes([Signal(digital=eeg(5, 1, 3000), samples=1)], 3000, record_s=".0078125")
    )
    write_marked(source, target, [Note(1, 0, "x")])
    new = Parsed(target.read_bytes())
    assert new.signal(1, 2999).startswith(b"+23.4296875\x14\x14\0")
    assert new.signal(1, 1).startswith(b"+0.0078125\x14\x14\0")


@pytest.mark.parametrize("claim", ["EDF+C", "EDF+D"])
def test_records_without_time_stamps_get_them_in_a_new_first_annotation_signal(claim, tmp_path):
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    bare = [b"", b"+1.5\x14cough\x14\0", b"", b""]
    source.write_bytes(edf_bytes([Signal(), Notes(bare)], 4, reserved=claim))
    write_marked(source, target, [Note(3, 0, "blink")])
    new, old = Parsed(target.read_bytes()), Parsed(source.read_bytes())
    assert new.annotation == [1, 2]
    assert [new.signal(1, r).split(b"\0")[0] for r in range(4)] == [
        f"+{r}".encode() + b"\x14\x14" for r in range(4)
    ]
    assert [new.signal(2, r) for r in range(4)] == [old.signal(1, r) for r in range(4)]
    assert new.header_of(2) == old.header_of(1)
    written = open_recording(target)
    assert [n.text for n in written.notes] == ["cough", "blink"]
    assert written.warnings == ()


def test_without_marks_an_edf_plus_file_gains_nothing(tmp_path):
    written, _, _ = write(tmp_path, "EDF+C", marks=[])
    assert written == SOURCES["EDF+C"]


def test_without_marks_a_plain_file_still_becomes_valid_edf_plus(tmp_path):
    written, _, target = write(tmp_path, "EDF", marks=[])
    assert Parsed(written).n == 4
    assert open_recording(target).warnings == ()


def test_a_crashed_recording_becomes_a_whole_file(tmp_path):
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    source.write_bytes(edf_bytes([Signal()], stated_records=-1)[:-7])
    write_marked(source, target, [Note(1, 0.2, "blink")])
    new = Parsed(target.read_bytes())
    assert new.n_records == 3
    assert open_recording(target).warnings == ()
    assert b"".join(new.signal(0, r) for r in range(3)) == source.read_bytes()[512:][:60]


def test_forbidden_characters_in_a_mark_become_spaces(tmp_path):
    _, _, target = write(tmp_path, "EDF", marks=[Note(1, 0, "a\x14b\x00c\x15d\te")])
    assert open_recording(target).notes[0].text == "a b c d\te"


@pytest.mark.parametrize(
    ("mark", "said"),
    [
        (Note(float("nan"), 1, "x"), "onset"),
        (Note(1, -1, "x"), "duration"),
        (Note(1, float("inf"), "x"), "duration"),
        (Note(1, 1, " "), "text"),
    ],
)
def test_impossible_marks_are_refused_before_anything_is_written(mark, said, tmp_path):
    with pytest.raises(ValueError, match=said):
        write(tmp_path, "EDF", marks=[mark])
    assert [path.name for path in tmp_path.iterdir()] == ["R.edf"]


def test_the_recording_itself_is_never_the_output(tmp_path):
    source = tmp_path / "R.edf"
    source.write_bytes(SOURCES["EDF"])
    link = tmp_path / "link.edf"
    link.symlink_to(source)
    for target in (source, link):
        for writer in (write_marked, write_annotations_only):
            with pytest.raises(
                OutputError, match="must not be the recording itself; choose another folder"
            ):
                writer(source, target, MARKS)
    assert source.read_bytes() == SOURCES["EDF"]


def test_a_source_that_is_no_recording_is_refused_and_nothing_written(tmp_path):
    source = tmp_path / "R.edf"
    source.write_bytes(b"no recording")
    with pytest.raises(NotARecordingError):
        write_marked(source, tmp_path / "out.edf", MARKS)
    assert [path.name for path in tmp_path.iterdir()] == ["R.edf"]


# --- de-identified ---------------------------------------------------------------------------


@everywhere
def test_a_deidentified_copy_holds_neither_names_nor_dates(name, tmp_path):
    written, _, target = write(tmp_path, name, deidentify=True)
    assert written[8:88].rstrip() == b"X X X X"
    assert written[88:168].rstrip() == b"Startdate X X X X"
    assert written[168:184] == b"01.01.8500.00.00"
    for secret in (b"Quill", b"1950", b"1951", b"2026", b"night 2", b"room"):
        assert secret not in written[:256]
    assert {note.text for note in MARKS} <= {note.text for note in open_recording(target).notes}


@pytest.mark.parametrize("keep", [True, False])
def test_a_deidentified_copy_keeps_free_texts_only_when_asked(keep, tmp_path):
    written, _, _ = write(tmp_path, "EDF+C", deidentify=True, keep_notes=keep)
    assert (b"eyes closed" in written) is keep


# --- annotations only ------------------------------------------------------------------------


@everywhere
def test_2_2_5_annotations_only_file(name, tmp_path):
    suffix = ".bdf" if name.startswith("BDF") else ".edf"
    source, target = tmp_path / f"R{suffix}", tmp_path / "R_marks.edf"
    source.write_bytes(SOURCES[name])
    write_annotations_only(source, target, MARKS)
    raw = target.read_bytes()
    new = Parsed(raw)
    assert raw[:8].strip() == b"0"
    assert raw[192:197] == b"EDF+C"
    assert raw[244:252].strip() == b"0"
    assert new.labels == [b"EDF Annotations"]
    begin = b"+0.625" if "sub-second" in name else b"+0"
    assert raw[512:].startswith(begin + b"\x14\x14Recording starts\x14\0")
    if "free" not in name:
        assert raw[8:88] == SOURCES[name][8:88]
    assert raw[168:184] == SOURCES[name][168:184]
    before = open_recording(source)
    after = open_recording(target)
    assert after.start == before.start
    texts = [n for n in after.notes if n.text != "Recording starts"]
    assert sorted(texts, key=lambda n: (n.onset_s, n.text)) == sorted(
        [*before.notes, *MARKS], key=lambda n: (n.onset_s, n.text)
    )


def test_annotations_only_spreads_many_marks_over_records_within_the_limit(tmp_path):
    source, target = tmp_path / "R.edf", tmp_path / "R_marks.edf"
    source.write_bytes(SOURCES["EDF"])
    rng = random.Random(1)
    marks = [Note(round(rng.uniform(0, 29), 3), 0.5, "blink@@EEG Fp1-A1A2") for _ in range(9000)]
    write_annotations_only(source, target, marks, keep_notes=False)
    new = Parsed(target.read_bytes())
    assert new.n_records > 1
    assert new.record_bytes <= 61440
    for record in range(new.n_records):
        assert new.signal(0, record).startswith(b"+0\x14\x14")
    got = [n for n in open_recording(target).notes if n.text.startswith("blink")]
    assert got == sorted(marks, key=lambda n: n.onset_s)


def test_annotations_only_deidentified(tmp_path):
    source, target = tmp_path / "R.edf", tmp_path / "R_marks.edf"
    source.write_bytes(SOURCES["EDF+C"])
    write_annotations_only(source, target, MARKS, deidentify=True, keep_notes=False)
    raw = target.read_bytes()
    assert raw[8:88].rstrip() == b"X X X X"
    assert raw[168:184] == b"01.01.8500.00.00"
    assert b"2026" not in raw
    assert b"eyes closed" not in raw


# --- the specification's own examples --------------------------------------------------------


def test_2_2_2_example_tals_have_the_lengths_that_the_specification_gives():
    from cleanspan.export.tal import annotation
    from cleanspan.recording.tal import parse_tals

    lights = b"+180\x14Lights off\x14Close door\x14\0"
    apnea = annotation(1800.2, 25.5, "Apnea")
    assert len(lights) == 28
    assert apnea == b"+1800.2\x1525.5\x14Apnea\x14\0"
    assert len(apnea) == 20
    tals, damaged = parse_tals(lights + apnea + bytes(30))
    assert damaged == 0
    assert [(t.onset_s, t.duration_s, t.texts) for t in tals] == [
        (180.0, 0.0, ("Lights off", "Close door")),
        (1800.2, 25.5, ("Apnea",)),
    ]
