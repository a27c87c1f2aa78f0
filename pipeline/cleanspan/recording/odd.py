"""One warning a matter, not one a channel."""

from collections.abc import Sequence
from dataclasses import dataclass, field

_SHOWN = 6


def listed(names: Sequence[str], most: int = _SHOWN) -> str:
    """Name channels, files or the like in one line, the first few and how many more."""
    more = len(names) - most
    shown = ", ".join(names[:most])
    return f"{shown} and {more} more" if more > 0 else shown


@dataclass(slots=True)
class Odd:
    """Collects what is odd about channels."""

    _found: dict[tuple[str, str], list[str]] = field(default_factory=dict)

    def note(self, matter: str, text: str, label: str) -> None:
        """Note a matter of one channel."""
        self._found.setdefault((matter, text), []).append(label)

    @property
    def warnings(self) -> list[str]:
        """Give one line for each matter, in the order in which they were met."""
        return [
            f"{matter}: {listed(labels)}: {text}" for (matter, text), labels in self._found.items()
        ]
