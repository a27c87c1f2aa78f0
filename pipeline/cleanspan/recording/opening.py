"""Open a recording, whatever its format; the content decides, not the file's name."""

from pathlib import Path

from cleanspan.errors import NotARecordingError
from cleanspan.recording.edf import EdfRecording
from cleanspan.recording.header import family_of
from cleanspan.types import Recording

RECORDING_SUFFIXES = (".edf", ".bdf", ".rec", ".gdf", ".vhdr", ".set", ".cnt", ".fif", ".mff")
"""Endings (lower case) that a folder is searched for; a named file may have any."""

_EDF_SUFFIXES = (".edf", ".bdf", ".rec")


def open_recording(path: Path) -> Recording:
    """Open a recording for reading.

    EDF, EDF+, BDF and BDF+ go through our own streaming reader, everything else through mne.

    Parameters
    ----------
    path : Path
        The file; it is never written to.

    Returns
    -------
    Recording

    Raises
    ------
    NotARecordingError
        If it cannot be read as a recording; the message begins with the file's name.
    """
    try:
        return _open(path)
    except NotARecordingError as error:
        raise NotARecordingError(f"{path.name}: {error}") from error
    except FileNotFoundError as error:
        raise NotARecordingError(f"{path.name}: the file must exist, got no such file") from error
    except OSError as error:
        raise NotARecordingError(
            f"{path.name}: the file must be readable, got: {error.strerror or error}; "
            "mend its permissions or copy it again"
        ) from error


def _open(path: Path) -> Recording:
    if path.is_dir() and path.suffix.lower() != ".mff":
        raise NotARecordingError("it must be a file, got a folder; name the files inside it")
    if path.exists() and not (path.is_file() or path.is_dir()):
        # Opening a pipe would wait for ever.
        raise NotARecordingError(
            "it must be a file, got a pipe, a socket or a device; copy it into a file"
        )
    if not path.is_dir():
        with path.open("rb") as file:
            first_bytes = file.read(8)
        if not first_bytes:
            raise NotARecordingError("it must be a recording, got an empty file; copy it again")
        if family_of(first_bytes) is not None:
            return EdfRecording(path)
    if path.suffix.lower() in _EDF_SUFFIXES:
        raise NotARecordingError(
            "an EDF file must begin with '0' and seven spaces and a BDF file with its own mark, "
            "got something else; the file is damaged or in another format"
        )
    from cleanspan.recording.mne_reader import MneRecording

    return MneRecording(path)
