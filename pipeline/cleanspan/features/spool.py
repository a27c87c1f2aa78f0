"""Feature rows on disk: memory stays flat however long the recording is."""

import os
from pathlib import Path

import numpy as np
import numpy.typing as npt


class RowFile:
    """A scratch file of float32 rows, one run of windows for each channel.

    Parameters
    ----------
    path : Path
        Created; deleted on `close`.
    n_channels, n_windows, n_columns : int
    """

    def __init__(self, path: Path, *, n_channels: int, n_windows: int, n_columns: int) -> None:
        self.path = path
        self.shape = (n_channels, n_windows, n_columns)
        self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)

    def write(self, first_window: int, rows: npt.NDArray[np.float32]) -> None:
        """Store rows of all channels, ndarray of shape (n_channels, n, n_columns)."""
        for channel, part in enumerate(rows):
            self.write_channel(channel, first_window, part)

    def write_channel(
        self, channel: int, first_window: int, rows: npt.NDArray[np.float32]
    ) -> None:
        """Store rows of one channel, ndarray of shape (n, n_columns)."""
        data = np.ascontiguousarray(rows, dtype=np.float32).view(np.uint8).reshape(-1).data
        offset = self._offset(channel, first_window)
        while data:
            written = os.pwrite(self._file, data, offset)
            data, offset = data[written:], offset + written

    def read(self, channel: int, first: int, last: int) -> npt.NDArray[np.float32]:
        """Rows ``first:last`` of one channel, ndarray of shape (last - first, n_columns)."""
        rows = np.empty((last - first, self.shape[2]), dtype=np.float32)
        left, offset = rows.reshape(-1).view(np.uint8).data, self._offset(channel, first)
        while left:
            got = os.preadv(self._file, [left], offset)
            if not got:
                raise ValueError(f"{self.path}: rows {first} to {last} must have been written")
            left, offset = left[got:], offset + got
        return rows

    def _offset(self, channel: int, window: int) -> int:
        return (channel * self.shape[1] + window) * self.shape[2] * 4

    def close(self) -> None:
        """Close and delete the file."""
        os.close(self._file)
        self.path.unlink(missing_ok=True)
