"""What a result says of a recording's channels beside marks: lines for the night's page."""

from pathlib import Path

from cleanspan.errors import RecordingError
from cleanspan.export.stored import facts_path, read_facts
from cleanspan.types import SALT_BRIDGE

OF_ONE = ("dead", "drying")
"""Findings about one electrode's contact: the page's table of electrodes tells these."""


def findings_of(folder: Path) -> tuple[str, ...]:
    """Read the findings of a result; none where they cannot be read.

    Salt bridges make one line, the pairs named.

    Parameters
    ----------
    folder : Path
        The result's.
    """
    try:
        found = read_facts(facts_path(folder))["findings"]
        bridges = ["–".join(one["channels"]) for one in found if one["kind"] == SALT_BRIDGE]
        lines = [str(one["text"]) for one in found if one["kind"] not in (SALT_BRIDGE, *OF_ONE)]
    except (RecordingError, OSError, KeyError, TypeError):
        return ()
    if bridges:
        lines.append(f"Joined by salt water: {', '.join(bridges)}; dry the skin between.")
    return tuple(lines)
