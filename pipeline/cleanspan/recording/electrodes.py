"""Electrode names and places of the 10-10 system, and who is beside whom.

Names: the extended 10-20 ("10-10") nomenclature as listed by Oostenveld & Praamstra (2001),
*Clinical Neurophysiology* 112, with the half steps (AF1, AF5, PO1 ...) that caps use. Places are
the 10-10 construction on a sphere: the ring Fpz-T7-Oz-T8 lies on the equator at steps of 18°,
each coronal row is the circle through its two ring points and its midline point, divided evenly.
"""

import functools
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

OLD_NAMES = {"T3": "T7", "T4": "T8", "T5": "P7", "T6": "P8"}
"""Names of the 10-20 system that the 10-10 system replaced."""

_STEP_DEG = 22.5
"""One tenth of the way over the head, from the equator over the top, on the sphere."""

_ROWS = (
    # letters, polar angle of the midline point (front positive), azimuth of the ring point 7
    ("AF", 67.5, 36.0),
    ("F", 45.0, 54.0),
    ("FC", 22.5, 72.0),
    ("C", 0.0, 90.0),
    ("CP", -22.5, 108.0),
    ("P", -45.0, 126.0),
    ("PO", -67.5, 144.0),
)
_RING_NAMES = {"FC": "FT", "C": "T", "CP": "TP"}
"""On the ring and below it these rows are named for the temporal lobe."""

_HALF_STEPS = {"AF": "1357", "PO": "1357"}
_BELOW_DEG = 112.5
"""Polar angle of the row below the ring (F9, T9, Iz ...)."""


def _on_sphere(polar_deg: float, azimuth_deg: float) -> npt.NDArray[np.float64]:
    """Give (x right, y front, z up); azimuth counts from the front to the left."""
    polar, azimuth = np.radians((polar_deg, azimuth_deg))
    return np.array(
        [-np.sin(polar) * np.sin(azimuth), np.sin(polar) * np.cos(azimuth), np.cos(polar)]
    )


def _along_circle(
    start: npt.NDArray[np.float64], middle: npt.NDArray[np.float64], share: float
) -> npt.NDArray[np.float64]:
    """Go from `start` towards `middle` on the circle through both and `start`'s mirror image."""
    mirrored = start * (-1, 1, 1)
    centre_line = np.cross(middle - start, mirrored - start)
    normal = centre_line / np.linalg.norm(centre_line)
    centre = normal * (normal @ start)
    from_centre, to = start - centre, middle - centre
    cosine = from_centre @ to / (np.linalg.norm(from_centre) * np.linalg.norm(to))
    angle = np.arccos(np.clip(cosine, -1, 1)) * share
    sideways = np.cross(normal, from_centre)
    sideways *= np.sign(sideways @ to) or 1.0
    point: npt.NDArray[np.float64] = (
        centre + from_centre * np.cos(angle) + sideways * np.sin(angle)
    )
    return point


@functools.cache
def positions() -> dict[str, tuple[float, float, float]]:
    """Give every electrode's place on the unit sphere.

    Returns
    -------
    dict of str to tuple of float
        Newer 10-10 name → (x right, y front, z up).
    """
    left: dict[str, npt.NDArray[np.float64]] = {
        "Fp1": _on_sphere(90, 18),
        "O1": _on_sphere(90, 162),
        "O9": _on_sphere(_BELOW_DEG, 162),
    }
    places = {
        "Nz": _on_sphere(_BELOW_DEG, 0),
        "Fpz": _on_sphere(90, 0),
        "Oz": _on_sphere(90, 180),
        "Iz": _on_sphere(_BELOW_DEG, 180),
    }
    for letters, midline_deg, azimuth_deg in _ROWS:
        middle = _on_sphere(midline_deg, 0)
        ring = _on_sphere(90, azimuth_deg)
        ring_letters = _RING_NAMES.get(letters, letters)
        places[f"{letters}z"] = middle
        left[f"{ring_letters}9"] = _on_sphere(_BELOW_DEG, azimuth_deg)
        left[f"{ring_letters}7"] = ring
        for number, share in ((5, 0.25), (3, 0.5), (1, 0.75)):
            left[f"{letters}{number}"] = _along_circle(ring, middle, share)
    for name, place in left.items():
        places[name] = place
        places[f"{name[:-1]}{int(name[-1]) + 1}"] = place * (-1, 1, 1)
    return {name: (float(x), float(y), float(z)) for name, (x, y, z) in places.items()}


@functools.cache
def _by_upper_case() -> dict[str, str]:
    return {name.upper(): name for name in positions()}


def electrode_name(text: str) -> str | None:
    """Give the newer 10-10 name for a name in any case, old or new; None if it is none."""
    text = text.upper()
    return _by_upper_case().get(OLD_NAMES.get(text, text).upper())


def position(electrode: str) -> tuple[float, float, float]:
    """Give the place of an electrode on the unit sphere.

    Parameters
    ----------
    electrode : str
        10-10 name, newer spelling.

    Returns
    -------
    tuple of float
        (x right, y front, z up).

    Raises
    ------
    KeyError
        If it is no 10-10 name.
    """
    return positions()[electrode]


def angle_deg(electrode: str, other: str) -> float:
    """Give the angle between two electrodes as seen from the head's centre, degrees."""
    cosine = np.dot(position(electrode), position(other))
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def neighbours(
    electrode: str, present: Iterable[str], *, count: int = 4, within_deg: float = 75.0
) -> tuple[str, ...]:
    """Name the nearest of the electrodes that a recording has, nearest first.

    Parameters
    ----------
    electrode : str
        Whose neighbours; it never counts itself.
    present : iterable of str
        10-10 names of the recorded electrodes.
    count : int
        How many at most.
    within_deg : float
        None further away than this.

    Returns
    -------
    tuple of str
    """
    near = sorted(
        (round(angle_deg(electrode, other), 6), other)
        for other in set(present)
        if other != electrode
    )
    return tuple(other for angle, other in near[:count] if angle <= within_deg)
