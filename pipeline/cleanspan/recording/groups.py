"""Scalp channels that are screened together: those of one sampling rate."""

from collections.abc import Sequence

from cleanspan.errors import NoEegChannelError, RecordingError
from cleanspan.recording.roles import why_no_scalp
from cleanspan.types import Channel, Recording, Role

LOWEST_RATE_HZ = 90.0
"""Below this, neither muscle (from 20 Hz) nor the shape of a blink can be judged."""


def groups_by_rate(recording: Recording) -> list[tuple[Channel, ...]]:
    """Scalp channels by sampling rate, the largest group first.

    Raises
    ------
    RecordingError
        If none can be screened, or the recording is too short.
    """
    scalp = [channel for channel in recording.channels if channel.role == Role.EEG]
    if not scalp:
        labels = [channel.label for channel in recording.channels]
        raise NoEegChannelError(
            f"{recording.path.name}: {why_no_scalp(labels, recording.warnings)}"
        )
    longest_s = max((piece.duration_s for piece in recording.pieces), default=0.0)
    if longest_s < 1.0:
        raise RecordingError(
            f"{recording.path.name}: a recording must last at least 1 s without a gap, got "
            f"{longest_s:.3g} s"
        )
    rates = dict.fromkeys(channel.rate_hz for channel in scalp)
    groups = [tuple(channel for channel in scalp if channel.rate_hz == rate) for rate in rates]
    fast = [group for group in groups if group[0].rate_hz >= LOWEST_RATE_HZ]
    if not fast:
        raise RecordingError(
            f"{recording.path.name}: scalp channels must be sampled at {LOWEST_RATE_HZ:g} Hz or "
            f"more, got {max(rates):g} Hz"
        )
    return sorted(fast, key=len, reverse=True)


def left_aside(channels: Sequence[Channel], eeg: Sequence[Channel]) -> list[str]:
    """Say which scalp channels were too slow to be screened."""
    slow = [
        channel.label for channel in channels if channel.role == Role.EEG and channel not in eeg
    ]
    return (
        [f"not screened, sampled below {LOWEST_RATE_HZ:g} Hz: {', '.join(slow)}"] if slow else []
    )
