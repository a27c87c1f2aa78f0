"""Judging on people left out: the measured mains ratio, and marks against what is known."""

import numpy as np

from cleanspan.training.crosscheck import as_model, judge, mains_ratios
from cleanspan.training.hand_labels import HandLabel
from cleanspan.training.truth import ANY
from cleanspan.types import LABELS


def test_mains_ratio_of_known_amplitudes(invented):
    """Sines at 10 Hz (20 µV) and 50 Hz (0, 5, 40 µV): ratios of rms 0, 1/4 and 2."""
    time_s = np.arange(5000) / 250
    samples = np.stack(
        [
            20 * np.sin(2 * np.pi * 10 * time_s) + line * np.sin(2 * np.pi * 50 * time_s)
            for line in (0, 5, 40)
        ]
    )
    ratios = mains_ratios(invented.in_memory(samples, ("C3", "Cz", "C4")), [0, 1, 2])
    np.testing.assert_allclose(ratios, [0, 0.25, 2.0], atol=0.01)


def test_a_model_of_panels_has_their_labels(invented):
    rules = invented.rule_model()
    model = as_model(rules.windows, rules.events, {})
    assert set(model.labels) == set(LABELS)
    assert model.rule("muscle").begin_at == 0.5


def test_marks_are_compared_with_what_is_known(invented):
    samples = invented.background(8, 40, seed=1)
    samples[5, 2500:5000] = 3.0  # Pz flat from 10 to 20 s
    recording = invented.in_memory(samples, invented.SMALL_CAP)

    def known(onset_s):
        return [
            HandLabel("a", "reviewed", 0, 40, ("all",), "truth", "", "a"),
            HandLabel("a", "contact loss", onset_s, 10, ("Pz",), "truth", "", "a"),
        ]

    counts = {}
    for onset_s in (10, 25):
        score = judge(
            recording, known(onset_s), invented.rule_model(), channels=invented.SMALL_CAP,
            duration_s=40, names=("contact loss",), agreement=ANY, name="a",
        )  # fmt: skip
        counts[onset_s] = score.cells["contact loss"]
    assert (counts[10].hit, counts[10].missed, counts[10].false) == (10, 0, 0)
    assert (counts[25].hit, counts[25].missed, counts[25].false) == (0, 10, 10)
