"""What one labelled recording teaches, and what is asked about its labels."""

import numpy as np
import pytest

from cleanspan.config import LabelRules
from cleanspan.training.dataset import Table, Tables
from cleanspan.training.hand_labels import HandLabel
from cleanspan.training.lessons import Lesson, doubtful_all

LARGE_CAP = tuple(f"E{number}" for number in range(40))


def lesson(channels=LARGE_CAP, **truth):
    count = len(channels)
    windows = Table(
        np.zeros((count, 3), dtype=np.float32),
        {
            name.replace("_", " "): np.array(values, dtype=np.int8)
            for name, values in truth.items()
        },
        recording=np.full(count, "p1_a.edf"),
        person=np.full(count, "p1"),
        channel=np.array(channels),
        time_s=np.zeros(count),
    )
    return Lesson("p1_a.edf", "p1", "0" * 64, "key", Tables(windows, windows))


def reviewed(channels):
    return [
        HandLabel("p1_a.edf", "reviewed", 0.0, 60.0, channels, "r", "", "t.csv:2"),
        HandLabel("p1_a.edf", "muscle", 3.0, 1.0, ("E1", "E2"), "r", "", "t.csv:3"),
    ]


def test_windows_whose_line_noise_alone_is_known_were_not_read():
    """It is measured, whoever looked."""
    made = lesson(
        ("Fp1", "Fp2", "Cz"), muscle=[1, -1, -1], contact_loss=[-1, 0, -1], line_noise=[0, 1, 1]
    )
    assert made.read_windows == 2


@pytest.mark.parametrize(
    ("channels", "rules", "asked"),
    [
        (("all",), LabelRules(), True),
        (("all",), LabelRules(all_channels=("E1", "E2")), False),
        (("E1", "E2"), LabelRules(), False),
    ],
)
def test_all_of_a_large_cap_is_asked_about_where_few_channels_have_marks(channels, rules, asked):
    found = doubtful_all([lesson(muscle=[0] * 40)], reviewed(channels), rules)
    assert bool(found) is asked
    if asked:
        assert "p1_a.edf (2 of 40)" in found[0]
        assert "labels.all_channels in settings (--config)" in found[0]
        assert found[0].endswith("what the others show is learned as clean")
