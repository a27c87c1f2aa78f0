"""Builders of invented recordings and of a model whose rules can be worked out by hand."""

import tempfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from cleanspan.config import Windows
from cleanspan.features.extraction import FeatureStore
from cleanspan.features.registry import EVENT_NAMES, WINDOW_NAMES
from cleanspan.labelling.model import Model
from cleanspan.labelling.network import Head, Network, Panel, Scaling
from cleanspan.recording.in_memory import ArrayRecording
from cleanspan.types import BLINK, CONTACT_LOSS, LINE_NOISE, MUSCLE, Block, Channel, Piece, Role

CAP = (
    *("Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8", "T7", "C3", "Cz", "C4", "T8"),
    *("P7", "P3", "Pz", "P4", "P8", "O1", "O2"),
)
SMALL_CAP = ("Fp1", "Fp2", "C3", "Cz", "C4", "Pz", "O1", "O2")
LIMIT_UV = 3276.7


def channels(names=CAP, *, rate_hz=250.0, limit_uv=LIMIT_UV, low_pass_hz=None):
    """Scalp channels called like their electrodes."""
    return tuple(
        Channel(
            row,
            name,
            Role.EEG,
            name,
            rate_hz,
            lowest_uv=-limit_uv,
            highest_uv=limit_uv,
            low_pass_hz=low_pass_hz,
        )
        for row, name in enumerate(names)
    )


def in_memory(samples_uv, names=CAP, *, rate_hz=250.0, **kwargs):
    """A recording out of samples of shape (n_channels, n_samples)."""
    return ArrayRecording(samples_uv, channels(names, rate_hz=rate_hz, **kwargs), name="made.edf")


class Gapped(ArrayRecording):
    """A recording with gaps: pieces of given length, a second between them."""

    def __init__(self, parts, names, *, rate_hz=250.0, gap_s=1.0):
        super().__init__(np.concatenate(parts, axis=1), channels(names, rate_hz=rate_hz))
        self.parts = [np.asarray(part, dtype=np.float32) for part in parts]
        pieces, onset_s = [], 0.0
        for part in parts:
            pieces.append(Piece(onset_s, part.shape[1] / rate_hz))
            onset_s += pieces[-1].duration_s + gap_s
        self.pieces = tuple(pieces)

    @property
    def duration_s(self):
        return self.pieces[-1].onset_s + self.pieces[-1].duration_s

    def blocks(self, channels, *, block_s=20.0):
        size = max(round(block_s * self.rate_hz), 1)
        for piece, part in enumerate(self.parts):
            for first in range(0, part.shape[1], size):
                yield Block(piece, first, part[list(channels), first : first + size])


def background(n_channels, seconds, *, rate_hz=250.0, seed=0, rms_uv=12.0, shared=0.7):
    """Noise whose density falls as 1/f, partly common to all channels, ndarray in µV."""
    rng = np.random.default_rng(seed)
    n_samples = round(seconds * rate_hz)
    frequency = np.fft.rfftfreq(n_samples, 1 / rate_hz)
    fall = 1 / np.sqrt(np.maximum(frequency, 0.7))
    noise = np.fft.irfft(
        np.fft.rfft(rng.normal(size=(n_channels + 1, n_samples)), axis=1) * fall, n=n_samples
    )
    noise /= noise.std(axis=1, keepdims=True)
    mixed = shared * noise[-1] + np.sqrt(1 - shared**2) * noise[:-1]
    return mixed * rms_uv


def hump(time_s, peak_s, *, width_s=0.3, height_uv=120.0):
    """A raised cosine: twice as fast up as down, as lids close faster than they open."""
    left, right = width_s / 3, 2 * width_s / 3
    offset = time_s - peak_s
    length = np.where(offset < 0, left, right)
    return np.where(
        np.abs(offset) < length, height_uv * (0.5 + 0.5 * np.cos(np.pi * offset / length)), 0
    )


BLINK_SHARES = {"Fp1": 1.0, "Fp2": 1.0, "F7": 0.45, "F8": 0.45, "F3": 0.5, "F4": 0.5, "Fz": 0.5}
"""How much of a blink a channel shows; the rest of the head 5 %."""


def add_blinks(samples_uv, names, peaks_s, *, rate_hz=250.0, **shape):
    """Add blinks to samples, in place."""
    time_s = np.arange(samples_uv.shape[1]) / rate_hz
    for peak_s in peaks_s:
        lid = hump(time_s, peak_s, **shape)
        for row, name in enumerate(names):
            samples_uv[row] += lid * BLINK_SHARES.get(name, 0.05)


def features_of(recording, *, rows=None, hop_s=0.5, block_s=20.0, read=None):
    """All features of the scalp channels, in memory.

    Returns
    -------
    namespace
        windows of shape (n_channels, n_windows, n_features); events of shape
        (n_events, n_channels, n_event_features); onset_s, times, leads, around, pairs, spectra;
        answer = what read(store) gave while the store was open.
    """
    chosen = rows or [item for item in recording.channels if item.role == Role.EEG]
    grid = Windows(hop_s=hop_s, block_s=block_s)
    with (
        tempfile.TemporaryDirectory() as scratch,
        FeatureStore(recording, chosen, windows=grid, scratch=Path(scratch)) as store,
    ):
        nothing = np.empty((0, len(WINDOW_NAMES)), dtype=np.float32)
        windows = np.stack(
            [
                np.concatenate([nothing, *(part for _, part in store.window_features(row))])
                for row in range(len(chosen))
            ]
        )
        no_event = np.empty((0, len(chosen), len(EVENT_NAMES)), dtype=np.float32)
        events = np.concatenate([no_event, *(part for _, part in store.event_features())])
        return SimpleNamespace(
            windows=windows,
            events=events,
            onset_s=store.onset_s,
            first=store.first,
            times=store.times,
            leads=store.leads,
            around=store.around,
            pairs=store.pairs,
            spectra=store.spectra,
            answer=read(store) if read else None,
        )


def column(table, name):
    """One window feature out of `features_of(...).windows`."""
    return table.windows[..., WINDOW_NAMES.index(name)]


def _layers(*pairs):
    return Network(
        tuple(np.array(weight, dtype=np.float32) for weight, _ in pairs),
        tuple(np.array(bias, dtype=np.float32) for _, bias in pairs),
    )


def rule_model(**changes):
    """A model of plain thresholds: what it must say about a made recording is known.

    Contact loss: flat or railed for more than half of the window, or beyond 316 µV rms; line
    noise: mains above half of the 1-40 Hz rms over 8 s; muscle: 30-45 Hz ten times the quiet
    channels' density; blink: above 56 µV, shaped like a lid closure, not one of a crowd, and shown
    by a quarter of its height.
    """
    features = ("flat_share", "railed_share", "rms", "mains_around", "fast_size")
    centre = np.array([0.5, 0.5, 2.5, np.log10(0.5), 1.0], dtype=np.float32)
    spread = np.array([0.1, 0.1, 0.1, 0.05, 0.1], dtype=np.float32)
    contact = np.zeros((5, 3))
    contact[0, 0] = contact[1, 1] = contact[2, 2] = 1
    heads = [
        Head(MUSCLE, (_layers(([[0], [0], [0], [0], [12]], [-4])),)),
        Head(LINE_NOISE, (_layers(([[0], [0], [0], [12], [0]], [-4])),)),
        Head(CONTACT_LOSS, (_layers((contact, [0, 0, 0]), ([[12], [12], [12]], [-4])),)),
    ]
    # One unit for each condition that fails: any of them makes the blink improbable.
    conditions = ("shape_match", "own_share", "lead_height", "crowd")
    event_scaling = Scaling(
        np.array([0.75, 0.2, 1.7, 1.5], dtype=np.float32),
        np.array([0.05, 0.05, 0.05, 0.5], dtype=np.float32),
    )
    failing = (np.diag([-1.0, -1.0, -1.0, 1.0]), [1, 1, 1, 1])
    blink = Head(BLINK, (_layers(failing, ([[-12]] * 4, [6])),))
    settings = {
        "name": "rules",
        "labels": (BLINK, MUSCLE, LINE_NOISE, CONTACT_LOSS),
        "windows": Panel(features, Scaling(centre, spread), tuple(heads)),
        "events": Panel(conditions, event_scaling, (blink,)),
        "rules": {},
        "fingerprint": "00000000",
        "manifest": {},
    }
    return Model(**{**settings, **changes})


def write_edf(path, samples_uv, names=CAP, *, rate_hz=250.0, extra=()):
    """Write an EDF file; labels as an amplifier writes them, with prefix and reference."""
    from edfio import Edf, EdfSignal

    held = np.clip(samples_uv, -LIMIT_UV, LIMIT_UV)
    signals = [
        EdfSignal(
            row, rate_hz, label=f"EEG {name}-A1A2", physical_dimension="uV",
            physical_range=(-3276.8, LIMIT_UV),
        )
        for row, name in zip(held, names, strict=True)
    ]  # fmt: skip
    signals += [
        EdfSignal(row, rate_hz, label=label, physical_dimension=unit, physical_range=(-6000, 6000))
        for label, unit, row in extra
    ]
    path.parent.mkdir(parents=True, exist_ok=True)
    Edf(signals, data_record_duration=0.5).write(path)
    return path


def save_rules(folder, **changes):
    """Write the model of plain thresholds into a folder."""
    from cleanspan.labelling.model import save_model

    model = rule_model()
    folder.mkdir(parents=True)
    settings = {"windows": model.windows, "events": model.events, "rules": {}, "facts": {}}
    save_model(folder, name="rules", card="# rules\n", **{**settings, **changes})
    return folder
