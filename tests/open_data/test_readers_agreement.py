"""The open recordings' readers against each other: published agreement is reproduced.

The label set's README states, over pairs of its four readers: blink F1 0.945-0.982, onsets
within 0.05 s (median), contact loss kappa 0.85-0.99, muscle kappa 0.48-0.86. Its F1 counts every
mark; ours leaves doubted spans out, which can only help, so both are checked.
"""

import itertools
import os
from pathlib import Path

import numpy as np
import pytest

from cleanspan.config import LabelRules
from cleanspan.training.evaluation import ReaderMarks, compare, pooled
from cleanspan.training.events import Events, compare_events, onset_distances_s
from cleanspan.training.hand_labels import read_hand_labels
from cleanspan.training.scores import EventCounts
from cleanspan.training.truth import labels_of

BESIDE = Path(__file__).parents[3] / "shared" / "open-data"
LABELS = Path(os.environ.get("CLEANSPAN_OPEN_DATA", BESIDE)) / "labels"
CAP = (
    *("Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8", "T7", "C3", "Cz"),
    *("C4", "T8", "P7", "P3", "Pz", "P4", "P8", "O1", "O2"),
)
RULES = LabelRules(not_read=("line noise",))
NAMES = ("blink", "muscle", "contact loss")
READERS = ("reader-a", "reader-b", "reader-c", "reader-d")

pytestmark = pytest.mark.skipif(not LABELS.is_dir(), reason="the open data are not here")


@pytest.fixture(scope="module")
def rows():
    return read_hand_labels([LABELS / f"{name}.csv" for name in READERS], RULES)


@pytest.fixture(scope="module")
def pairs(rows):
    """Every pair of readers, as judges of each recording."""
    recordings = sorted({row.recording for row in rows})

    def judge(reader, recording):
        own = [row for row in labels_of(rows, recording) if row.reader == reader]
        return ReaderMarks(own, CAP, RULES)

    return {
        pair: [tuple(judge(reader, name) for reader in pair) for name in recordings]
        for pair in itertools.combinations(READERS, 2)
    }


def every_mark(judge):
    found = judge.events("blink")
    return Events(found.spans_s, np.empty((0, 2)), None)


def test_blinks_of_two_readers_agree_as_published(pairs):
    f1 = []
    for judges in pairs.values():
        counts = sum(
            (compare_events(every_mark(b), every_mark(a), one_to_one=True) for a, b in judges),
            EventCounts(),
        )
        f1.append(counts.f1)
    assert min(f1) == pytest.approx(0.945, abs=0.0005)
    assert max(f1) == pytest.approx(0.982, abs=0.0005)


def test_their_onsets_lie_close(pairs):
    for judges in pairs.values():
        apart = [onset_distances_s(b.events("blink"), a.events("blink")) for a, b in judges]
        assert np.median(np.abs(np.concatenate(apart))) <= 0.05


def test_leaving_doubts_out_helps_and_kappas_reach_the_published_range(pairs):
    kappa = {name: [] for name in NAMES}
    for judges in pairs.values():
        whole = pooled([compare(b, a, names=NAMES, duration_s=60) for a, b in judges])
        assert whole.events["blink"].f1 >= 0.945
        for name in NAMES:
            kappa[name].append(whole.cells[name].kappa)
    assert 0.45 <= min(kappa["muscle"]) <= 0.55
    assert 0.8 <= max(kappa["muscle"]) <= 0.9
    assert min(kappa["contact loss"]) >= 0.85
