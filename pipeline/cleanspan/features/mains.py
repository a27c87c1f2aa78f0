"""Takes mains out of the slower signals, in which it would pass for slow or fast activity.

Averaging to a slower rate folds what is left of mains back: 60 Hz at 160 samples a second becomes
14 % of itself at 6.7 Hz, and a channel with strong mains seems to disagree with its neighbours.
Mains has features of its own; the others should not depend on it.
"""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from cleanspan.features.spectral import MAINS_HZ

Samples = npt.NDArray[np.float32]
BLOCK_S = 0.5
"""Amplitude and phase are measured twice a second, and are straight lines in between."""
QUIET_UV = 0.3
"""Amplitudes below this are left alone."""
NULLED = 0.01
"""Where averaging leaves less than this share of mains, nothing is taken away."""


class Mains:
    """Mains in a stretch of samples: amplitude and phase of each channel over time.

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
        self.phasors = {
            hz: self._phasors(blocks, hz) for hz in MAINS_HZ if self.count and hz < rate_hz / 2 - 1
        }

    def _phasors(self, blocks: Samples, hz: float) -> npt.NDArray[np.complex64]:
        """Amplitude and phase of each block under a Hann window, (n_channels, n_blocks)."""
        taper = np.hanning(self.length + 2)[1:-1]
        turn = 2 * np.pi * hz * np.arange(self.length) / self.rate_hz
        basis = np.stack((taper * np.cos(turn), -taper * np.sin(turn)), axis=1)
        # Offset and drift may be a thousand times larger than mains: they must not count at all.
        line, _ = np.linalg.qr(np.stack((np.ones(self.length), np.arange(self.length)), axis=1))
        basis -= line @ (line.T @ basis)
        parts = blocks @ (basis * 2 / taper.sum()).astype(np.float32)
        starts = (self.first_block + np.arange(self.count)) * self.length
        back = np.exp(-2j * np.pi * ((hz * starts / self.rate_hz) % 1))
        phasors: npt.NDArray[np.complex64] = (
            (parts[..., 0] + 1j * parts[..., 1]) * back.astype(np.complex64)
        ).astype(np.complex64)
        return phasors

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
        place = (first + np.arange(slower_uv.shape[1])).astype(np.float64)
        middle: npt.NDArray[np.float64] = place * factor + (factor - 1) / 2
        cleaned = slower_uv
        for hz, phasors in self.phasors.items():
            left = _left_by_averaging(hz / self.rate_hz, factor)
            if abs(left) < NULLED:
                continue
            for some, wave in self._stretches(middle, hz, phasors):
                if cleaned is slower_uv:
                    cleaned = slower_uv.copy()
                cleaned[:, some] -= np.float32(left) * wave
        return cleaned

    def _stretches(
        self,
        middle: npt.NDArray[np.float64],
        hz: float,
        phasors: npt.NDArray[np.complex64],
    ) -> Iterator[tuple[slice, Samples]]:
        """Mains between the middles of neighbouring blocks; before the first it stays as there."""
        centres = (self.first_block + np.arange(self.count) + 0.5) * self.length - 0.5
        bounds = [0, *np.searchsorted(middle, centres).tolist(), middle.size]
        loud = np.abs(phasors).max(axis=0) >= QUIET_UV
        for place in range(self.count + 1):
            before, after = max(place - 1, 0), min(place, self.count - 1)
            some = slice(bounds[place], bounds[place + 1])
            if some.start == some.stop or not (loud[before] or loud[after]):
                continue
            share = np.clip((middle[some] - centres[before]) / self.length, 0, 1)
            turn = 2 * np.pi * ((hz / self.rate_hz * middle[some]) % 1)
            cosine, sine = np.cos(turn), np.sin(turn)
            basis = np.stack(
                ((1 - share) * cosine, (share - 1) * sine, share * cosine, -share * sine)
            )
            one, other = phasors[:, before], phasors[:, after]
            weights = np.stack((one.real, one.imag, other.real, other.imag), axis=1)
            yield some, weights @ basis.astype(np.float32)


def _left_by_averaging(cycles: float, factor: int) -> float:
    """Gain of the mean of `factor` samples for a sine (Dirichlet kernel)."""
    if factor == 1:
        return 1.0
    return float(np.sin(np.pi * cycles * factor) / (factor * np.sin(np.pi * cycles)))
