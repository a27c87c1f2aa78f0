"""Slower versions of a chunk's samples, with mains and without."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.mains import Mains
from cleanspan.features.windows import Chunk, boxed


class Slower:
    """Box-averaged samples of one chunk, each rate made once.

    Parameters
    ----------
    chunk : Chunk
    rate_hz : float
    """

    def __init__(self, chunk: Chunk, rate_hz: float) -> None:
        self.chunk = chunk
        self._mains = Mains(chunk.samples_uv, rate_hz, chunk.first_sample)
        self._whole: dict[int, npt.NDArray[np.float32]] = {}
        self._without: dict[int, npt.NDArray[np.float32]] = {}

    def first(self, factor: int) -> int:
        """Index of the first sample on the piece's own slower grid."""
        return -(-self.chunk.first_sample // factor)

    def whole(self, factor: int) -> npt.NDArray[np.float32]:
        """Means of each run of `factor` samples, ndarray of shape (n_channels, n_slower), µV."""
        if factor not in self._whole:
            skip = self.first(factor) * factor - self.chunk.first_sample
            self._whole[factor] = boxed(self.chunk.samples_uv[:, skip:], factor)
        return self._whole[factor]

    def without_mains(self, factor: int) -> npt.NDArray[np.float32]:
        """Give the same with mains taken out."""
        if factor not in self._without:
            self._without[factor] = self._mains.taken_from(
                self.whole(factor), factor, self.first(factor)
            )
        return self._without[factor]
