"""A recording that lies in memory: simulated ones, notebooks' arrays, injected faults."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cleanspan.types import Block, Channel, Note, Piece


class ArrayRecording:
    """Samples at hand, seen as a `cleanspan.types.Recording`.

    Parameters
    ----------
    samples_uv : ndarray of shape (n_channels, n_samples), µV
    channels : sequence of Channel
        All of one rate; `Channel.index` is the row.
    name : str
        What to call it.
    notes : sequence of Note
    """

    format = "array"

    def __init__(
        self,
        samples_uv: npt.NDArray[np.floating],
        channels: Sequence[Channel],
        *,
        name: str = "array",
        notes: Sequence[Note] = (),
    ) -> None:
        self.samples_uv = np.asarray(samples_uv, dtype=np.float32)
        self.channels = tuple(channels)
        self.path = Path(name)
        self.notes = tuple(notes)
        self.start: datetime | None = None
        self.warnings: tuple[str, ...] = ()
        self.rate_hz = channels[0].rate_hz
        self.pieces: tuple[Piece, ...] = (Piece(0.0, self.samples_uv.shape[1] / self.rate_hz),)

    @property
    def duration_s(self) -> float:
        """Length, s."""
        return self.pieces[0].duration_s

    def blocks(self, channels: Sequence[int], *, block_s: float = 20.0) -> Iterator[Block]:
        """Yield the samples in blocks."""
        size = max(round(block_s * self.rate_hz), 1)
        for first in range(0, self.samples_uv.shape[1], size):
            yield Block(0, first, self.samples_uv[list(channels), first : first + size])

    def span(
        self, channels: Sequence[int], onset_s: float, duration_s: float
    ) -> npt.NDArray[np.float32]:
        """Read a span; NaN outside the recording."""
        first, count = round(onset_s * self.rate_hz), round(duration_s * self.rate_hz)
        out = np.full((len(channels), count), np.nan, dtype=np.float32)
        low, high = max(first, 0), min(first + count, self.samples_uv.shape[1])
        if high > low:
            out[:, low - first : high - first] = self.samples_uv[list(channels), low:high]
        return out

    def close(self) -> None:
        """Nothing to release."""
