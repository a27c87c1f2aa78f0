"""Where training data come from: simulation, open recordings with readers' marks, injection."""

import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cleanspan.config import Windows
from cleanspan.recording.in_memory import ArrayRecording
from cleanspan.recording.opening import open_recording
from cleanspan.training.dataset import Tables, joined, tables_of
from cleanspan.training.hand_labels import HandLabel
from cleanspan.training.injection import CONTACT_KINDS, PULLS, TOGETHER, inject
from cleanspan.training.open_recordings import mains_hz
from cleanspan.training.simulator import Simulated, Span, random_scenario, simulate
from cleanspan.training.truth import ANY, TWO
from cleanspan.training.variation import hummed, roughened, tensed, varied
from cleanspan.training.wording import OTHER, REVIEWED, UNSURE
from cleanspan.types import ALL_CHANNELS, CONTACT_LOSS, LINE_NOISE, MUSCLE, Channel, Role

WINDOW_LABELS = (MUSCLE, LINE_NOISE, CONTACT_LOSS)
ROUGH_SHARE = 0.15
"""Share of the channels that are bad without being lost where a model learns about faults."""
LEARNED_KINDS = (*CONTACT_KINDS * 8, "pulling", *PULLS)
"""Faults to learn from: pulls more seldom than the others."""
LEARNED_TOGETHER = {**TOGETHER, "popping": 0.5, "pulling": 0.5}
"""How often neighbours go at once there: pops that several show are the harder ones."""
GRID = Windows()


def as_channels(
    electrodes: Sequence[str], rate_hz: float, limits_uv: tuple[float, float], low_pass_hz: float
) -> tuple[Channel, ...]:
    """Describe simulated electrodes as channels."""
    return tuple(
        Channel(
            index=row,
            label=name,
            role=Role.EEG,
            electrode=name,
            rate_hz=rate_hz,
            lowest_uv=limits_uv[0],
            highest_uv=limits_uv[1],
            low_pass_hz=low_pass_hz,
        )
        for row, name in enumerate(electrodes)
    )


def as_hand_labels(spans: Iterable[Span], duration_s: float, *, recording: str) -> list[HandLabel]:
    """Write known spans down as a reader would who looked at everything."""
    rows = [
        HandLabel(
            recording=recording,
            label=span.label,
            onset_s=span.onset_s,
            duration_s=span.duration_s,
            channels=span.channels,
            reader="truth",
            note=span.kind,
            place=recording,
        )
        for span in spans
    ]
    looked = HandLabel(
        recording, REVIEWED, 0.0, duration_s, (ALL_CHANNELS,), "truth", "", recording
    )
    return [*rows, looked]


def simulated_tables(seed: int, *, electrodes: Sequence[str] | None = None) -> Tables:
    """Simulate one recording and compute its labelled features.

    Parameters
    ----------
    seed : int
        Decides scenario and samples; the simulated person is named after it.
    electrodes : sequence of str, optional
        Use only these of its channels, if it has any of them.
    """
    rng = np.random.default_rng(seed)
    made = simulate(rng, scenario=random_scenario(rng))
    rows = [row for row, name in enumerate(made.electrodes) if name in (electrodes or ())]
    if rows:
        names = tuple(made.electrodes[row] for row in rows)
        made = replace(made, samples_uv=made.samples_uv[rows], electrodes=names)
    return simulation_tables(made, name=f"simulated-{seed}")


def simulation_tables(made: Simulated, *, name: str) -> Tables:
    """Compute the labelled features of a simulated recording."""
    # Many headers in practice say nothing about the pass band: here every other one, by name.
    stated = zlib.crc32(name.encode()) % 2 == 0
    channels = as_channels(
        made.electrodes,
        made.rate_hz,
        (made.facts.lowest_uv, made.facts.highest_uv),
        made.facts.low_pass_hz if stated else made.rate_hz / 2,
    )
    recording = ArrayRecording(made.samples_uv, channels, name=name)
    labels = as_hand_labels(made.labels, recording.duration_s, recording=name)
    return tables_of(
        recording,
        channels,
        labels,
        labels=WINDOW_LABELS,
        name=name,
        person=name,
        windows=GRID,
        agreement=ANY,
    )


def read_tables(
    path: Path,
    hand_labels: Sequence[HandLabel],
    *,
    person: str,
    electrodes: Sequence[str] | None = None,
    labels: Sequence[str] = WINDOW_LABELS,
) -> Tables:
    """Compute the labelled features of a recording that readers marked.

    Parameters
    ----------
    path : Path
    hand_labels : sequence of HandLabel
        The marks of this recording.
    person : str
    electrodes : sequence of str, optional
        Use only these channels, as a smaller cap would have had them.
    labels : sequence of str
        Window labels to make truth for.
    """
    recording = open_recording(path)
    try:
        channels = scalp_channels(recording.channels, electrodes)
        return tables_of(
            recording,
            channels,
            hand_labels,
            labels=labels,
            name=path.name,
            person=person,
            windows=GRID,
            agreement=TWO,
        )
    finally:
        recording.close()


def injected_tables(
    path: Path,
    hand_labels: Sequence[HandLabel],
    *,
    person: str,
    seed: int,
    electrodes: Sequence[str] | None,
    longest_s: float,
) -> Tables:
    """Compute labelled windows of a read recording with faults injected: contact loss only."""
    made, labels = injected_recording(
        path,
        hand_labels,
        seed=seed,
        electrodes=electrodes,
        longest_s=longest_s,
        kinds=LEARNED_KINDS,
        together=LEARNED_TOGETHER,
        rough_share=ROUGH_SHARE,
    )
    tables = tables_of(
        made,
        made.channels,
        labels,
        labels=(CONTACT_LOSS,),
        name=made.path.name,
        person=person,
        windows=GRID,
        agreement=ANY,
    )
    return Tables(tables.windows, tables.events.rows(np.zeros(len(tables.events), dtype=bool)))


def injected_recording(
    path: Path,
    hand_labels: Sequence[HandLabel],
    *,
    seed: int,
    electrodes: Sequence[str] | None,
    longest_s: float,
    kinds: Sequence[str] = CONTACT_KINDS,
    per_minute: float = 4.0,
    together: Mapping[str, float] = TOGETHER,
    rough_share: float = 0.0,
) -> tuple[ArrayRecording, list[HandLabel]]:
    """Inject contact faults into the part of a recording that readers looked at.

    Parameters
    ----------
    path : Path
    hand_labels : sequence of HandLabel
        The readers' marks: where they saw or doubted contact, nothing is known.
    seed : int
    electrodes : sequence of str
        Channels to use.
    longest_s : float
        Length of the part, from the start.
    kinds, per_minute, together
        See `injection.inject`.
    rough_share : float
        How many channels are made worse first without being lost, for learning; the recording is
        varied then, too (see `variation`).

    Returns
    -------
    recording : ArrayRecording
    labels : list of HandLabel
        What was injected, as one reader's marks.
    """
    channels, samples = _first_part(path, electrodes, longest_s)
    rate_hz = channels[0].rate_hz
    rng = np.random.default_rng(seed)
    names = [channel.electrode or "" for channel in channels]
    if rough_share:
        samples = varied(samples, rate_hz, names, rng)
        samples = roughened(samples, rate_hz, rng, share=rough_share)
        samples = tensed(samples, rate_hz, names, rng)
        samples = hummed(samples, rate_hz, names, rng, mains_hz=mains_hz(path))
    changed, spans = inject(
        samples,
        rate_hz,
        names,
        rng,
        kinds=kinds,
        per_minute=per_minute,
        together=together,
        mains_hz=mains_hz(path),
    )
    limit = float(np.abs(changed).max())
    described = as_channels(names, rate_hz, (-limit, limit), rate_hz / 2)
    name = f"{path.stem}-injected-{seed}"
    made = ArrayRecording(changed, described, name=name)
    labels = as_hand_labels(spans, made.duration_s, recording=name)
    for row in hand_labels:
        if row.label == CONTACT_LOSS or row.label in (UNSURE, OTHER):
            labels.append(
                replace(row, recording=name, label=UNSURE, note=CONTACT_LOSS, reader="truth")
            )
    return made, labels


def _first_part(
    path: Path, electrodes: Sequence[str] | None, longest_s: float
) -> tuple[tuple[Channel, ...], npt.NDArray[np.float32]]:
    """Read the first part of a recording: its channels and their samples, µV."""
    recording = open_recording(path)
    try:
        channels = scalp_channels(recording.channels, electrodes)
        length_s = min(recording.duration_s, longest_s)
        return channels, recording.span([channel.index for channel in channels], 0.0, length_s)
    finally:
        recording.close()


def cut_down(path: Path, electrodes: Sequence[str], *, longest_s: float) -> ArrayRecording:
    """Give the first part of a recording as a smaller cap would have had it.

    Parameters
    ----------
    path : Path
    electrodes : sequence of str
    longest_s : float
    """
    channels, samples = _first_part(path, electrodes, longest_s)
    kept = tuple(replace(channel, index=row) for row, channel in enumerate(channels))
    return ArrayRecording(samples, kept, name=path.stem)


def scalp_channels(
    channels: Sequence[Channel], electrodes: Sequence[str] | None = None
) -> tuple[Channel, ...]:
    """Scalp channels of the commonest rate, restricted to some electrodes if wanted."""
    scalp = [channel for channel in channels if channel.role == Role.EEG]
    if electrodes is not None:
        scalp = [channel for channel in scalp if channel.electrode in electrodes]
    rates = [channel.rate_hz for channel in scalp]
    commonest = max(set(rates), key=rates.count) if rates else 0.0
    return tuple(channel for channel in scalp if channel.rate_hz == commonest)


def all_joined(tables: Sequence[Tables]) -> Tables:
    """Put several recordings' tables together."""
    return Tables(
        joined([table.windows for table in tables]), joined([table.events for table in tables])
    )
