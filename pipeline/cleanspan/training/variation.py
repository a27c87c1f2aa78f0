"""Real recordings varied before faults are injected: few people stand for many laboratories."""

from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from cleanspan.training.simulator.noise import log_uniform, power_law, shaped_noise
from cleanspan.training.simulator.overlay import (
    Samples,
    Target,
    add_mains,
    add_muscle,
    robust_levels_uv,
)
from cleanspan.types import LINE_NOISE, MUSCLE

GAIN = (0.6, 1.7)
"""Skulls differ: how much larger or smaller a whole recording may be."""
REFERENCES = ("as is", "as is", "mean", "ear")
EARS = ((("T9", "T7"), ("TP7", "P7")), (("T10", "T8"), ("TP8", "P8")))
"""Electrodes next to each ear, above it and behind it: the first of each that a cap has counts."""
BESIDE_SHARE = (0.4, 0.85)
"""Share of them that a reference nearer to them takes away (common practice): what a mastoid has
in common with the electrode beside it is small there and large everywhere else."""
HIGH_PASS_HZ, LOW_PASS_HZ = (0.1, 1.0), (25.0, 70.0)
TENSE_S = (3.0, 120.0)
"""How long laid-over muscle lasts; its size is that of `overlay.add_muscle`."""
ROUGH_GAIN, ROUGH_NOISE = (0.4, 1.6), 0.5
"""What a bad electrode leaves of the signal, and the most it adds of its own noise, as a share of
the channel's robust rms (common practice: the scalp still shows)."""


def varied(
    samples_uv: npt.ArrayLike,
    rate_hz: float,
    electrodes: Sequence[str],
    rng: np.random.Generator,
) -> Samples:
    """Record the same head elsewhere: another size, reference and pass band, each at random.

    Half of the recordings keep their reference, seven tenths each edge of their pass band
    (ranges: common practice). What a reader saw in a channel is taken to hold still.

    Parameters
    ----------
    samples_uv : array_like of shape (n_channels, n_samples), µV
        Not changed.
    rate_hz : float
    electrodes : sequence of str
    rng : numpy.random.Generator
    """
    samples = np.array(samples_uv, dtype=np.float32)
    samples *= np.float32(log_uniform(rng, *GAIN))
    samples = _referenced(samples, electrodes, str(rng.choice(REFERENCES)), rng)
    if rng.random() < 0.3:
        samples = _passed(samples, 1, log_uniform(rng, *HIGH_PASS_HZ), "highpass", rate_hz)
    if rng.random() < 0.3:
        samples = _passed(samples, 2, log_uniform(rng, *LOW_PASS_HZ), "lowpass", rate_hz)
    return samples


def _referenced(
    samples: Samples, electrodes: Sequence[str], reference: str, rng: np.random.Generator
) -> Samples:
    """Take away the mean of all channels, or what a reference beside the ears would take."""
    if reference == "mean":
        return np.asarray(samples - samples.mean(axis=0), dtype=np.float32)
    if reference == "ear":
        return np.asarray(samples - _beside_ears(samples, electrodes, rng), dtype=np.float32)
    return samples


def _beside_ears(samples: Samples, electrodes: Sequence[str], rng: np.random.Generator) -> Samples:
    """Give what a reference at one ear or both sees of the head: above it to behind it."""
    sides = EARS if rng.random() < 0.5 else (EARS[int(rng.integers(2))],)
    behind, share = float(rng.uniform(0, 1)), float(rng.uniform(*BESIDE_SHARE))
    rows = {name: row for row, name in enumerate(electrodes)}
    seen = np.zeros(samples.shape[1], dtype=np.float32)
    for places in sides:
        for names, weight in zip(places, (1 - behind, behind), strict=True):
            near = [rows[name] for name in names if name in rows]
            if near:
                seen += np.float32(share * weight / len(sides)) * samples[near[0]]
    return seen


def _passed(
    samples: Samples,
    order: int,
    edge_hz: float,
    kind: Literal["highpass", "lowpass"],
    rate_hz: float,
) -> Samples:
    """Filter all channels; the first sample is taken for what was before."""
    from scipy import signal

    sections = signal.butter(order, min(edge_hz, 0.45 * rate_hz), kind, fs=rate_hz, output="sos")
    first = samples[:, :1]
    start = signal.sosfilt_zi(sections)[:, None, :] * first[None, :, :]
    return np.asarray(signal.sosfilt(sections, samples, axis=1, zi=start)[0], dtype=np.float32)


def tensed(
    samples_uv: npt.ArrayLike, rate_hz: float, electrodes: Sequence[str], rng: np.random.Generator
) -> Samples:
    """Lay lasting muscle over every other recording, on one to three places.

    It agrees with no neighbour and may be far larger than the EEG, but the electrode has contact.

    Parameters
    ----------
    samples_uv : array_like of shape (n_channels, n_samples), µV
        Not changed.
    rate_hz : float
    electrodes : sequence of str
    rng : numpy.random.Generator
    """
    samples = np.array(samples_uv, dtype=np.float32)
    if rng.random() < 0.5:
        return samples
    target = Target.of(samples, rate_hz, electrodes)
    for row in rng.choice(len(samples), size=min(int(rng.integers(1, 4)), len(samples))):
        length_s = min(log_uniform(rng, *TENSE_S), target.duration_s)
        onset_s = float(rng.uniform(0, target.duration_s - length_s))
        add_muscle(target, rng, MUSCLE, int(row), onset_s, length_s)
    return samples


def hummed(
    samples_uv: npt.ArrayLike,
    rate_hz: float,
    electrodes: Sequence[str],
    rng: np.random.Generator,
    *,
    mains_hz: float,
) -> Samples:
    """Lay line noise over every other recording, on one, some or all electrodes.

    A loose electrode picks mains up, but mains alone do not make an electrode loose.

    Parameters
    ----------
    samples_uv : array_like of shape (n_channels, n_samples), µV
        Not changed.
    rate_hz : float
    electrodes : sequence of str
    rng : numpy.random.Generator
    mains_hz : float
    """
    samples = np.array(samples_uv, dtype=np.float32)
    if rng.random() < 0.5:
        return samples
    target = Target.of(samples, rate_hz, electrodes, mains_hz=mains_hz)
    add_mains(target, rng, LINE_NOISE, int(rng.integers(len(samples))), 0.0, target.duration_s)
    return samples


def roughened(
    samples_uv: npt.ArrayLike, rate_hz: float, rng: np.random.Generator, *, share: float
) -> Samples:
    """Make some electrodes worse than the others that still show the scalp, so not lost.

    A sponge that is half dry weakens its channel or adds noise of its own to it. Either way the
    channel agrees less with its neighbours, and a model must not take that alone for a fault.

    Parameters
    ----------
    samples_uv : array_like of shape (n_channels, n_samples), µV
        Not changed.
    rate_hz : float
    rng : numpy.random.Generator
    share : float
        How many of the channels, 0 to 1.
    """
    samples = np.array(samples_uv, dtype=np.float32)
    levels_uv = robust_levels_uv(samples)
    for row in np.flatnonzero(rng.random(len(samples)) < share):
        samples[row] *= np.float32(log_uniform(rng, *ROUGH_GAIN))
        slope = float(rng.uniform(0.3, 1.8))
        noise = shaped_noise(
            rng,
            1,
            n_samples=samples.shape[1],
            rate_hz=rate_hz,
            density=power_law(slope, 0.5),
        )[0]
        samples[row] += np.float32(rng.uniform(0, ROUGH_NOISE) * levels_uv[row]) * noise
    return samples
