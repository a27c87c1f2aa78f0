"""Which files make a folder one of results."""

from pathlib import Path

from cleanspan.types import FACTS


def is_facts(path: Path) -> bool:
    """Whether a file tells of results: by its name, and no companion that a system left beside it.

    macOS writes ``._R_facts.json`` beside ``R_facts.json``; opening a pipe would wait for ever.
    """
    name = path.name
    return name.endswith(FACTS) and not name.startswith(".") and path.is_file()


def facts_in(folder: Path) -> list[Path]:
    """List the files of a folder that tell of results, sorted."""
    return sorted(path for path in folder.glob(f"*{FACTS}") if is_facts(path))


def facts_below(folder: Path) -> list[Path]:
    """List those of the folders in a folder, sorted."""
    return sorted(path for path in folder.glob(f"*/*{FACTS}") if is_facts(path))
