"""A spherical head: where electrodes sit, and what a dipole looks like from there.

Directions are unit vectors: x to the right ear, y to the nose, z to the vertex.
"""

import math
from functools import cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

SKULL_FACTOR = 0.61
"""Eccentricity of the dipole in a homogeneous sphere that gives nearly the potential of a dipole
in three shells (Ary, Klein & Fender 1981; the number is from memory)."""

_LEFT_ARC = ("Fp1", "AF7", "F7", "FT7", "T7", "TP7", "P7", "PO7", "O1")
_RIGHT_ARC = ("Fp2", "AF8", "F8", "FT8", "T8", "TP8", "P8", "PO8", "O2")
_MIDLINE = ("Fpz", "AFz", "Fz", "FCz", "Cz", "CPz", "Pz", "POz", "Oz", "Iz")
_ROWS = {
    "AF": ("AF7", "AFz", "AF8"),
    "F": ("F7", "Fz", "F8"),
    "FC": ("FT7", "FCz", "FT8"),
    "C": ("T7", "Cz", "T8"),
    "CP": ("TP7", "CPz", "TP8"),
    "P": ("P7", "Pz", "P8"),
    "PO": ("PO7", "POz", "PO8"),
}
EARS = ("A1", "A2")
MASTOIDS = ("M1", "M2")


def direction(from_vertex_deg: float, from_nose_deg: float) -> FloatArray:
    """Give a unit vector from its angles to the vertex and, rightward, to the nose."""
    tilt, turn = math.radians(from_vertex_deg), math.radians(from_nose_deg)
    return np.array(
        [math.sin(tilt) * math.sin(turn), math.sin(tilt) * math.cos(turn), math.cos(tilt)]
    )


def _arc(left: FloatArray, middle: FloatArray, right: FloatArray, share: float) -> FloatArray:
    """Point on the circle through three points, at a share of the arc from middle to an end.

    `share` is -1 at `left`, 0 at `middle`, 1 at `right`.
    """
    normal = np.cross(middle - left, right - left)
    normal /= np.linalg.norm(normal)
    centre = normal * float(normal @ middle)
    spoke = middle - centre
    end = (right if share >= 0 else left) - centre
    cosine = float(spoke @ end) / float(np.linalg.norm(spoke) * np.linalg.norm(end))
    turn = abs(share) * math.acos(max(-1.0, min(1.0, cosine)))
    side = np.cross(normal, spoke)
    if float(side @ end) < 0:
        side = -side
    return np.asarray(centre + math.cos(turn) * spoke + math.sin(turn) * side)


@cache
def positions() -> dict[str, FloatArray]:
    """Directions of the 10-10 electrodes, ears and mastoids.

    On a sphere that fits the upper head, steps of 10 % along the midline are 22.5° and the
    circumference through Fpz, T7, Oz and T8 is the equator; it is divided in steps of 18°, the
    rows between in equal parts of the circle through three electrodes (10-10 system; Chatrian et
    al. 1985, from memory; agrees with a template head's electrodes within 3° in the median).
    Ears and mastoids: common practice.
    """
    place = {
        name: direction(abs(step) * 22.5, 0 if step < 0 else 180)
        for name, step in zip(_MIDLINE, range(-4, 6), strict=True)
    }
    for step in range(9):
        place[_LEFT_ARC[step]] = direction(90, -18 * (step + 1))
        place[_RIGHT_ARC[step]] = direction(90, 18 * (step + 1))
    for row, (left, middle, right) in _ROWS.items():
        for number, share in ((5, -0.75), (3, -0.5), (1, -0.25), (2, 0.25), (4, 0.5), (6, 0.75)):
            place[f"{row}{number}"] = _arc(place[left], place[middle], place[right], share)
    for name, turn in (("F9", -54), ("FT9", -72), ("T9", -90), ("TP9", -108), ("P9", -126)):
        place[name] = direction(108, turn)
        place[name[:-1] + "10"] = direction(108, -turn)
    place |= {"A1": direction(125, -95), "A2": direction(125, 95)}
    place |= {"M1": direction(125, -115), "M2": direction(125, 115)}
    return place


def electrode_directions(names: tuple[str, ...]) -> FloatArray:
    """Directions of named electrodes, ndarray of shape (n_electrodes, 3).

    Raises
    ------
    ValueError
        If a name is not a 10-10 electrode.
    """
    known = positions()
    unknown = [name for name in names if name not in known]
    if unknown:
        raise ValueError(f"electrodes must have 10-10 names, got {', '.join(unknown)}")
    return np.array([known[name] for name in names])


def dipole_potentials(
    electrodes: FloatArray, dipoles: FloatArray, moments: FloatArray
) -> FloatArray:
    """Potential of dipoles on the surface of a homogeneous conducting unit sphere.

    Parameters
    ----------
    electrodes : ndarray of shape (n_electrodes, 3)
        Unit vectors.
    dipoles : ndarray of shape (n_dipoles, 3)
        Positions inside the sphere.
    moments : ndarray of shape (n_dipoles, 3)
        Dipole moments.

    Returns
    -------
    ndarray of shape (n_electrodes, n_dipoles)
        Potential in units of moment / (4π · conductivity · radius²).

    Notes
    -----
    Gradient of the Neumann Green's function of the sphere, with r on the surface:
    q·[2 (r−s)/d³ + (r + (r−s)/d) / (1 − r·s + d)], d = |r−s| (closed form as in Brody, Terry &
    Ideker 1973). At the centre it gives 3 q cos θ, as the theory wants.
    """
    gap = electrodes[:, None, :] - dipoles[None, :, :]
    distance = np.linalg.norm(gap, axis=2)
    near = 2 * gap / distance[..., None] ** 3
    below = 1 - electrodes @ dipoles.T + distance
    far = (electrodes[:, None, :] + gap / distance[..., None]) / below[..., None]
    return np.asarray(np.einsum("edx,dx->ed", near + far, moments))


def cortical_patterns(
    electrodes: FloatArray, places: FloatArray, *, depth: FloatArray, tilt: FloatArray
) -> FloatArray:
    """Scalp patterns of cortical patches behind the skull, each with its peak near 1.

    Parameters
    ----------
    places : ndarray of shape (n_patches, 3)
        Unit vectors from the head's centre to the patches.
    depth : ndarray of shape (n_patches,)
        Distance of each patch from the centre as a share of the head's radius, before
        `SKULL_FACTOR`.
    tilt : ndarray of shape (n_patches, 3)
        Added to the radial direction (crown of a gyrus: 0; wall of a sulcus: large).
    """
    moments = places + tilt
    moments /= np.linalg.norm(moments, axis=1, keepdims=True)
    inner = places * (depth * SKULL_FACTOR)[:, None]
    pattern = dipole_potentials(electrodes, inner, moments)
    peak = np.abs(dipole_potentials(_sphere_grid(), inner, moments)).max(axis=0)
    return np.asarray(pattern / peak)


@cache
def _sphere_grid() -> FloatArray:
    """Directions over the upper head, to find a pattern's peak whatever the montage."""
    names = tuple(name for name in positions() if name not in EARS + MASTOIDS)
    return electrode_directions(names)
