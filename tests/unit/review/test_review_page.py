import json
import re

import numpy as np
import pytest

from cleanspan.review.page import Item, PageFacts, PageRecording, embedded, note, write_page
from cleanspan.review.samples import packed

HOSTILE = "</script><script>alert(1)</script><!--"


def page(tmp_path, *, names=("Fp1", "Fp2"), labels=("blink", "muscle"), recording="a.edf"):
    traces = packed(np.zeros((len(names), 125), dtype=np.float32))
    item = Item(0, 10.0, 10.0, 9.0, 125.0, traces, "control")
    path = tmp_path / "review.html"
    write_page(
        [item], [PageRecording(recording, names, names)], PageFacts(labels, 0.2, 0, "m (1)"), path
    )
    return path.read_text(encoding="utf-8")


def test_hostile_names_stay_data(tmp_path):
    text = page(tmp_path, names=(HOSTILE, "Fp2"), labels=("blink", HOSTILE), recording=HOSTILE)
    assert text.count("<script") == 3
    assert "<!--" not in text
    told = json.loads(re.search(r'id="about">(.*?)</script>', text, re.DOTALL)[1])
    assert told["recordings"][0]["name"] == HOSTILE


def test_embedded_json_survives_and_cannot_end_its_element():
    value = {"a": HOSTILE + "&amp; µ \u2028"}
    text = embedded(value)
    assert not set("<>&").intersection(text)
    assert json.loads(text) == value


def test_keys_are_single_letters_and_differ_even_for_a_labs_own_labels(tmp_path):
    text = page(tmp_path, labels=("blink", "muscle", "ocular drift", "upward gaze"))
    told = json.loads(re.search(r'id="about">(.*?)</script>', text, re.DOTALL)[1])
    keys = {one["name"]: one["key"] for one in told["labels"]}
    assert keys["unsure"] == "U"
    assert keys["other"] == "O"
    assert len(set(keys.values())) == len(keys) == 6
    assert all(re.fullmatch("[A-Z0-9]", key) for key in keys.values())


@pytest.mark.parametrize("reason", ["control", "doubt", "neighbours", "unlike"])
def test_note_names_the_labels_that_were_read_for_and_no_others(reason):
    """A `reviewed` row speaks about the labels its note names; the reason must not be one."""
    from cleanspan.config import LabelRules
    from cleanspan.training.truth import named_labels

    facts = PageFacts(("blink", "sweat"), 0.2, 3, "m")
    said = note(reason, facts)
    assert named_labels(said, LabelRules(extra=("sweat", "chewing"))) == {"blink", "sweat"}
    assert "control share 0.20, seed 3" in said


def test_page_reaches_for_nothing_outside(tmp_path):
    text = page(tmp_path)
    assert "http://" not in text
    assert "https://" not in text
    assert "fetch(" not in text
    assert "default-src &#39;none&#39;" in text
