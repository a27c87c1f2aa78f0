"""Whatever a recording's layout, a marked copy keeps its bytes and reads back its marks."""

import runpy
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cleanspan.export.marked import write_marked
from cleanspan.recording.opening import open_recording
from cleanspan.types import Note

_bytes = runpy.run_path(str(Path(__file__).parents[1] / "conformance" / "edf_bytes.py"))
Signal, Notes, edf_bytes, stamps = (
    _bytes[name] for name in ("Signal", "Notes", "edf_bytes", "stamps")
)


@st.composite
def layouts(draw):
    """Give a file's bytes with its layout drawn at random."""
    n_records = draw(st.integers(1, 12))
    record_s = draw(st.sampled_from(["0.005", "0.5", "1", "2.5", "10", "60"]))
    bdf = draw(st.booleans())
    counts = draw(st.lists(st.integers(1, 40), min_size=1, max_size=5))
    rng = np.random.default_rng(draw(st.integers(0, 99)))
    limit = 2 ** (23 if bdf else 15)
    signals = [
        Signal(f"S{i}", rng.integers(-limit, limit, n * n_records), n, limits=(-limit, limit - 1))
        for i, n in enumerate(counts)
    ]
    plus = draw(st.sampled_from(["", "C", "D"]))
    if plus:
        begin_s = draw(st.sampled_from([0, 0.25]))
        texts = stamps(n_records, float(record_s), begin_s)
        label = f"{'BDF' if bdf else 'EDF'} Annotations"
        signals.insert(draw(st.integers(0, len(signals))), Notes(texts, 20, label))
    family = "BDF" if bdf else "EDF"
    content = edf_bytes(
        signals, n_records, record_s=record_s, reserved=f"{family}+{plus}" if plus else "", bdf=bdf
    )
    return content, [len(part) for part in [content]], n_records * float(record_s)


marks_of = st.lists(
    st.tuples(st.floats(0, 0.999), st.floats(0, 5), st.text("aµ@ 漢", min_size=1)), max_size=30
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(layouts(), marks_of, st.booleans())
def test_bytes_are_kept_and_marks_read_back(tmp_path, layout, drawn, keep_notes):
    content, _, duration_s = layout
    source, target = tmp_path / "R.edf", tmp_path / "R_marked.edf"
    source.write_bytes(content)
    marks = [
        Note(round(share * duration_s, 6), round(length, 6), text)
        for share, length, text in drawn
        if text.strip()
    ]
    write_marked(source, target, marks, keep_notes=keep_notes)
    before, after = open_recording(source), open_recording(target)
    assert after.n_records == before.n_records
    for i, signal in enumerate(before.ordinary_signals):
        j = after.ordinary_signals[i]
        for record in range(before.n_records):
            assert after.stored.raw(record, j) == before.stored.raw(record, signal)
    got = sorted((round(n.onset_s, 5), round(n.duration_s, 5), n.text) for n in after.notes)
    assert got == sorted((round(m.onset_s, 5), round(m.duration_s, 5), m.text) for m in marks)
    assert after.pieces == before.pieces
    assert after.warnings == before.warnings
    before.close()
    after.close()
