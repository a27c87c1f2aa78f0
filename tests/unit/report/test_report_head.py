import math
import re
import warnings

import pytest

from cleanspan.export.report.head import Gauge, head_drawing, place

CAP = "Fp1 Fp2 F7 F3 Fz F4 F8 T7 C3 Cz C4 T8 P7 P3 Pz P4 P8 O1 O2".split()  # noqa: SIM905


def test_nose_is_up_and_left_is_left():
    assert place("Fp1")[1] < -0.7
    assert place("O1")[1] > 0.7
    assert place("T7")[0] < -0.7
    assert place("Cz") == pytest.approx((0, 0), abs=1e-9)
    assert place("left ear") is None


def test_places_agree_with_a_published_montage():
    """Compare directions with the 10-05 template that mne ships (Oostenveld & Praamstra 2001)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from mne.channels import make_standard_montage

        known = make_standard_montage("standard_1005").get_positions()["ch_pos"]
    for name in set(CAP) - {"Cz"}:
        x, y = place(name)
        ours = math.degrees(math.atan2(x, -y))
        theirs = math.degrees(
            math.atan2(known[name][0] - known["Cz"][0], known[name][1] - known["Cz"][1])
        )
        assert abs((ours - theirs + 180) % 360 - 180) < 12, name


def test_every_gauge_is_drawn_even_without_a_place():
    gauges = [Gauge(name, name, (1.0, 0.5, 0.0, float("nan"))) for name in CAP]
    gauges.append(Gauge("X<1>", "", (1.0,), alarm=True))
    drawing = head_drawing(gauges, title="Contact")
    assert drawing.count('<g class="gauge') == 20
    assert drawing.count("gauge alarm") == 1
    assert "X&lt;1&gt;" in drawing
    assert "nan" not in drawing


def test_gauges_of_a_dense_cap_do_not_overlap():
    from cleanspan.recording.electrodes import positions

    names = [name for name in positions() if not name.endswith(("9", "10"))]
    drawing = head_drawing([Gauge(name, name, (1.0,)) for name in names], title="Contact")
    import re

    boxes = [
        tuple(map(float, found))
        for found in re.findall(
            r'translate\((\S+) (\S+)\)"><title>[^<]*</title><rect width="(\S+)" height="(\S+)"',
            drawing,
        )
    ]
    assert len(boxes) == len(names)
    for number, (x, y, width, height) in enumerate(boxes):
        for other_x, other_y, _, _ in boxes[:number]:
            assert abs(x - other_x) >= width - 0.2 or abs(y - other_y) >= height - 0.2


def test_long_names_below_the_head_stand_apart():
    names = ["EEG Fp1 #2", "EEG Fp1 #3", "reference", "a name of a channel", "X1"]
    gauges = [Gauge(name, name if name in CAP else "", (1.0,)) for name in [*CAP, *names]]
    drawing = str(head_drawing(gauges, title="Contact"))
    text = r'<text x="(\S+)" \S+ font-size="(\S+)">([^<]*)<'
    found = re.findall(r'translate\((\S+) (\S+)\)"><title>[^<]*</title>.*?' + text, drawing)
    spans = [
        (y, float(x) + float(middle), 0.55 * float(size) * len(name) / 2)
        for x, y, middle, size, name in found
        if name in names
    ]
    assert len(spans) == len(names)
    for place_, (y, x, half) in enumerate(spans):
        assert all(
            abs(x - other) > half + reach for row, other, reach in spans[:place_] if row == y
        )


def test_no_gauge_at_all():
    assert "svg" in head_drawing([], title="Contact")
