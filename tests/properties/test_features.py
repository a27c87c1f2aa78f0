"""Windows and chunks, for any length, rate, hop and block."""

import runpy
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanspan.features.windows import chunks, window_count, window_onsets
from cleanspan.types import Piece

_invented = runpy.run_path(str(Path(__file__).parents[1] / "unit" / "features" / "invented.py"))
in_memory, Gapped = _invented["in_memory"], _invented["Gapped"]
RATES = st.sampled_from([100.0, 128.0, 250.0, 250.5, 256.0, 333.3, 999.9, 2048.0]) | st.floats(
    90, 2048
)
HOPS = st.sampled_from([0.25, 0.5, 1.0])
ONE_CORE = settings(deadline=None)


@ONE_CORE
@given(n_samples=st.integers(0, 50_000), rate_hz=RATES, hop_s=HOPS)
def test_count_is_the_largest_that_fits(n_samples, rate_hz, hop_s):
    count = window_count(n_samples, rate_hz, hop_s)
    length = round(rate_hz)

    def fits(number):
        return round((number - 1) * hop_s * rate_hz) + length <= n_samples

    assert count == 0 or fits(count)
    # rounding may cost the last window where it would end on the very last sample
    if n_samples / rate_hz - 1 >= count * hop_s + 2 / rate_hz:
        assert not fits(count + 1)


@ONE_CORE
@given(seconds=st.integers(1, 4000), rate_hz=st.integers(90, 2048), hop_s=HOPS)
def test_count_of_whole_seconds(seconds, rate_hz, hop_s):
    assert window_count(seconds * rate_hz, float(rate_hz), hop_s) == (seconds - 1) / hop_s + 1


PIECES = st.lists(st.tuples(st.floats(0.01, 30), st.floats(0.01, 500)), min_size=1, max_size=6)


@ONE_CORE
@given(pieces=PIECES, rate_hz=RATES, hop_s=HOPS)
def test_no_window_spans_a_gap_and_the_last_second_is_covered(pieces, rate_hz, hop_s):
    made, onset_s = [], 0.0
    for length_s, gap_s in pieces:
        length_s = max(round(length_s * rate_hz), 1) / rate_hz
        made.append(Piece(onset_s, length_s))
        onset_s += length_s + gap_s
    onsets, first = window_onsets(made, rate_hz, hop_s)
    sample_s = 1 / rate_hz
    assert first[-1] == onsets.size
    for number, piece in enumerate(made):
        mine = onsets[first[number] : first[number + 1]]
        np.testing.assert_allclose(np.diff(mine), hop_s)
        end_s = piece.onset_s + piece.duration_s
        if piece.duration_s < 1 - sample_s:
            assert mine.size == 0
        elif piece.duration_s >= 1 + sample_s:
            assert mine[0] == piece.onset_s
            assert mine[-1] + 1 <= end_s + sample_s
            assert end_s - (mine[-1] + 1) < hop_s + 2 * sample_s


@settings(deadline=None, max_examples=60)
@given(
    n_samples=st.integers(1, 9000),
    rate_hz=st.sampled_from([90.0, 100.0, 128.0, 130.7, 250.5]),
    hop_s=HOPS,
    block_s=st.sampled_from([5.0, 7.3, 20.0]),
    gaps=st.lists(st.integers(1, 900), max_size=3),
)
def test_chunks_equal_one_big_chunk(n_samples, rate_hz, hop_s, block_s, gaps):
    """Every window's samples are the recording's own; chunks follow each other without a hole."""
    lengths = [n_samples, *gaps]
    parts = [np.arange(n, dtype=float)[None] + 10_000 * p for p, n in enumerate(lengths)]
    recording = Gapped(parts, ("Cz",), rate_hz=rate_hz)
    windows = {piece: [] for piece in range(len(parts))}
    reached = dict.fromkeys(windows, 0.0)
    length = round(rate_hz)
    for chunk in chunks(recording, [0], hop_s=hop_s, block_s=block_s):
        assert chunk.begin_s == reached[chunk.piece]
        reached[chunk.piece] = chunk.end_s
        assert chunk.first_window == len(windows[chunk.piece])
        for number in range(chunk.n_windows):
            onset_s = hop_s * (chunk.first_window + number)
            begin = round(onset_s * rate_hz) - chunk.first_sample
            assert chunk.begin_s - 1e-9 <= onset_s < chunk.end_s
            windows[chunk.piece].append(chunk.samples_uv[0, begin : begin + length])
    for piece, part in enumerate(parts):
        assert abs(reached[piece] - part.shape[1] / rate_hz) < 1e-9
        assert len(windows[piece]) == window_count(part.shape[1], rate_hz, hop_s)
        for number, seen in enumerate(windows[piece]):
            begin = round(number * hop_s * rate_hz)
            np.testing.assert_array_equal(seen, part[0, begin : begin + length])


def test_blocks_of_any_size_may_arrive():
    """Readers deliver what lies on disk: single data records, or everything at once."""
    recording = in_memory(np.arange(5000.0)[None], ("Cz",), rate_hz=100.0)
    plain = list(chunks(recording, [0], hop_s=0.5, block_s=5.0))
    given_blocks = recording.blocks
    recording.blocks = lambda rows, *, block_s: given_blocks(rows, block_s=0.13)
    small = list(chunks(recording, [0], hop_s=0.5, block_s=5.0))
    assert [chunk.begin_s for chunk in small] == [chunk.begin_s for chunk in plain]
    for one, other in zip(plain, small, strict=True):
        assert one.n_windows == other.n_windows
        assert one.first_sample == other.first_sample
        np.testing.assert_array_equal(one.samples_uv, other.samples_uv)
