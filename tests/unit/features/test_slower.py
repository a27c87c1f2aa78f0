"""Windows cut out of samples at a slower rate."""

import numpy as np

from cleanspan.features.slower import Slower
from cleanspan.features.windows import Chunk

RATE_HZ = 200.0
FACTOR = 4


def slower_from(first_sample, n_samples):
    """One channel whose samples are their own numbers, counted from the piece's start."""
    samples = np.arange(first_sample, first_sample + n_samples, dtype=np.float32)[None]
    return Slower(Chunk(0, 0.0, 1.0, 0, 0, first_sample, samples), RATE_HZ)


def begins_and_ends(made, starts_s, **kwargs):
    cut = made.cut(made.whole(FACTOR), FACTOR, np.array(starts_s), **kwargs)[0]
    return (cut[:, 0] // FACTOR).tolist(), (cut[:, -1] // FACTOR).tolist()


def test_windows_of_a_later_chunk_count_from_the_pieces_start():
    """50 samples a second: the window from 12.5 s on is samples 625 to 674."""
    made = slower_from(2002, 2000)
    assert begins_and_ends(made, [12.5, 13.0]) == ([625, 650], [674, 699])


def test_some_samples_more_before_each():
    made = slower_from(2002, 2000)
    assert begins_and_ends(made, [12.5], before=2) == ([623], [674])


def test_at_the_ends_windows_are_moved_inside():
    made = slower_from(0, 2000)
    assert begins_and_ends(made, [0.0], before=2) == ([0], [51])
    assert begins_and_ends(made, [9.0]) == ([450], [499])
