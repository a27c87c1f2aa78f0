"""Takes mains out of the slower signals, in which it would pass for slow or fast activity.

Averaging to a slower rate folds what is left of mains back: 60 Hz at 160 samples a second becomes
14 % of itself at 6.7 Hz, and a channel with strong mains seems to disagree with its neighbours.
Mains has features of its own; the others should not depend on it.
"""

from collections.abc import Mapping
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from cleanspan.features.spectral import MAINS_HZ

Samples = npt.NDArray[np.float32]
Phasors = npt.NDArray[np.complex64]
BLOCK_S = 1.0
"""Amplitude and phase are measured every second, and are straight lines in between."""
QUIET_UV = 0.3
"""Where averaging leaves less than this amplitude, nothing is taken away."""
NULLED = 0.01
"""Nor where it leaves less than this share."""


class Mains:
    """Mains in a stretch of samples: amplitude and phase of each channel, second by second.

    Blocks lie on a grid from the piece's first sample, so the same samples give the same mains
    however they are cut.

    Parameters
    ----------
    samples_uv : ndarray of shape (n_channels, n_samples), µV
    rate_hz : float
    first_sample : int
        Index of the first column, counted from the piece's start.
    """

    def __init__(self, samples_uv: Samples, rate_hz: float, first_sample: int) -> None:
        self.rate_hz = rate_hz
        self.length = max(round(BLOCK_S * rate_hz), 1)
        self.first_block = -(-first_sample // self.length)
        begin = self.first_block * self.length - first_sample
        self.count = max((samples_uv.shape[1] - begin) // self.length, 0)
        whole = samples_uv[:, begin : begin + self.count * self.length]
        blocks = whole.reshape(len(samples_uv), self.count, self.length)
        shown = tuple(hz for hz in MAINS_HZ if self.count and hz < rate_hz / 2 - 1)
        self.phasors = dict(zip(shown, self._phasors(blocks, shown), strict=True))

    def _phasors(self, blocks: Samples, shown: tuple[float, ...]) -> list[Phasors]:
        """Amplitude and phase of each block, each of shape (n_channels, n_blocks)."""
        if not shown:
            return []
        parts = blocks @ _probes(shown, self.length, self.rate_hz)
        starts = np.arange(self.count) * self.length
        found = []
        for place, hz in enumerate(shown):
            back = np.exp(-2j * np.pi * ((hz * starts / self.rate_hz) % 1))
            phasors = parts[..., 2 * place] + 1j * parts[..., 2 * place + 1]
            found.append((phasors * back.astype(np.complex64)).astype(np.complex64))
        return found

    def taken_from(self, slower_uv: Samples, factor: int, first: int) -> Samples:
        """Take mains away from box-averaged samples.

        Parameters
        ----------
        slower_uv : ndarray of shape (n_channels, n_slower), µV
            Each the mean of `factor` samples.
        factor : int
        first : int
            Index of the first on the piece's slower grid.

        Returns
        -------
        ndarray of shape (n_channels, n_slower), µV
            A copy where anything was taken away.
        """
        left = {hz: _left_by_averaging(hz / self.rate_hz, factor) for hz in self.phasors}
        needed = [hz for hz, share in left.items() if abs(share) >= NULLED]
        if not needed:
            return slower_uv
        weights, loud = self._weights(needed, left)
        if not loud.any():
            return slower_uv
        bounds, basis = _waves(
            tuple(needed),
            slower_uv.shape[1],
            factor=factor,
            offset=first * factor - self.first_block * self.length,
            blocks=(self.count, self.length),
            rate_hz=self.rate_hz,
        )
        cleaned = slower_uv.copy()
        for place in np.flatnonzero(loud):
            some = slice(bounds[place], bounds[place + 1])
            cleaned[:, some] -= weights[place] @ basis[:, some]
        return cleaned

    def _weights(
        self, needed: list[float], left: Mapping[float, float]
    ) -> tuple[Samples, npt.NDArray[np.bool_]]:
        """Say how much of each wave averaging leaves in each stretch; beyond the ends as there.

        Returns
        -------
        weights : ndarray of shape (n_stretches, n_channels, 4 * n_frequencies)
        loud : ndarray of bool of shape (n_stretches,)
        """
        before = np.maximum(np.arange(self.count + 1) - 1, 0)
        after = np.minimum(np.arange(self.count + 1), self.count - 1)
        parts, loud = [], np.zeros(self.count + 1, dtype=bool)
        for hz in needed:
            phasors = self.phasors[hz] * np.float32(left[hz])
            seen = np.abs(phasors) >= QUIET_UV
            here = seen[:, before] | seen[:, after]
            one, other = phasors[:, before] * here, phasors[:, after] * here
            parts += [one.real, one.imag, other.real, other.imag]
            loud |= here.any(axis=0)
        return np.ascontiguousarray(np.stack(parts, axis=2).transpose(1, 0, 2)), loud


@lru_cache(maxsize=8)
def _probes(shown: tuple[float, ...], length: int, rate_hz: float) -> Samples:
    """Columns that measure cosine and sine of each frequency under a Hann window."""
    taper = np.hanning(length + 2)[1:-1]
    columns = []
    for hz in shown:
        turn = 2 * np.pi * hz * np.arange(length) / rate_hz
        columns += [taper * np.cos(turn), -taper * np.sin(turn)]
    basis = np.stack(columns, axis=1)
    # Offset and drift may be a thousand times larger than mains: they must not count at all.
    line, _ = np.linalg.qr(np.stack((np.ones(length), np.arange(length)), axis=1))
    basis -= line @ (line.T @ basis)
    return np.asarray(basis * 2 / taper.sum(), dtype=np.float32)


@lru_cache(maxsize=8)
def _waves(
    needed: tuple[float, ...],
    n_slower: int,
    *,
    factor: int,
    offset: int,
    blocks: tuple[int, int],
    rate_hz: float,
) -> tuple[list[int], Samples]:
    """Stretches between the middles of neighbouring blocks, and the waves in them.

    Most chunks lie alike on the blocks' grid and share what was worked out for the first.

    Parameters
    ----------
    needed : tuple of float
        Frequencies.
    n_slower, factor, offset : int
        How many slower samples of `factor` samples each; the first one's first sample, counted
        from the first block's.
    blocks : (count, length)
        Length in samples.
    rate_hz : float

    Returns
    -------
    bounds : list of int
        Stretch ``k`` holds the slower samples ``bounds[k]:bounds[k + 1]``.
    basis : ndarray of shape (4 * n_frequencies, n_slower)
        Cosine and sine fading out, and fading in.
    """
    count, length = blocks
    middle = offset + np.arange(n_slower) * float(factor) + (factor - 1) / 2
    centres = (np.arange(count) + 0.5) * length - 0.5
    bounds = [0, *np.searchsorted(middle, centres).tolist(), n_slower]
    stretch = np.repeat(np.arange(count + 1), np.diff(bounds))
    before = centres[np.maximum(stretch - 1, 0)]
    share = np.clip((middle - before) / length, 0, 1).astype(np.float32)
    rows = []
    for hz in needed:
        # Whole turns go before single precision, which many of them would use up.
        turn = (2 * np.pi * ((hz / rate_hz * middle) % 1)).astype(np.float32)
        cosine, sine = np.cos(turn), np.sin(turn)
        rows += [(1 - share) * cosine, (share - 1) * sine, share * cosine, -share * sine]
    basis = np.array(rows, dtype=np.float32)
    basis.flags.writeable = False
    return bounds, basis


def _left_by_averaging(cycles: float, factor: int) -> float:
    """Gain of the mean of `factor` samples for a sine (Dirichlet kernel)."""
    if factor == 1:
        return 1.0
    return float(np.sin(np.pi * cycles * factor) / (factor * np.sin(np.pi * cycles)))
