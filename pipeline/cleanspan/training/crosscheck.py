"""Finished marks judged on people left out: read recordings, injected faults, simulation."""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cleanspan.config import Config, SegmentRule
from cleanspan.labelling.model import Model
from cleanspan.labelling.network import Panel
from cleanspan.recording.in_memory import ArrayRecording
from cleanspan.screen import screened
from cleanspan.training.evaluation import Score, evaluate_segments, person_of, pooled
from cleanspan.training.hand_labels import HandLabel
from cleanspan.training.injection import CONTACT_KINDS, TOGETHER
from cleanspan.training.open_recordings import READ_S, SYSTEM_10_20
from cleanspan.training.simulator import random_scenario, simulate
from cleanspan.training.sources import (
    as_channels,
    as_hand_labels,
    cut_down,
    injected_recording,
)
from cleanspan.training.truth import ANY, TWO, Agreement, labels_of
from cleanspan.types import BLINK, CONTACT_LOSS, LABELS, LINE_NOISE, MUSCLE, Recording

DRAWS = 3
"""How many times each kind of fault is injected into each recording that is judged."""
JUDGED_KINDS: Mapping[str, tuple[str, Mapping[str, float]]] = {
    **{kind: (kind, TOGETHER) for kind in (*CONTACT_KINDS, "pulling")},
    "popping, one electrode": ("popping", {}),
    "popping, neighbours at once": ("popping", {"popping": 1.0}),
}
"""Faults that are judged one kind at a time, and how often neighbours go at once there: a quarter
of the pops, but as that makes half of the seconds, each sort is judged alone too."""
READ_LABELS = (BLINK, MUSCLE, CONTACT_LOSS)
SMALL_CAPS = (
    ("Fp1",),
    ("Fp1", "Fp2"),
    ("Fp1", "Cz"),
    ("Fp1", "C3", "O1"),
    ("Fp1", "Fp2", "F7", "F8"),
    ("Fp2", "C4", "Pz", "O2"),
)
"""Caps of a few electrodes to be judged on: one above an eye, for blinks there pass for faults."""


def as_model(
    windows: Panel, events: Panel, rules: Mapping[str, SegmentRule], *, name: str = "trial"
) -> Model:
    """Make a model of fitted panels without writing it."""
    return Model(
        name=name,
        labels=events.labels + windows.labels,
        windows=windows,
        events=events,
        rules=rules,
        fingerprint="00000000",
        manifest={},
    )


def judge(
    recording: Recording | Path,
    hand_labels: Sequence[HandLabel],
    model: Model,
    *,
    channels: Sequence[str],
    duration_s: float,
    names: Sequence[str],
    agreement: Agreement,
    name: str,
) -> Score:
    """Screen one recording and compare its segments with what is known."""
    with screened(recording, config=Config(), model=model) as result:
        electrode_of = {channel.label: channel.electrode or "" for channel in result.eeg}
        segments = result.segments.assign(
            channel=result.segments["channel"].astype(str).map(electrode_of)
        )
        kept = segments[segments["channel"].isin(channels) & (segments["onset_s"] < duration_s)]
        return evaluate_segments(
            kept,
            hand_labels,
            channels=list(channels),
            duration_s=duration_s,
            names=names,
            agreement=agreement,
            recording=name,
            person=person_of(name),
        )


def judge_read(
    paths: Sequence[Path], hand_labels: Sequence[HandLabel], model: Model
) -> list[Score]:
    """Judge the marks in recordings that people read, whole caps as they come."""
    return [_judge_read(path, path, hand_labels, model, SYSTEM_10_20) for path in paths]


def judge_small(
    paths: Sequence[Path], hand_labels: Sequence[HandLabel], model: Model
) -> dict[str, Score]:
    """Judge the marks in the same recordings cut down to each of `SMALL_CAPS`."""
    scores: dict[str, Score] = {}
    for cap in SMALL_CAPS if paths else ():
        each = [
            _judge_read(cut_down(path, cap, longest_s=READ_S), path, hand_labels, model, cap)
            for path in paths
        ]
        scores[" ".join(cap)] = pooled(each, name=" ".join(cap))
    return scores


def _judge_read(
    recording: Recording | Path,
    path: Path,
    hand_labels: Sequence[HandLabel],
    model: Model,
    channels: Sequence[str],
) -> Score:
    """Judge what readers saw of one recording; `path` names it in their marks."""
    return judge(
        recording,
        labels_of(hand_labels, path.name),
        model,
        channels=channels,
        duration_s=READ_S,
        names=READ_LABELS,
        agreement=TWO,
        name=path.name,
    )


def judge_injected(
    paths: Sequence[Path],
    hand_labels: Sequence[HandLabel],
    model: Model,
    *,
    seed: int,
    longest_s: float = READ_S,
) -> dict[str, Score]:
    """Judge each kind of contact loss, injected alone into the first part of recordings."""
    scores: dict[str, Score] = {}
    for name, (kind, together) in JUDGED_KINDS.items() if paths else ():
        each = []
        for path, draw in product(paths, range(DRAWS)):
            made, labels = injected_recording(
                path,
                labels_of(hand_labels, path.name),
                # Another draw for every recording: one odd fault must not count many times.
                seed=seed + draw + 1000 * (zlib.crc32(path.name.encode()) % 10_000),
                electrodes=SYSTEM_10_20,
                longest_s=longest_s,
                kinds=(kind,),
                per_minute=3.0,
                together=together,
            )
            each.append(
                judge(
                    made,
                    labels,
                    model,
                    channels=SYSTEM_10_20,
                    duration_s=made.duration_s,
                    names=(CONTACT_LOSS,),
                    agreement=ANY,
                    name=path.name,
                )
            )
        scores[name] = pooled(each, name=name)
    return scores


def judge_simulated(seeds: Sequence[int], model: Model) -> Score:
    """Judge all labels on simulated recordings that were not learned from."""
    return pooled([_judge_simulation(seed, model) for seed in seeds], name="simulated")


def _judge_simulation(seed: int, model: Model) -> Score:
    rng = np.random.default_rng(seed)
    made = simulate(rng, scenario=random_scenario(rng))
    channels = as_channels(
        made.electrodes,
        made.rate_hz,
        (made.facts.lowest_uv, made.facts.highest_uv),
        made.facts.low_pass_hz,
    )
    name = f"simulated-{seed}"
    recording = ArrayRecording(made.samples_uv, channels, name=name)
    return judge(
        recording,
        as_hand_labels(made.labels, recording.duration_s, recording=name),
        model,
        channels=made.electrodes,
        duration_s=recording.duration_s,
        names=LABELS,
        agreement=ANY,
        name=name,
    )


@dataclass(frozen=True, slots=True)
class MainsCheck:
    """Whether line noise is marked where it must be, and only there.

    Attributes
    ----------
    must, found : int
        Channels whose mains rms exceeds their 1-40 Hz rms, and those of them that are marked
        for at least nine tenths of the recording.
    must_not, marked : int
        Channels whose mains rms is below a quarter, and those of them with any mark.
    """

    must: int
    found: int
    must_not: int
    marked: int


def check_mains(path: Path, model: Model) -> MainsCheck:
    """Compare line noise marks with the measured ratio of each channel."""
    with screened(path, config=Config(), model=model) as result:
        ratios = mains_ratios(result.recording, [channel.index for channel in result.eeg])
        rows = result.segments[result.segments["label"] == LINE_NOISE]
        marked_s = rows.groupby("channel", observed=False)["duration_s"].sum()
        shares = np.array([marked_s[channel.label] for channel in result.eeg])
        shares = shares / result.recording.duration_s
    must, must_not = ratios > 1, ratios < 0.25
    return MainsCheck(
        int(must.sum()),
        int((must & (shares >= 0.9)).sum()),
        int(must_not.sum()),
        int((must_not & (shares > 0)).sum()),
    )


def mains_ratios(recording: Recording, channels: Sequence[int]) -> npt.NDArray[np.float64]:
    """Rms at 50 or 60 ± 1 Hz (the larger) against 1-40 Hz rms, by scipy's Welch estimate."""
    from scipy import signal

    samples = recording.span(channels, 0.0, recording.duration_s)
    samples = samples[:, np.isfinite(samples).all(axis=0)]
    rate_hz = recording.channels[channels[0]].rate_hz
    frequency, density = signal.welch(samples, rate_hz, nperseg=round(4 * rate_hz), axis=1)
    body = density[:, (frequency >= 1) & (frequency <= 40)].sum(axis=1)
    mains = [
        density[:, np.abs(frequency - mains_hz) <= 1].sum(axis=1) for mains_hz in (50.0, 60.0)
    ]
    ratios: npt.NDArray[np.float64] = np.sqrt(np.max(mains, axis=0) / body)
    return ratios
