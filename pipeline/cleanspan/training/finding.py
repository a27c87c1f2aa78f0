"""Which file a recording's name means."""

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from cleanspan.recording.odd import listed
from cleanspan.recording.opening import RECORDING_SUFFIXES

MARKED = "_marked"
"""Ends the stem of a copy that holds marks; such copies are not recordings to learn from."""


def find_recordings(paths: Iterable[Path]) -> dict[str, list[Path]]:
    """Index recordings by name, in lower case, with and without the suffix.

    Folders are searched at every depth; names in them that begin with a dot are passed over.
    """
    index: dict[str, list[Path]] = {}
    for path in paths:
        inside = _inside(path) if path.is_dir() else [path]
        for file in inside:
            if file.suffix.lower() in RECORDING_SUFFIXES and not file.stem.endswith(MARKED):
                for name in {file.name.lower(), file.stem.lower()}:
                    known = index.setdefault(name, [])
                    if file not in known:
                        known.append(file)
    return index


def _inside(folder: Path) -> Iterator[Path]:
    """List what may be a recording in a folder; of folders, only a format that is one."""
    for path in sorted(folder.rglob("*")):
        if any(name.startswith(".") for name in path.relative_to(folder).parts):
            continue
        if path.suffix.lower() == ".mff" or not path.is_dir():
            yield path


def locate(recording: str, index: Mapping[str, list[Path]]) -> list[Path]:
    """List the files that a recording's name may mean; a path's tail tells namesakes apart."""
    named = Path(recording.replace("\\", "/"))
    found = index.get(named.name.lower(), [])
    tail = tuple(part.lower() for part in named.parts)
    if len(tail) > 1 and len(found) > 1:
        found = [p for p in found if tuple(x.lower() for x in p.parts[-len(tail) :]) == tail]
    return found


def not_found(places: Mapping[str, str], index: Mapping[str, list[Path]]) -> list[str]:
    """Say which recordings have namesakes, a line each, and which are missing, in one line.

    Parameters
    ----------
    places : mapping of str to str
        Where each recording that is not found just once is named first, ``file:line``.
    index : mapping
        Where recordings lie.
    """
    problems = []
    missing = []
    for name, place in places.items():
        found = locate(name, index)
        if found:
            problems.append(
                f"{place}: the recording {name!r} must be found once, got "
                f"{', '.join(map(str, found))}; give its folder, or more of its path"
            )
        else:
            missing.append(name)
    if missing:
        which = f"each of {len(missing)} recordings" if len(missing) > 1 else "the recording"
        problems.append(
            f"{places[missing[0]]}: {which} {listed([repr(name) for name in missing])} must be "
            "found once, got none; give the folder, or take the marks out"
        )
    return problems
