"""Hostile headers: only a refusal with a reason may come out, never another error."""

import os
import runpy
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cleanspan.errors import CleanspanError
from cleanspan.recording.opening import open_recording
from cleanspan.recording.prefilter import parse_prefilter
from cleanspan.recording.roles import assign_roles, unique_labels
from cleanspan.recording.units import voltage_factor

_bytes = runpy.run_path(str(Path(__file__).parents[1] / "conformance" / "edf_bytes.py"))
Signal, Notes, edf_bytes, stamps = (
    _bytes[name] for name in ("Signal", "Notes", "edf_bytes", "stamps")
)
ONE_PATH = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
VALID = edf_bytes(
    [Signal(), Signal("EEG Fp2-A1A2"), Notes(stamps(4))], reserved="EDF+C", patient="X X X X"
)
NUMBERS = [
    "0",
    "-1",
    "1",
    "99999999",
    "-9999999",
    "1e308",
    "-1e308",
    "nan",
    "inf",
    "1e-300",
    "",
    "0x10",
    "١",
    "1_0",
]
field_text = st.one_of(st.sampled_from(NUMBERS).map(str.encode), st.binary(max_size=12))


def read_all(path):
    """Open and read everything; a refusal is fine."""
    try:
        recording = open_recording(path)
    except CleanspanError:
        return
    try:
        for channel in recording.channels:
            if channel.rate_hz > 0:
                for block in recording.blocks([channel.index], block_s=1.0):
                    assert block.samples_uv.dtype == np.float32
                recording.span([channel.index], -1.0, 3.0)
        assert all("\n" not in text for text in recording.warnings)
    except CleanspanError:
        pass
    finally:
        recording.close()


@ONE_PATH
@given(st.binary(max_size=2000))
def test_any_bytes_after_the_first_eight(tmp_path, tail):
    path = tmp_path / "any.edf"
    path.write_bytes(b"0       " + tail)
    read_all(path)


@ONE_PATH
@given(st.integers(8, 1023), field_text)
def test_any_field_of_a_valid_header_overwritten(tmp_path, at, text):
    path = tmp_path / "field.edf"
    path.write_bytes(VALID[:at] + text + VALID[at + len(text) :])
    read_all(path)


@ONE_PATH
@given(st.lists(st.tuples(st.integers(0, len(VALID) - 1), st.integers(0, 255)), max_size=12))
def test_any_bytes_of_a_valid_file_overwritten(tmp_path, changes):
    content = bytearray(VALID)
    for at, value in changes:
        content[at] = value
    path = tmp_path / "bytes.edf"
    path.write_bytes(content)
    os.truncate(path, max(8, len(content) - 3 * len(changes)))
    read_all(path)


@ONE_PATH
@given(st.lists(st.binary(max_size=60), min_size=4, max_size=4))
def test_any_annotation_bytes(tmp_path, records):
    path = tmp_path / "tal.edf"
    path.write_bytes(edf_bytes([Signal(), Notes(records)], reserved="EDF+D"))
    recording = open_recording(path)
    ends = [piece.onset_s + piece.duration_s for piece in recording.pieces]
    begins = [piece.onset_s for piece in recording.pieces]
    assert all(end <= begin + 1e-9 for end, begin in zip(ends, begins[1:], strict=False))
    assert sum(block.samples_uv.shape[1] for block in recording.blocks([0])) == 40


@given(st.lists(st.text(max_size=16), min_size=1, max_size=20))
def test_any_labels_become_unique_and_get_a_role(labels):
    unique = unique_labels(labels)
    assert len(set(unique)) == len(labels)
    assert len(assign_roles(labels)) == len(labels)


@given(st.text(max_size=80), st.floats(allow_nan=True), st.floats(allow_nan=True))
def test_any_unit_and_prefilter_text(text, low, high):
    voltage_factor(text[:8], low, high)
    band = parse_prefilter(text)
    for value in (band.high_pass_hz, band.low_pass_hz, band.notch_hz):
        assert value is None or value > 0


def test_a_lying_header_allocates_no_memory(tmp_path):
    # 9999 signals of 99,999,999 samples: 2 TB a record in a file of 2.6 MB.
    import tracemalloc

    signals = [Signal("EEG Fp1", samples=99999999) for _ in range(9999)]
    content = edf_bytes(signals, 0, stated_records=99999999)
    path = tmp_path / "lying.edf"
    path.write_bytes(content + bytes(1000))
    tracemalloc.start()
    read_all(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 60e6
