"""Slower versions of a chunk's samples, with mains and without."""

import numpy as np
import numpy.typing as npt

from cleanspan.features.mains import Mains
from cleanspan.features.windows import WINDOW_S, Chunk, boxed, gather


class Slower:
    """Box-averaged samples of one chunk, each rate made once.

    Parameters
    ----------
    chunk : Chunk
    rate_hz : float
    """

    def __init__(self, chunk: Chunk, rate_hz: float) -> None:
        self.chunk = chunk
        self.rate_hz = rate_hz
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

    def cut(
        self,
        slower: npt.NDArray[np.float32],
        factor: int,
        starts_s: npt.NDArray[np.float64],
        *,
        before: int = 0,
    ) -> npt.NDArray[np.float32]:
        """Cut windows out of samples at a slower rate.

        Parameters
        ----------
        slower : ndarray of shape (n_channels, n_slower)
            What `whole` or `without_mains` gave, or the same in another form.
        factor : int
        starts_s : ndarray of shape (n_windows,), s
            From the piece's start.
        before : int
            How many samples earlier the windows begin.

        Returns
        -------
        ndarray of shape (n_channels, n_windows, before + length)
            Must not be written to.
        """
        rate_hz = self.rate_hz / factor
        # A window of a rate that is no whole number may reach one sample past the piece's end.
        length = min(round(rate_hz * WINDOW_S) + before, slower.shape[1])
        starts = np.rint(starts_s * rate_hz).astype(np.int64) - self.first(factor) - before
        return gather(slower, np.clip(starts, 0, slower.shape[1] - length), length)
