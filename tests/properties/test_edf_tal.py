"""Any annotation that can be said survives writing and reading."""

import re

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from cleanspan.export.placing import RECORD_LIMIT_BYTES, place
from cleanspan.export.tal import annotation, onset_text, seconds_text
from cleanspan.recording.tal import parse_tals, time_stamp

times = st.floats(-1e6, 1e6).map(lambda t: round(t, 6))
durations = st.floats(0, 1e6).map(lambda t: round(t, 6))
texts = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters=[chr(i) for i in range(32)]),
    min_size=1,
    max_size=60,
).filter(lambda text: text.strip())


@given(times, durations, texts)
def test_an_annotation_is_read_as_it_was_written(onset_s, duration_s, text):
    tals, damaged = parse_tals(annotation(onset_s, duration_s, text) + bytes(7))
    assert damaged == 0
    assert [(t.onset_s, t.duration_s, t.texts) for t in tals] == [(onset_s, duration_s, (text,))]


@given(st.floats(-1e9, 1e9))
def test_onsets_are_signed_shortest_decimals_without_exponent(seconds):
    text = onset_text(seconds)
    assert re.fullmatch(r"[+-](0|[1-9]\d*)(\.\d*[1-9])?", text)
    assert text != "-0"
    assert abs(float(text) - seconds) <= 5.1e-7 + abs(seconds) * 1e-15
    assert seconds_text(float(text)).lstrip("+") == text.lstrip("+")


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_counted_as_damaged(raw):
    tals, damaged = parse_tals(raw)
    assert len(tals) + damaged == len([chunk for chunk in raw.split(b"\0") if chunk])


@given(
    st.one_of(
        st.binary(max_size=50),
        st.from_regex(rb"[+-]?[0-9.]{0,12}\x14{0,3}\x00{0,5}", fullmatch=True),
    )
)
def test_the_fast_way_agrees_with_the_full_one(raw):
    quick = time_stamp(raw)
    if quick is not None:
        tals, damaged = parse_tals(raw)
        assert damaged == 0
        assert [(t.onset_s, t.texts) for t in tals] == [(quick, ("",))]


def filled(lists, n_records, **sizes):
    """Place (record, text) pairs; give the placement and what each record holds."""
    wanted = np.array([(record, len(text)) for record, text in lists], np.int32).reshape(-1, 2)
    placed = place(*np.ascontiguousarray(wanted.T), n_records, **sizes)
    texts = list(placed.filled(lambda: (text for _, text in lists), n_records))
    assert len(texts) == n_records
    return placed, texts


@given(
    st.lists(st.tuples(st.integers(0, 39), st.integers(1, 400)), max_size=120),
    st.integers(1, 62_000),
    st.sampled_from([0, 9]),
    st.sampled_from([2, 3]),
)
def test_every_annotation_is_placed_once_and_fits(wanted, record_bytes, reserved, sample_bytes):
    lists = [
        (record, bytes([1 + i % 250]) * size) for i, (record, size) in enumerate(sorted(wanted))
    ]
    placed, texts = filled(
        lists, 40, record_bytes=record_bytes, reserved_bytes=reserved, sample_bytes=sample_bytes
    )
    assert placed.width % sample_bytes == 0
    assert all(len(text) + reserved <= placed.width for text in texts)
    assert sorted(b"".join(texts)) == sorted(b"".join(text for _, text in lists))
    assert placed.over_limit == (record_bytes + placed.width > RECORD_LIMIT_BYTES)
    total = sum(len(text) for _, text in lists)
    if placed.over_limit and record_bytes <= RECORD_LIMIT_BYTES and total:
        # Only where it cannot be helped: too much for the room there is, at half fill.
        room = RECORD_LIMIT_BYTES - record_bytes - reserved - sample_bytes
        assert total > 40 * max(room, 0) / 2 or max(len(text) for _, text in lists) > room


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 60)), min_size=1, max_size=30))
def test_with_room_each_annotation_lies_in_its_own_record(wanted):
    lists = [(record, bytes([1 + i]) * size) for i, (record, size) in enumerate(sorted(wanted))]
    _, texts = filled(lists, 10, record_bytes=1000, reserved_bytes=5, sample_bytes=2)
    for record, text in lists:
        assert text in texts[record]
