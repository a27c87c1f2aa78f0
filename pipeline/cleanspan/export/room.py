"""The place of a recording's results, chosen anew when they are complete: others' must stay."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

from cleanspan.atomic import alone_in, output_error
from cleanspan.export.handwork import keep_handwork
from cleanspan.export.stored import content_of


class Room:
    """The folder that results go to.

    It was chosen before the screening. Another process may have chosen the same for another
    recording of this name, and been faster.

    Parameters
    ----------
    folder : Path
        Where the results are to go. Results of another recording that stand there by now stay,
        and the new ones go to the next number.
    stem : str
        What the recording's folder is called where no other has the name.

    Attributes
    ----------
    folder : Path
        Where they went, once they are in place.
    """

    def __init__(self, folder: Path, stem: str) -> None:
        self.folder = folder
        numbered = re.fullmatch(rf"{re.escape(stem)}-\d+", folder.name)
        self._base = stem if numbered else folder.name

    @contextmanager
    def held(self, results: Path) -> Iterator[Path]:
        """Hold the place while the block moves the results there; keep handwork that is in it.

        Parameters
        ----------
        results : Path
            The complete results: they tell which recording they are of.
        """
        with alone_in(self.folder.parent):
            self.folder = self._first_free(content_of(results))
            keep_handwork(self.folder)
            yield self.folder

    def _first_free(self, content: str) -> Path:
        """Give the folder itself, or the first number with nothing or the recording's own."""
        if content_of(self.folder) in ("", content):
            return self.folder
        there = standing_in(self.folder.parent)
        for number in count(2):
            name = f"{self._base}-{number}"
            present = there.get(name.casefold())
            if present is None:
                return self.folder.with_name(name)
            if content and content_of(present) == content:
                return present
        raise AssertionError("numbers do not end")


def standing_in(out: Path) -> dict[str, Path]:
    """Map what stands in the output folder by name, case left aside; empty folders are room.

    Raises
    ------
    OutputError
        If the folder cannot be read.
    """
    try:
        return {
            entry.name.casefold(): entry
            for entry in sorted(out.iterdir())
            if not entry.is_dir() or any(entry.iterdir())
        }
    except OSError as error:
        raise output_error(out, error) from error
