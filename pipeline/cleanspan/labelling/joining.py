"""Channels of different sampling rates put together again after labelling."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from cleanspan.labelling.prediction import Predictions
from cleanspan.types import Spectra

if TYPE_CHECKING:
    import pandas as pd


class JoinedPredictions:
    """Predictions of several groups of channels behind one numbering of rows.

    Parameters
    ----------
    parts : sequence of Predictions
        Their windows lie on one grid; rounding may give one group a window more at the end.
    """

    def __init__(self, parts: Sequence[Predictions]) -> None:
        self.labels = parts[0].labels
        self.window_s = parts[0].window_s
        self.onset_s = min((part.onset_s for part in parts), key=len)
        self._rows = [(part, row) for part in parts for row in range(part.n_channels)]

    def channel(self, row: int) -> npt.NDArray[np.float32]:
        """Probabilities of one channel, ndarray of shape (n_windows, n_labels)."""
        part, place = self._rows[row]
        return part.channel(place)[: self.onset_s.size]


def joined_segments(tables: "Sequence[pd.DataFrame]") -> "pd.DataFrame":
    """One table out of several, channels in the order of the groups, sorted by onset."""
    import pandas as pd

    if len(tables) == 1:
        return tables[0]
    columns = {}
    for name in ("channel", "label", "kind"):
        columns[name] = pd.api.types.union_categoricals([table[name] for table in tables])
    table = pd.concat(tables, ignore_index=True)
    for name, values in columns.items():
        table[name] = values
    return table.sort_values("onset_s", kind="stable", ignore_index=True)


def joined_spectra(parts: Sequence[Spectra]) -> Spectra:
    """Spectra on the frequencies that all groups have."""
    if len(parts) == 1:
        return parts[0]
    shortest = min((part.frequency_hz for part in parts), key=len)
    rows = [
        np.stack([np.interp(shortest, part.frequency_hz, row) for row in part.density_uv2_hz])
        for part in parts
    ]
    return Spectra(frequency_hz=shortest, density_uv2_hz=np.concatenate(rows))
