"""Probabilities of every channel-window and of every candidate event."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cleanspan.features.extraction import FeatureStore
from cleanspan.features.registry import EVENT_NAMES, WINDOW_NAMES
from cleanspan.features.spool import RowFile
from cleanspan.features.windows import WINDOW_S
from cleanspan.labelling.model import Model
from cleanspan.labelling.network import columns_of
from cleanspan.types import CONTACT_LOSS

FloatArray = npt.NDArray[np.float32]
STILL_SHARE = 0.75
"""Share of a window at one value or at the limit from which it stands still."""
STUCK = columns_of(WINDOW_NAMES, ("flat_share", "railed_share"))
WATCH_EVERY = 11
"""Every so many windows one is shown to the watch on drift: odd, so as to meet every phase."""


class Predictions:
    """A model's answers for the channels of one feature store, kept on disk.

    Parameters
    ----------
    store : FeatureStore
    model : Model
    scratch : Path
        Folder for the scratch file.
    watch : callable, optional
        Is shown the model's features of some windows, spread over the recording, as they pass.

    Attributes
    ----------
    labels : tuple of str
        The model's labels; those of events first.
    onset_s : ndarray of shape (n_windows,)
    events : ndarray of shape (n_events, n_channels, n_event_labels)
        Probability that a candidate is an event of the label and shows on the channel.
    still : ndarray of bool of shape (n_channels, n_windows)
        Where the signal does not move, or sits at the amplifier's limit, most of the window.
    """

    window_s = WINDOW_S

    def __init__(
        self,
        store: FeatureStore,
        model: Model,
        scratch: Path,
        *,
        watch: Callable[[FloatArray], None] | None = None,
    ) -> None:
        self.labels = model.labels
        self.onset_s = store.onset_s
        self.events = _event_probabilities(store, model)
        self.still = np.zeros((len(store.channels), store.onset_s.size), dtype=bool)
        self._file = RowFile(
            scratch / f"probabilities-{store.channels[0].index}",
            n_channels=len(store.channels),
            n_windows=max(store.onset_s.size, 1),
            n_columns=len(self.labels),
        )
        self._fill(store, model, watch)

    def _fill(
        self, store: FeatureStore, model: Model, watch: Callable[[FloatArray], None] | None
    ) -> None:
        """Predict channel by channel."""
        n_event_labels = len(model.events.heads)
        columns = columns_of(WINDOW_NAMES, model.windows.features)
        for channel in range(len(store.channels)):
            seen = self._seen_in_windows(store, channel)
            for first, rows in store.window_features(channel):
                out = np.empty((len(rows), len(self.labels)), dtype=np.float32)
                out[:, n_event_labels:] = model.windows.probabilities(rows[:, columns])
                self._add_certain(out, rows)
                out[:, :n_event_labels] = seen[first : first + len(rows)]
                still = rows[:, STUCK].max(axis=1) >= STILL_SHARE
                self.still[channel, first : first + len(rows)] = still
                self._file.write_channel(channel, first, out)
                if watch is not None:
                    watch(rows[::WATCH_EVERY, columns])

    def _add_certain(self, out: FloatArray, rows: FloatArray) -> None:
        """Raise contact loss to the share of the window that never moves or sits at the limit.

        No model is asked about that: an amplifier that was switched off, all channels flat at
        once, resembles nothing that it learned from.
        """
        if CONTACT_LOSS in self.labels:
            contact = out[:, self.labels.index(CONTACT_LOSS)]
            np.maximum(contact, rows[:, STUCK].max(axis=1), out=contact)

    def _seen_in_windows(self, store: FeatureStore, channel: int) -> FloatArray:
        """Highest event probability among the candidates that peak within each window."""
        seen = np.zeros((self.onset_s.size, self.events.shape[2]), dtype=np.float32)
        if not len(self.events):
            return seen
        last = np.searchsorted(self.onset_s, store.times.peak_s, side="right") - 1
        reach = round(WINDOW_S / store.hop_s)
        for back in range(reach):
            place = last - back
            inside = place >= 0
            inside[inside] &= store.times.peak_s[inside] < self.onset_s[place[inside]] + WINDOW_S
            np.maximum.at(seen, place[inside], self.events[inside, channel])
        return seen

    def channel(self, row: int) -> FloatArray:
        """Probabilities of one channel, ndarray of shape (n_windows, n_labels)."""
        return self._file.read(row, 0, self.onset_s.size)

    def close(self) -> None:
        """Delete the scratch file."""
        self._file.close()


def _event_probabilities(store: FeatureStore, model: Model) -> FloatArray:
    """Probabilities of the candidates, ndarray of shape (n_events, n_channels, n_labels)."""
    n_channels, n_labels = len(store.channels), len(model.events.heads)
    columns = columns_of(EVENT_NAMES, model.events.features)
    parts = [np.empty((0, n_channels, n_labels), dtype=np.float32)]
    for _, values in store.event_features():
        flat = values.reshape(-1, values.shape[2])[:, columns]
        parts.append(model.events.probabilities(flat).reshape(-1, n_channels, n_labels))
    return np.concatenate(parts)
