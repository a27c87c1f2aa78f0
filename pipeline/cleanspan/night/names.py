"""What a recording is called on the page and in the log: its file's name, or a code."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

from cleanspan.export.cells import readable
from cleanspan.night.config import CODE
from cleanspan.night.content import Stamp


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
        return code(digest) if self.hidden else readable(name)

    def of_file(self, path: Path, stamp: Stamp) -> str:
        """Name a file that has not been read.

        Its code must not be made from its name: who knows the names could try them all.
        """
        if not self.hidden:
            return readable(path.name)
        text = f"{stamp.inode} {stamp.mtime_ns} {stamp.size}"
        return f"file-{hashlib.blake2b(text.encode(), digest_size=4).hexdigest()}"

    def scrubbed(self, text: str, path: str, name: str) -> str:
        """Take a file's path, and its name where that may not appear, out of a message."""
        parts = [path]
        if self.hidden:
            parts += [str(Path(path).resolve()), Path(path).name, Path(path).stem]
        for part in parts:
            if len(part) > 2:
                # Messages spell a name that is no text; libraries' own do not.
                text = text.replace(part, name).replace(readable(part), name)
        return text


def code(digest: str) -> str:
    """Name a content without its file's name: the same content has the same code anywhere."""
    return f"rec-{digest[:8]}"
