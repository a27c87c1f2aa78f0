"""The workflow of one recording: read, window, label, segment, write."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one recording; small enough to travel between processes.

    Attributes
    ----------
    recording : str
        File name (without the folder).
    status : {"done", "failed"}
    folder : Path or None
        Where its results lie.
    duration_s, usable_s : float
        NaN where it failed; usable under the chosen plan.
    channels : int
        Number of scalp channels that were screened.
    clean_share : float
        Share of channel-time without any label.
    shares : mapping of str to float
        Share of channel-time under each label.
    model, config : str
        Fingerprints.
    warnings : tuple of str
    error : str
        One line where it failed, else empty.
    """

    recording: str
    status: str
    folder: Path | None = None
    duration_s: float = float("nan")
    channels: int = 0
    clean_share: float = float("nan")
    usable_s: float = float("nan")
    shares: Mapping[str, float] = field(default_factory=dict)
    mend: tuple[str, ...] = ()
    model: str = ""
    config: str = ""
    warnings: tuple[str, ...] = ()
    error: str = ""
