"""Counts strong brief humps at the foremost electrodes, upwards and downwards.

Blinks point upwards at Fp1 and Fp2. A recording whose strong frontal humps all point downwards
was probably recorded, or exported, the wrong way round. No classifier is asked: it learned from
blinks that point upwards.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from cleanspan.features.events import NARROWEST_S, SURROUND_S, WIDEST_S, smoothed
from cleanspan.features.peaks import find_peaks

STRONG_UV = 60.0
"""Height at every lead from which a hump is counted, µV: blinks at Fp1/Fp2 are 50-200 µV (from
memory)."""
STANDS_OUT = 5.0
"""And in robust rms of the lead: strong alpha has humps of both directions."""
MOSTLY = 0.6
"""Share of that height that must lie beyond the lead's usual level."""
BESIDE_S = 0.4
"""The level beside a hump is taken this far before and after its peak, s."""


class Humps:
    """Humps of both directions, counted while the recording passes by.

    Parameters
    ----------
    n_channels : int
    leads : sequence of int
        Rows of the foremost channels.

    Attributes
    ----------
    up, down : int
        How many strong humps all leads show at once.
    depth_uv : ndarray of shape (n_channels,)
        Sum of the depths of the downward ones on every channel.
    """

    def __init__(self, n_channels: int, leads: Sequence[int]) -> None:
        self.leads = list(leads)
        self.up = self.down = 0
        self.depth_uv = np.zeros(n_channels)

    def add(
        self,
        slow_uv: npt.NDArray[np.float32],
        rate_hz: float,
        *,
        window_s: tuple[float, float],
        origin_s: float,
    ) -> None:
        """Count the humps whose peak lies in a window of time.

        Parameters
        ----------
        slow_uv : ndarray of shape (n_channels, n_samples), µV
            The slow signal of a chunk with its margins.
        rate_hz : float
        window_s : (begin, end)
            Peaks outside belong to another chunk; seconds from the piece's start.
        origin_s : float
            Time of the first column.
        """
        if not self.leads or slow_uv.shape[1] < round(SURROUND_S * rate_hz):
            return
        leads_uv = smoothed(slow_uv[self.leads])
        # Every fourth sample is enough for medians.
        leads_uv -= np.median(leads_uv[:, ::4], axis=1, keepdims=True)
        # From the median absolute deviation, in which blinks count little.
        rms_uv = 1.4826 * float(np.median(np.abs(leads_uv[:, ::4]), axis=1).max())
        strong_uv = max(STRONG_UV, STANDS_OUT * rms_uv)
        first, last = ((time_s - origin_s) * rate_hz - 0.5 for time_s in window_s)
        up, down = (
            peaks[(peaks >= first) & (peaks < last)]
            for peaks in (
                _peaks(leads_uv.min(axis=0), strong_uv, rate_hz),
                _peaks(-leads_uv.max(axis=0), strong_uv, rate_hz),
            )
        )
        self.up += up.size
        self.down += down.size
        beside = round(BESIDE_S * rate_hz)
        inside = down[(down >= beside) & (down < slow_uv.shape[1] - beside)]
        level = (slow_uv[:, inside - beside] + slow_uv[:, inside + beside]) / 2
        self.depth_uv += (level - slow_uv[:, inside]).sum(axis=1)


def _peaks(
    trace: npt.NDArray[np.float32], strong_uv: float, rate_hz: float
) -> npt.NDArray[np.int64]:
    """Peaks that stand out from beside them, and from where the trace mostly is.

    The valley between two blinks stands out from these, but lies where the trace mostly is.
    """
    if trace.max() < MOSTLY * strong_uv:
        return np.empty(0, dtype=np.int64)
    places, _ = find_peaks(
        trace,
        prominence=strong_uv,
        width=(NARROWEST_S * rate_hz, WIDEST_S * rate_hz),
        around=round(SURROUND_S * rate_hz),
    )
    return places[trace[places] >= MOSTLY * strong_uv]
