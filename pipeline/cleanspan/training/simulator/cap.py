"""The cap: which sites are measured, and how they become channels against a reference."""

from dataclasses import dataclass

import numpy as np

from cleanspan.training.simulator.head import EARS, MASTOIDS, FloatArray, electrode_directions
from cleanspan.training.simulator.scenario import ReferenceKind


@dataclass(frozen=True, slots=True, eq=False)
class Cap:
    """Sites on the head and the channels made of them.

    Attributes
    ----------
    channels : tuple of str
        Electrodes in the recording's order.
    site_names : tuple of str
        The electrodes, then the reference's own sites.
    sites : ndarray of shape (n_sites, 3)
        Directions of the sites.
    referencing : ndarray of shape (n_channels, n_sites), float32
        Channels are ``referencing @ potentials``.
    reference_sites : tuple of str
        Sites that the reference is made of.
    """

    channels: tuple[str, ...]
    site_names: tuple[str, ...]
    sites: FloatArray
    referencing: FloatArray
    reference_sites: tuple[str, ...]

    def index(self, site: str) -> int:
        """Row of a site."""
        return self.site_names.index(site)

    def against_reference(self, names: tuple[str, ...]) -> FloatArray:
        """Directions of any electrodes followed by those of the reference's sites."""
        return electrode_directions(names + self.reference_sites)


def make_cap(electrodes: tuple[str, ...], reference: ReferenceKind) -> Cap:
    """Lay out a cap.

    Raises
    ------
    ValueError
        If an electrode is unknown, named twice, or the reference itself.
    """
    own = {"ears": EARS, "mastoids": MASTOIDS, "Cz": ("Cz",), "average": ()}[reference]
    if len(set(electrodes)) != len(electrodes) or set(own) & set(electrodes):
        raise ValueError(
            f"electrodes must differ from each other and from the reference, got {electrodes}"
        )
    names = electrodes + own
    count = len(electrodes)
    referencing = np.zeros((count, len(names)))
    referencing[:, :count] = np.eye(count)
    if own:
        referencing[:, count:] = -1 / len(own)
    else:
        referencing[:, :count] -= 1 / count
    return Cap(electrodes, names, electrode_directions(names), referencing, own or electrodes)
