import re

import numpy as np
import pandas as pd
import pytest

from cleanspan.export.report import traces
from cleanspan.export.report.palette import palette
from cleanspan.recording.in_memory import ArrayRecording
from cleanspan.types import LABELS, SEGMENT_COLUMNS, Channel, Role


def table(*rows):
    return pd.DataFrame(list(rows), columns=list(SEGMENT_COLUMNS))


SEGMENTS = table(
    ("Fp1", "blink", "", 5.0, 0.3, 0.9),
    ("Fp1", "blink", "", 9.0, 0.3, 0.4),
    ("Fp1", "blink", "", 10.0, 0.3, 0.41),
    ("Fp1", "blink", "", 30.0, 0.3, 0.5),
    ("Fp1", "blink", "", 50.0, 0.3, 0.55),
    ("T7", "muscle", None, 20.0, 2.0, 0.6),
    ("T7", "muscle", "", 70.0, 2.0, 0.95),
)


def test_the_clearest_of_each_label_is_shown():
    picked = traces.clearest(SEGMENTS, LABELS)
    assert [(one.label, one.onset_s) for one in picked] == [("blink", 5.0), ("muscle", 70.0)]


def test_least_certain_are_few_of_a_label_and_apart():
    picked = traces.least_certain(SEGMENTS, count=4, of_label=2, apart_s=5)
    assert [one.onset_s for one in picked] == [9.0, 30.0, 20.0, 70.0]
    assert picked[2].kind == ""


def channels(*names):
    return [Channel(i, name, Role.EEG, name, 250.0) for i, name in enumerate(names)]


def test_neighbours_on_the_head_come_first():
    eeg = channels("O1", "Fp2", "F7", "Cz", "Fp1")
    assert [one.label for one in traces.near(eeg[4], eeg, count=2)] == ["Fp1", "F7", "Fp2"]


def test_channels_of_another_rate_are_no_neighbours():
    eeg = [*channels("Fp1", "F3"), Channel(2, "Fp2", Role.EEG, "Fp2", 500.0)]
    assert [one.label for one in traces.near(eeg[0], eeg)] == ["Fp1", "F3"]


def figure(samples_uv, example, rate_hz=250.0):
    eeg = [Channel(i, f"E{i}", Role.EEG, None, rate_hz) for i in range(len(samples_uv))]
    recording = ArrayRecording(samples_uv, eeg)
    swatch = palette(LABELS)[LABELS.index(example.label)]
    return traces.trace_figure(example, recording, eeg, swatch)


def points(drawing, number=0):
    path = re.findall(r'<path class="trace[^"]*" d="([^"]*)"', drawing)[number]
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](\S+) ([^ML]+)", path)]


@pytest.mark.parametrize("rate_hz", [100.0, 250.0, 1000.0, 2048.0])
def test_a_spike_is_drawn_where_it_is_at_any_rate(rate_hz):
    samples = np.zeros((1, int(60 * rate_hz)), dtype=np.float32)
    samples[0, int(22.5 * rate_hz)] = 100
    drawing = figure(samples, traces.Example("E0", "blink", "", 22.0, 1.0, 0.8), rate_hz)
    drawn = points(drawing)
    top = min(drawn, key=lambda point: point[1])
    left = float(re.search(r'translate\((\S+) \S+\)"><rect class="t', drawing)[1])
    wide = float(re.search(r'<rect class="t0" width="(\S+)"', drawing)[1])
    assert top[1] < drawn[0][1] - 5
    assert top[0] == pytest.approx(left + wide / 2, abs=2.5)


def test_time_bar_is_one_second_long():
    samples = np.zeros((1, 60 * 250), dtype=np.float32)
    drawing = figure(samples, traces.Example("E0", "blink", "", 20.0, 2.0, 0.8))
    bar = float(re.search(r'class="scale" d="M\S+ \S+?h([\d.]+)', drawing)[1])
    marked = float(re.search(r'<rect class="t0" width="(\S+)"', drawing)[1])
    assert marked == pytest.approx(2 * bar, rel=0.01)


def test_amplitude_bar_is_true():
    samples = np.zeros((1, 60 * 250), dtype=np.float32)
    samples[0, 20 * 250 : 22 * 250] = 80.0
    drawing = figure(samples, traces.Example("E0", "blink", "", 20.0, 2.0, 0.8))
    bar_px = float(re.search(r'class="scale" d="[^"]*v-([\d.]+)"', drawing)[1])
    bar_uv = float(re.search(r">([\d.]+) µV<", drawing)[1])
    ys = [y for _, y in points(drawing)]
    assert (max(ys) - min(ys)) / bar_px * bar_uv == pytest.approx(80, rel=0.02)


def test_gaps_break_the_line_and_the_recordings_edge_is_no_trouble():
    samples = np.zeros((2, 10 * 250), dtype=np.float32)
    samples[:, 1000:1200] = np.nan
    for onset_s in (0.0, 9.9):
        drawing = figure(samples, traces.Example("E0", "contact loss", "flat", onset_s, 30.0, 0.8))
        assert "nan" not in drawing
    drawing = figure(samples, traces.Example("E0", "muscle", "", 3.0, 1.0, 0.8))
    assert re.findall(r'class="trace main" d="([^"]*)"', drawing)[0].count("M") == 2


def test_a_segment_on_an_unknown_channel_is_left_out():
    assert figure(np.zeros((1, 2500)), traces.Example("nowhere", "blink", "", 1.0, 1.0, 0.5)) == ""
