"""What a recording is called on the page and in the log: its file's name, or a code."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

from cleanspan.night.config import CODE
from cleanspan.night.content import Stamp, printable


@dataclass(frozen=True, slots=True)
class Names:
    """How recordings are named.

    Attributes
    ----------
    mode : {"file name", "code"}
    """

    mode: str

    @property
    def hidden(self) -> bool:
        """Whether file names may not appear."""
        return self.mode == CODE

    def of_content(self, digest: str, name: str) -> str:
        """Name a recording whose content is known; ``name`` is its file's name."""
        return code(digest) if self.hidden else printable(name)

    def of_file(self, path: Path, stamp: Stamp) -> str:
        """Name a file that has not been read.

        Its code must not be made from its name: who knows the names could try them all.
        """
        if not self.hidden:
            return printable(path.name)
        text = f"{stamp.inode} {stamp.mtime_ns} {stamp.size}"
        return f"file-{hashlib.blake2b(text.encode(), digest_size=4).hexdigest()}"

    def scrubbed(self, text: str, path: str, name: str) -> str:
        """Take a file's path, and its name where that may not appear, out of a message."""
        text = text.replace(path, name)
        if not self.hidden:
            return text
        for part in (str(Path(path).resolve()), Path(path).name, Path(path).stem):
            if len(part) > 2:
                text = text.replace(part, name)
        return text


def code(digest: str) -> str:
    """Name a content without its file's name: the same content has the same code anywhere."""
    return f"rec-{digest[:8]}"
