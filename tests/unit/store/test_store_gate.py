"""The gate: no model goes into use that is worse on a label."""

import pytest

from cleanspan.errors import ModelError
from cleanspan.training.bootstrap import Difference, compare_f1
from cleanspan.training.gate import Judgement, read_judgement, refusals, write_judgement
from cleanspan.training.scores import Counts

NEW, OLD = "aaaa1111", "bbbb2222"


def judgement(people=8, **labels):
    return Judgement(NEW, OLD, people, 2 * people, labels)


def difference(new, old, low=-0.1, high=0.1, people=8):
    return Difference(new, old, low, high, people)


def test_too_few_people_and_an_unjudged_label_are_reasons():
    assert "judged on 4 people" in reasons(judgement(4, blink=difference(0.9, 0.8)))[0]
    assert "judged on 0 people" in reasons(judgement(0, blink=difference(0.9, 0.8)))[0]
    both = {"labels": ("blink", "muscle"), "needed": ("blink", "muscle")}
    assert reasons(judgement(blink=difference(0.9, 0.8)), **both) == [
        "muscle: it was not judged, for the hand labels say nothing about it"
    ]


def reasons(made, **more):
    options = {"model": NEW, "in_use": OLD, "labels": ("blink",), "needed": ("blink",), **more}
    return refusals(made, **options)


def test_a_model_that_is_no_worse_passes():
    assert reasons(judgement(blink=difference(0.9, 0.91))) == []


def test_a_loss_on_one_label_is_not_made_up_for_by_another():
    made = judgement(blink=difference(0.99, 0.8), muscle=difference(0.7, 0.73))
    (reason,) = reasons(made)
    assert reason.startswith("muscle: F1 0.700")


def test_the_margin_itself_passes():
    assert reasons(judgement(blink=difference(0.88, 0.90))) == []
    assert reasons(judgement(blink=difference(0.87, 0.90)), margin=0.05) == []


def test_a_label_that_is_missing_is_a_reason():
    assert reasons(judgement(blink=difference(0.9, 0.9)), needed=("blink", "muscle")) == [
        "it does not know the label 'muscle'"
    ]


def test_never_judged_or_judged_against_another_is_a_reason():
    assert "never judged" in reasons(None)[0]
    assert "never judged" in reasons(judgement(), model="cccc3333")[0]
    assert (
        f"judged against the model {OLD}"
        in reasons(judgement(blink=difference(1, 1)), in_use="cccc3333")[0]
    )


def test_a_new_label_has_nothing_to_lose():
    nan = float("nan")
    made = judgement(blink=difference(0.9, 0.9), saccade=Difference(0.4, nan, nan, nan, 8))
    assert reasons(made) == []


def test_a_judgement_survives_its_file(tmp_path):
    nan = float("nan")
    made = judgement(
        blink=difference(0.9, 0.8, 0.05, 0.15), saccade=Difference(0.4, nan, nan, nan, 8)
    )
    write_judgement(made, tmp_path)
    again = read_judgement(tmp_path)
    assert repr(again) == repr(made)


def test_a_damaged_judgement_is_refused(tmp_path):
    (tmp_path / "judgement.toml").write_text('model = "a"\n')
    with pytest.raises(ModelError, match="a judgement must be whole"):
        read_judgement(tmp_path)


@pytest.mark.parametrize(
    ("people", "spans", "verdict"),
    [
        (8, [(0.05, 0.2)], "better"),
        (8, [(-0.2, -0.05)], "worse"),
        (8, [(0.05, 0.2), (-0.2, -0.05)], "worse"),
        (8, [(-0.1, 0.1)], "not distinguishable"),
        (3, [(0.05, 0.2)], "not judged"),
    ],
)
def test_one_line_says_better_worse_or_neither(people, spans, verdict):
    labels = {
        str(i): difference(0.75 + sum(span) / 4, 0.75, *span, people=people)
        for i, span in enumerate(spans)
    }
    made = judgement(people, **labels)
    assert made.verdict == verdict
    assert verdict in made.summary()
    assert "\n" not in made.summary()


def test_a_label_that_may_have_collapsed_keeps_a_model_from_being_better():
    """Nearly all examples of one person: the interval holds 0, but the loss is there."""
    made = judgement(
        blink=difference(0.9, 0.7, 0.1, 0.3), contact=difference(0.1, 0.7, low=-0.7, high=0.1)
    )
    assert made.verdict == "not distinguishable"


@pytest.mark.parametrize("span", [(-0.8, -0.01), (0.01, 0.8), (-0.1, 0.1)])
def test_a_label_of_too_few_people_says_so_and_decides_nothing(span):
    """Eight people were left out, and only four of them have the label."""
    few = difference(0.75 + sum(span) / 4, 0.75, *span, people=4)
    assert few.verdict == "too few people"
    made = judgement(8, few=few)
    assert made.verdict == "not judged"
    assert "not judged: no label has 5 of the 8 people" in made.summary()
    assert "too few people" in made.summary()
    clear = difference(0.8, 0.7, 0.05, 0.2, people=8)
    lost = sum(span) / 4 < -0.02
    assert judgement(8, few=few, clear=clear).verdict == (
        "not distinguishable" if lost else "better"
    )


def test_few_people_are_said_to_be_too_few():
    assert "3 people left out are too few" in judgement(3).summary()


def test_the_interval_is_over_people_not_over_cells():
    """Ten people of whom one is marked wrongly throughout: cells would claim certainty."""
    good, bad = Counts(900, 0, 0, 100), Counts(0, 0, 900, 100)
    result = compare_f1([good] * 9 + [bad], [good] * 10, seed=1)
    assert result.new_f1 == pytest.approx(2 * 8100 / (2 * 8100 + 900))
    assert result.low < -0.1
    assert result.high == 0
    assert result.verdict == "not distinguishable"


def test_a_difference_everybody_shows_is_certain():
    better, worse = Counts(95, 5, 5, 0), Counts(80, 20, 20, 0)
    assert compare_f1([better] * 6, [worse] * 6).verdict == "better"
    assert compare_f1([worse] * 6, [better] * 6).verdict == "worse"


def test_people_without_anything_to_find_do_not_count():
    some, nothing = Counts(5, 1, 1, 50), Counts(0, 0, 0, 99)
    assert compare_f1([some, nothing, some], [some, nothing, some]).people == 2
    assert compare_f1([nothing], [nothing]).people == 0


def test_the_interval_covers_the_truth_about_as_often_as_it_claims():
    """Two equal models on 20 invented people: 95 % intervals should hold 0 nearly always."""
    import numpy as np

    rng = np.random.default_rng(5)
    covered = 0
    for number in range(60):

        def draw():
            hit = rng.binomial(60, np.clip(rng.normal(0.8, 0.05, 20), 0, 1))
            return [Counts(int(h), int(rng.binomial(12, 0.5)), int(60 - h), 40) for h in hit]

        result = compare_f1(draw(), draw(), seed=number, draws=400)
        covered += result.low <= 0 <= result.high
    assert covered >= 51
