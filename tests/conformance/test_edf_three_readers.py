"""Files that we write, read back by three independent libraries: samples and annotations equal."""

import runpy
from pathlib import Path

import numpy as np
import pytest

from cleanspan.export.marked import write_annotations_only, write_marked
from cleanspan.recording.opening import open_recording

_here = runpy.run_path(str(Path(__file__).with_name("test_edf_marked.py")))
SOURCES, MARKS = _here["SOURCES"], _here["MARKS"]
CONTINUOUS = [name for name in SOURCES if name != "EDF+D"]


@pytest.fixture
def written(tmp_path):
    def write(name, **options):
        suffix = ".bdf" if name.startswith("BDF") else ".edf"
        source, target = tmp_path / f"R{suffix}", tmp_path / f"R_marked{suffix}"
        source.write_bytes(SOURCES[name])
        write_marked(source, target, MARKS, **options)
        return open_recording(source), open_recording(target), target

    return write


def expected_notes(source):
    notes = [
        (round(n.onset_s, 5), round(n.duration_s, 5), n.text) for n in [*source.notes, *MARKS]
    ]
    return sorted(notes)


def stored(recording, channel):
    """Give the channel's physical samples as float64 from our reader."""
    return np.concatenate([b.samples_uv[0] for b in recording.blocks([channel])])


def factor(recording, channel):
    return {"uV": 1.0, "mV": 1e3}[recording.channels[channel].unit]


@pytest.mark.parametrize("name", CONTINUOUS)
@pytest.mark.parametrize("deidentify", [False, True])
def test_edfio(name, deidentify, written):
    import edfio

    source, _, target = written(name, deidentify=deidentify)
    read = edfio.read_bdf if target.suffix == ".bdf" else edfio.read_edf
    file = read(target)
    for channel, signal in zip(source.channels, file.signals, strict=True):
        np.testing.assert_allclose(
            signal.data * factor(source, channel.index), stored(source, channel.index), atol=2e-3
        )
        before = read(source.path).signals[channel.index]
        np.testing.assert_array_equal(signal.digital, before.digital)
    got = sorted((round(a.onset, 5), round(a.duration or 0, 5), a.text) for a in file.annotations)
    assert got == expected_notes(source)


@pytest.mark.parametrize("name", CONTINUOUS)
@pytest.mark.parametrize("deidentify", [False, True])
def test_pyedflib(name, deidentify, written):
    import pyedflib

    source, _, target = written(name, deidentify=deidentify)
    with pyedflib.EdfReader(str(target)) as file:
        physical = [file.readSignal(channel.index) for channel in source.channels]
        digital = [file.readSignal(channel.index, digital=True) for channel in source.channels]
        onsets, durations, texts = file.readAnnotations()
    with pyedflib.EdfReader(str(source.path)) as file:
        before = [file.readSignal(channel.index, digital=True) for channel in source.channels]
    for channel in source.channels:
        i = channel.index
        np.testing.assert_array_equal(digital[i], before[i])
        np.testing.assert_allclose(physical[i] * factor(source, i), stored(source, i), atol=2e-3)
    # pyedflib gives -1 where no duration is stored.
    got = sorted(
        (round(float(o), 5), round(max(float(d), 0), 5), str(t))
        for o, d, t in zip(onsets, durations, texts, strict=True)
    )
    assert got == expected_notes(source)


@pytest.mark.parametrize("name", CONTINUOUS)
@pytest.mark.parametrize("deidentify", [False, True])
def test_mne(name, deidentify, written):
    import mne

    source, _, target = written(name, deidentify=deidentify)
    read = mne.io.read_raw_bdf if target.suffix == ".bdf" else mne.io.read_raw_edf
    raw = read(target, include=["EEG Fp2-A1A2"], verbose="error")
    np.testing.assert_allclose(raw.get_data()[0] * 1e6, stored(source, 1), atol=2e-3)
    got = sorted(
        (round(float(o), 5), round(float(d), 5), str(t))
        for o, d, t in zip(
            raw.annotations.onset,
            raw.annotations.duration,
            raw.annotations.description,
            strict=True,
        )
    )
    # mne cuts annotations at the recording's end and knows no channel in a text.
    assert len(got) == len(expected_notes(source))
    assert [(o, t.partition("@@")[0]) for o, _, t in got] == [
        (o, t.partition("@@")[0]) for o, _, t in expected_notes(source)
    ]


@pytest.mark.parametrize("name", SOURCES)
def test_our_own_reader(name, written):
    source, target, _ = written(name)
    for channel in source.channels:
        np.testing.assert_array_equal(stored(source, channel.index), stored(target, channel.index))
    assert source.pieces == target.pieces
    assert target.warnings == ()


@pytest.mark.parametrize("name", CONTINUOUS)
def test_annotations_only_in_all_three(name, tmp_path):
    import edfio
    import mne
    import pyedflib

    suffix = ".bdf" if name.startswith("BDF") else ".edf"
    source, target = tmp_path / f"R{suffix}", tmp_path / "R_marks.edf"
    source.write_bytes(SOURCES[name])
    write_annotations_only(source, target, MARKS)
    wanted = {text for _, _, text in expected_notes(open_recording(source))}
    assert wanted <= {a.text for a in edfio.read_edf(target).annotations}
    assert {text.partition("@@")[0] for text in wanted} <= {
        text.partition("@@")[0] for text in mne.read_annotations(target).description
    }
    with pyedflib.EdfReader(str(target)) as file:
        assert wanted <= set(file.readAnnotations()[2])
