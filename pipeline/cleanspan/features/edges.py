"""Extent and level of each sixteenth of a second: where an edge of a segment shows."""

import numpy as np
import numpy.typing as npt

LEVEL_UV = 20.0
"""Levels are kept on a scale that is linear below and logarithmic above this."""


def measures(
    high: npt.NDArray[np.float32], low: npt.NDArray[np.float32]
) -> npt.NDArray[np.float32]:
    """Extent and level of each cell on scales where steps show.

    Parameters
    ----------
    high, low : ndarray of shape (n_channels, n_cells), µV
        Largest and smallest sample.

    Returns
    -------
    ndarray of shape (n_channels, n_cells, 2)
    """
    extent = np.log10(np.maximum(high - low, np.float32(0.1)))
    middle = (high + low) / 2
    level = np.sign(middle) * np.log10(1 + np.abs(middle) / LEVEL_UV)
    both: npt.NDArray[np.float32] = np.stack((extent, level), axis=-1).astype(np.float32)
    return both


def extremes_uv(
    cells: npt.NDArray[np.float32],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Largest and smallest sample of each cell, back from its extent and level.

    Parameters
    ----------
    cells : ndarray of shape (..., 2)
        See `measures`.

    Returns
    -------
    high, low : ndarray of shape (...), µV
        To a millionth of their size; a flat cell seems 0.1 µV high.
    """
    half = 10 ** cells[..., 0].astype(np.float64) / 2
    level = cells[..., 1].astype(np.float64)
    middle = np.sign(level) * LEVEL_UV * (10 ** np.abs(level) - 1)
    return middle + half, middle - half
