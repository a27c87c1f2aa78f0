"""What an EDF header says about each channel: role, scaling, range, pass band."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cleanspan.recording.header import Header, SignalHeader
from cleanspan.recording.odd import Odd, listed
from cleanspan.recording.prefilter import parse_prefilter
from cleanspan.recording.roles import Guess, assign_roles, unique_labels
from cleanspan.recording.units import voltage_factor
from cleanspan.types import Channel, Role


@dataclass(frozen=True, slots=True)
class Scale:
    """Stored integer → µV (or the header's unit where that is no voltage)."""

    factor: np.float32
    offset: np.float32


def describe_channels(
    header: Header,
) -> tuple[tuple[Channel, ...], tuple[Scale, ...], tuple[str, ...]]:
    """Describe the ordinary signals of a recording.

    Parameters
    ----------
    header : Header

    Returns
    -------
    channels : tuple of Channel
    scales : tuple of Scale
        One for each channel.
    warnings : tuple of str
    """
    signals = [signal for signal in header.signals if not signal.is_annotation]
    found = [signal.label for signal in signals]
    labels, guesses = unique_labels(found), assign_roles(found)
    odd, channels, scales = Odd(), [], []
    for index, (signal, label, guess) in enumerate(zip(signals, labels, guesses, strict=True)):
        factor, role = _judge(signal, label, guess, odd)
        scale, offset = signal.calibration or (1.0, 0.0)
        scales.append(Scale(np.float32(scale * factor), np.float32(offset * factor)))
        lowest, highest = _range_uv(signal, factor)
        band = parse_prefilter(signal.prefilter)
        channels.append(
            Channel(
                index=index,
                label=label,
                role=role,
                electrode=guess.electrode if role is Role.EEG else None,
                rate_hz=signal.samples / header.record_s if header.record_s else 0.0,
                unit=signal.unit,
                lowest_uv=lowest,
                highest_uv=highest,
                high_pass_hz=band.high_pass_hz,
                low_pass_hz=band.low_pass_hz,
                notch_hz=band.notch_hz,
            )
        )
    return tuple(channels), tuple(scales), (*_label_warnings(found), *odd.warnings)


def _judge(signal: SignalHeader, label: str, guess: Guess, odd: Odd) -> tuple[float, Role]:
    """Give the factor to µV (1 where the signal is no voltage) and the role; note what is odd."""
    factor, remark = voltage_factor(signal.unit, signal.physical_min, signal.physical_max)
    role, reason = guess.role, guess.reason
    if signal.samples == 0:
        role, reason = Role.UNUSED, "no samples"
    elif role is Role.EEG and signal.calibration is None:
        role, reason = (
            Role.OTHER,
            "physical or digital minimum and maximum are equal or unreadable",
        )
    elif role is Role.EEG and factor is None:
        role, reason = Role.OTHER, remark
    elif role is Role.EEG and remark:
        odd.note("unit", remark, label)
    if reason:
        odd.note("not screened", reason, label)
    if role is Role.EEG and signal.calibration and signal.calibration[0] < 0:
        odd.note("polarity", "the header turns the signal over; read accordingly", label)
    return factor or 1.0, role


def _range_uv(signal: SignalHeader, factor: float) -> tuple[float, float]:
    if signal.calibration is None:
        return math.nan, math.nan
    ends = sorted((signal.physical_min * factor, signal.physical_max * factor))
    return ends[0], ends[1]


def _label_warnings(labels: Sequence[str]) -> list[str]:
    repeated = sorted(label for label, n in Counter(labels).items() if n > 1 and label)
    warnings = []
    if repeated:
        warnings.append(
            f"labels: {listed(repeated)}: more than once; the repeats end in #2, #3 ..."
        )
    if "" in labels:
        warnings.append("labels: a channel without a label is called unnamed and not screened")
    return warnings
