"""Probabilities of every channel-window and of every candidate event."""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cleanspan.features.extraction import FeatureStore
from cleanspan.features.registry import EVENT_NAMES, WINDOW_NAMES
from cleanspan.features.spool import RowFile
from cleanspan.features.windows import WINDOW_S
from cleanspan.labelling.model import Model
from cleanspan.labelling.network import columns_of
from cleanspan.labelling.prevalence import USUAL_SHARES, reweighed, share_of
from cleanspan.types import CONTACT_LOSS

FloatArray = npt.NDArray[np.float32]
STILL_SHARE = 0.75
"""Share of a window at one value or at the limit from which it stands still."""
STUCK = columns_of(WINDOW_NAMES, ("flat_share", "railed_share"))
HUM = columns_of(WINDOW_NAMES, ("mains", "hum_above"))
HUM_LOG = 0.5
"""log10 of the mains against 1-40 Hz, and against what the channel usually has, from which a
window hums: three times as large (common practice). Good electrodes near a cable may, too."""
EVENTS_AT_ONCE = 2000
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
    n_channels, n_event_labels : int
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
        self.n_channels = len(store.channels)
        self.n_event_labels = len(model.events.heads)
        self._n_events = store.times.peak_s.size
        # One bit a window: of all channels that stays small.
        self._still = np.zeros((self.n_channels, -(-store.onset_s.size // 8)), dtype=np.uint8)
        self._humming = np.zeros_like(self._still)
        self._events = RowFile(
            scratch / f"event-probabilities-{store.channels[0].index}",
            n_channels=self.n_channels,
            n_windows=max(self._n_events, 1),
            n_columns=self.n_event_labels,
        )
        self._file = RowFile(
            scratch / f"probabilities-{store.channels[0].index}",
            n_channels=self.n_channels,
            n_windows=max(store.onset_s.size, 1),
            n_columns=len(self.labels),
        )
        try:
            self._fill_events(store, model)
            self._fill(store, model, watch)
        except BaseException:
            self.close()
            raise

    def _fill_events(self, store: FeatureStore, model: Model) -> None:
        """Predict the candidates, some at a time."""
        columns = columns_of(EVENT_NAMES, model.events.features)
        for first, values in store.event_features(at_once=EVENTS_AT_ONCE):
            flat = values.reshape(-1, values.shape[2])[:, columns]
            answers = model.events.probabilities(flat)
            by_channel = answers.reshape(-1, self.n_channels, self.n_event_labels)
            self._events.write(first, by_channel.transpose(1, 0, 2))
        if self._n_events and store.leads:
            self._weigh_leads(store.leads)

    def _weigh_leads(self, leads: Sequence[int]) -> None:
        """Reweigh the leads' probabilities by how common such events are in this recording.

        The leads decide whether there was a blink; whether it shows elsewhere, given that there
        was one, does not depend on how often the person blinks.
        """
        answers = {row: self.events(row) for row in leads}
        for column, label in enumerate(self.labels[: self.n_event_labels]):
            if label not in USUAL_SHARES:
                continue
            usual = USUAL_SHARES[label]
            together = np.mean([answer[:, column] for answer in answers.values()], axis=0)
            share = share_of(together, usual)
            for answer in answers.values():
                answer[:, column] = reweighed(answer[:, column], share, usual)
        for row, answer in answers.items():
            self._events.write_channel(row, 0, answer)

    def _fill(
        self, store: FeatureStore, model: Model, watch: Callable[[FloatArray], None] | None
    ) -> None:
        """Predict channel by channel."""
        n_event_labels = self.n_event_labels
        columns = columns_of(WINDOW_NAMES, model.windows.features)
        for channel in range(self.n_channels):
            seen = self._seen_in_windows(store, channel)
            still, humming = np.zeros((2, self.onset_s.size), dtype=bool)
            for first, rows in store.window_features(channel):
                out = np.empty((len(rows), len(self.labels)), dtype=np.float32)
                out[:, n_event_labels:] = model.windows.probabilities(rows[:, columns])
                self._add_certain(out, rows)
                out[:, :n_event_labels] = seen[first : first + len(rows)]
                stuck = rows[:, STUCK].max(axis=1)
                still[first : first + len(rows)] = stuck >= STILL_SHARE
                humming[first : first + len(rows)] = (rows[:, HUM] >= HUM_LOG).all(axis=1)
                self._file.write_channel(channel, first, out)
                if watch is not None:
                    watch(rows[::WATCH_EVERY, columns])
            self._still[channel] = np.packbits(still)
            self._humming[channel] = np.packbits(humming)

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
        seen = np.zeros((self.onset_s.size, self.n_event_labels), dtype=np.float32)
        if not self._n_events:
            return seen
        events, peak_s = self.events(channel), store.times.peak_s
        last = np.searchsorted(self.onset_s, peak_s, side="right") - 1
        reach = round(WINDOW_S / store.hop_s)
        for back in range(reach):
            place = last - back
            inside = place >= 0
            inside[inside] &= peak_s[inside] < self.onset_s[place[inside]] + WINDOW_S
            np.maximum.at(seen, place[inside], events[inside])
        return seen

    def channel(self, row: int) -> FloatArray:
        """Probabilities of one channel, ndarray of shape (n_windows, n_labels)."""
        return self._file.read(row, 0, self.onset_s.size)

    def events(self, row: int) -> FloatArray:
        """Probability that each candidate is an event of the label and shows on this channel.

        Returns
        -------
        ndarray of shape (n_events, n_event_labels)
        """
        return self._events.read(row, 0, self._n_events)

    def still(self, row: int) -> npt.NDArray[np.bool_]:
        """Tell in which windows a channel does not move, or sits at the limit, for the most part.

        Returns
        -------
        ndarray of bool of shape (n_windows,)
        """
        return np.unpackbits(self._still[row], count=self.onset_s.size).astype(bool)

    def humming(self, row: int) -> npt.NDArray[np.bool_]:
        """Tell in which windows mains drown a channel that usually has less of them.

        Returns
        -------
        ndarray of bool of shape (n_windows,)
        """
        return np.unpackbits(self._humming[row], count=self.onset_s.size).astype(bool)

    def close(self) -> None:
        """Delete the scratch files."""
        self._file.close()
        self._events.close()
