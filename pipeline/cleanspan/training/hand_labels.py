"""Hand labels: what readers marked, what they looked at, and what they were unsure of.

One contract for every source. CSV files have the columns
``recording,label,onset_s,duration_s,channels,reader[,note]``; EDF+ files have the same texts as
annotations (``blink@@EEG Fp1-A1A2``, ``reviewed``). Inside a `reviewed` span the unmarked is
clean; outside it nothing is known.
"""

import csv
import functools
import logging
import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from cleanspan.config import LabelRules
from cleanspan.errors import CleanspanError, LabelsError
from cleanspan.recording.opening import open_recording
from cleanspan.recording.roles import guess_role
from cleanspan.training.finding import MARKED, find_recordings, locate, not_found
from cleanspan.training.label_rules import unknown_not_read
from cleanspan.training.problems import Problems
from cleanspan.training.table_text import table_text
from cleanspan.training.wording import REVIEWED, STATEMENTS, known_texts, meaning
from cleanspan.types import ALL_CHANNELS, CLEAN, Recording

LOOKED_AT = (REVIEWED, CLEAN)
UNKNOWN = "label must be a known one"
NO_LENGTH = "a span that was looked at must have a length, got 0 s; give it its duration"
COLUMNS = ("recording", "label", "onset_s", "duration_s", "channels", "reader")
AT_CHANNEL = "@@"
END_TOLERANCE_S = 0.5
"""A mark may overshoot the recording's end by this much: readers round, pages end later."""

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class HandLabel:
    """One row of a reader's marks.

    Attributes
    ----------
    recording : str
        File name, or a path's tail where two recordings share a name.
    label : str
        A label, or one of `STATEMENTS`.
    onset_s, duration_s : float
        Seconds from the recording's first sample.
    channels : tuple of str
        Channel or electrode names as written, or ``("all",)``.
    reader : str
        Who marked it.
    note : str
        Free text; labels named in it narrow `unsure`, `other` and `reviewed` to these labels.
    place : str
        ``file:line`` where it stands.
    """

    recording: str
    label: str
    onset_s: float
    duration_s: float
    channels: tuple[str, ...]
    reader: str
    note: str = ""
    place: str = ""

    @property
    def end_s(self) -> float:
        """Where the span ends."""
        return self.onset_s + self.duration_s


def read_hand_labels(
    paths: Iterable[Path],
    rules: LabelRules | None = None,
    *,
    recordings: Iterable[Path] | None = None,
    problems: list[str] | None = None,
) -> list[HandLabel]:
    """Read marks from CSV files and from EDF+ or BDF+ annotations.

    Parameters
    ----------
    paths : iterable of Path
        CSV files and annotated recordings, or folders of CSV files.
    rules : LabelRules, optional
        Extra labels and the lab's own wording.
    recordings : iterable of Path, optional
        Recordings, or folders searched for them. Where given, every mark must belong to one of
        them, lie inside it and name its channels.
    problems : list of str, optional
        Where given, problems are added to it, to be told with others, and nothing is raised.

    Returns
    -------
    list of HandLabel
        Sorted by recording, onset and label; rows repeated word for word appear once.

    Raises
    ------
    LabelsError
        With every problem found, each with its file and line.
    """
    rules = rules or LabelRules()
    found = Problems()
    labels: list[HandLabel] = []
    files = list(_label_files(paths, found))
    for path in files:
        read = _read_csv if path.suffix.lower() in (".csv", ".tsv") else _read_annotations
        labels += read(path, rules, found)
    if not labels and not found:
        found.append(_no_rows(files))
    labels = _without_repeats(labels)
    found += _contradictions(labels)
    found += unknown_not_read(rules, {row.label for row in labels}.difference(STATEMENTS))
    if recordings is not None:
        found += check_against_recordings(labels, find_recordings(recordings))
    if problems is not None:
        problems += found
    elif found:
        raise LabelsError(found)
    return sorted(labels, key=lambda row: (row.recording, row.onset_s, row.label, row.reader))


def _label_files(paths: Iterable[Path], problems: list[str]) -> Iterator[Path]:
    """List the files to read; a folder stands for the CSV files in it."""
    for path in paths:
        if path.is_dir():
            found = sorted(path.glob("*.csv"))
            if not found:
                problems.append(f"{path}: a folder of labels must hold CSV files, got none")
            yield from found
        elif path.is_file():
            yield path
        else:
            problems.append(f"{path}: a label file must exist, got nothing there")


def _no_rows(files: Sequence[Path]) -> str:
    """Say that nobody marked anything."""
    return (
        f"{', '.join(map(str, files))}: hand labels must have at least one row, got none; mark "
        f"artefacts, and the spans that were looked at as {REVIEWED!r}"
    )


def _read_csv(path: Path, rules: LabelRules, problems: Problems) -> list[HandLabel]:
    """Read one CSV file; what is wrong with it goes to problems."""
    try:
        text = table_text(path)
    except LabelsError as error:
        problems += error.problems
        return []
    rows = csv.reader(text, delimiter="\t" if path.suffix.lower() == ".tsv" else ",")
    header = [name.strip().lower() for name in next(rows, [])]
    missing = [name for name in COLUMNS if name not in header]
    if missing:
        hint = "; it has semicolons: save it with commas" if ";" in "".join(header) else ""
        problems.append(
            f"{path}:1: the header must have the columns {', '.join(COLUMNS)}; "
            f"missing: {', '.join(missing)}{hint}"
        )
        return []
    labels = []
    for cells in rows:
        if any(cell.strip() for cell in cells):
            place = f"{path}:{rows.line_num}"
            label = _parse_row(header, cells, place, rules, problems)
            labels += [label] if label else []
    return labels


def _parse_row(
    header: list[str], cells: list[str], place: str, rules: LabelRules, problems: Problems
) -> HandLabel | None:
    """Turn one CSV row into a label, or say why it cannot be one."""
    if len(cells) > len(header):
        problems.append(f"{place}: a row must have {len(header)} cells, got {len(cells)}; "
                        "put a note that holds commas in double quotes")  # fmt: skip
        return None
    row = dict(zip(header, (cell.strip() for cell in cells), strict=False))
    wrong = [f"{name} must not be empty" for name in COLUMNS if not row.get(name)]
    onset_s = _number(row.get("onset_s", ""), "onset_s", wrong)
    duration_s = _number(row.get("duration_s", ""), "duration_s", wrong)
    text = row.get("label", "")
    label = meaning(text, rules)
    if label in LOOKED_AT and duration_s <= 0 and not wrong:
        wrong.append(NO_LENGTH)
    problems += [f"{place}: {problem}" for problem in wrong]
    if label is None and text:
        problems.repeated(place, UNKNOWN, got=repr(text), then=known_texts(text, rules))
    if wrong or label is None:
        return None
    written = row["channels"].replace(";", " ").replace(",", " ")
    names = tuple(name for name in written.split() if name.upper() != "EEG")
    everywhere = ALL_CHANNELS in (name.lower() for name in names)
    channels = (ALL_CHANNELS,) if everywhere else names
    note, reader = row.get("note", ""), row["reader"]
    return HandLabel(row["recording"], label, onset_s, duration_s, channels, reader, note, place)


def _number(text: str, name: str, wrong: list[str]) -> float:
    """Read a number of seconds, not negative."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if text and not (math.isfinite(value) and value >= 0):
        wrong.append(f"{name} must be a number of seconds, 0 or more, got {text!r}")
    return value


def _read_annotations(path: Path, rules: LabelRules, problems: Problems) -> list[HandLabel]:
    """Read the marks that a recording carries as annotations.

    A marked copy holds the machine's marks in the same texts, so marks count only inside the
    spans that a person declared reviewed.
    """
    try:
        recording = open_recording(path)
    except CleanspanError as error:
        problems.append(f"{path}: annotations must be readable, got: {error}")
        return []
    notes = recording.notes
    recording.close()
    labels = []
    name = path.stem.removesuffix(MARKED) if path.stem.endswith(MARKED) else path.name
    for note in notes:
        text, at, channel = note.text.partition(AT_CHANNEL)
        label = meaning(text, rules)
        place = f"{path}:+{note.onset_s:g}"
        if label is None:
            if at:
                problems.repeated(place, UNKNOWN, got=repr(text), then=known_texts(text, rules))
            continue
        if label in LOOKED_AT and note.duration_s <= 0:
            problems.append(f"{place}: {NO_LENGTH}")
            continue
        channels = (channel.strip(),) if at else (ALL_CHANNELS,)
        labels.append(
            HandLabel(name, label, note.onset_s, note.duration_s, channels, path.name, "", place)
        )
    return _inside_reviewed(path, labels, problems)


def _inside_reviewed(path: Path, labels: list[HandLabel], problems: list[str]) -> list[HandLabel]:
    """Keep the marks that a person looked at."""
    reviewed = [row for row in labels if row.label in LOOKED_AT]
    if not reviewed:
        problems.append(
            f"{path}: annotations must say which span was looked at ({REVIEWED!r}), got no such "
            "annotation; without it the machine's own marks would pass for a reader's"
        )
        return []
    kept = [
        row
        for row in labels
        if any(span.onset_s <= row.onset_s <= span.end_s for span in reviewed)
    ]
    if len(kept) < len(labels):
        logger.info(
            "%s: %d marks outside reviewed spans left out", path.name, len(labels) - len(kept)
        )
    return kept


def _without_repeats(labels: list[HandLabel]) -> list[HandLabel]:
    """Drop rows that say the same as an earlier one."""
    return list({replace(row, place="", note=""): row for row in reversed(labels)}.values())[::-1]


def _contradictions(labels: list[HandLabel]) -> list[str]:
    """Find marks of a reader inside a span that the same reader called clean."""
    marks: dict[tuple[str, str], list[HandLabel]] = {}
    for row in labels:
        if row.label not in STATEMENTS:
            marks.setdefault((row.recording, row.reader), []).append(row)
    problems = []
    for span in labels:
        if span.label != CLEAN:
            continue
        for row in marks.get((span.recording, span.reader), []):
            overlap_s = min(row.end_s, span.end_s) - max(row.onset_s, span.onset_s)
            if overlap_s > 0 and share_channels(row.channels, span.channels):
                problems.append(
                    f"{row.place}: one reader must not call a span clean and mark it, got "
                    f"{row.label!r} inside the {CLEAN!r} span of {span.place}"
                )
    return problems


def share_channels(first: Sequence[str], second: Sequence[str]) -> bool:
    """Whether two marks have a channel in common."""
    if ALL_CHANNELS in first or ALL_CHANNELS in second:
        return True
    return not {electrode_key(name) for name in first}.isdisjoint(map(electrode_key, second))


@functools.lru_cache(maxsize=4096)
def electrode_key(name: str) -> str:
    """Reduce a channel's name to what identifies its electrode, in capitals.

    ``EEG Fp1-A1A2``, ``Fp1.`` and ``FP1`` are one electrode; ``T3`` is ``T7``. A derivation
    between two scalp electrodes, or a name that is no electrode, stays whole.
    """
    guess = guess_role(name)
    if guess.electrode is not None and guess.against is None:
        return guess.electrode.upper()
    return name.strip().upper()


def by_file(
    labels: Iterable[HandLabel], index: Mapping[str, list[Path]]
) -> dict[Path, list[HandLabel]]:
    """Group marks by the recording they belong to.

    Raises
    ------
    LabelsError
        If a recording is not found, or found more than once.
    """
    groups: dict[Path, list[HandLabel]] = {}
    places: dict[str, str] = {}
    for row in labels:
        found = locate(row.recording, index)
        if len(found) == 1:
            groups.setdefault(found[0], []).append(row)
        else:
            places.setdefault(row.recording, row.place)
    if places:
        raise LabelsError(not_found(places, index))
    return dict(sorted(groups.items()))


def check_against_recordings(
    labels: Sequence[HandLabel], index: Mapping[str, list[Path]]
) -> list[str]:
    """List the marks that do not fit their recording."""
    by_recording: dict[str, list[HandLabel]] = {}
    for row in labels:
        by_recording.setdefault(row.recording, []).append(row)
    problems = Problems()
    places: dict[str, str] = {}
    for name, rows in by_recording.items():
        found = locate(name, index)
        if len(found) != 1:
            places[name] = rows[0].place
            continue
        try:
            recording = open_recording(found[0])
        except CleanspanError as error:
            problems.append(f"{rows[0].place}: {error}")
            continue
        _tell_misfits(rows, recording, problems)
        recording.close()
    return [*not_found(places, index), *problems]


def unknown_channels(row: HandLabel, known: Collection[str]) -> list[str]:
    """List a row's channels whose electrode key is not among the known ones."""
    return [c for c in row.channels if c != ALL_CHANNELS and electrode_key(c) not in known]


def outside(row: HandLabel, duration_s: float) -> str:
    """Say that a row lies beyond its recording's end."""
    span = f"{row.onset_s:g} to {row.end_s:g} s"
    return f"{row.place}: a mark must lie inside the recording (0 to {duration_s:g} s), got {span}"


def _tell_misfits(rows: Sequence[HandLabel], recording: Recording, problems: Problems) -> None:
    """Tell marks that lie outside a recording or name a channel it does not have."""
    known = {electrode_key(channel.label) for channel in recording.channels}
    known |= {channel.electrode.upper() for channel in recording.channels if channel.electrode}
    for row in rows:
        if row.end_s > recording.duration_s + END_TOLERANCE_S:
            problems.append(outside(row, recording.duration_s))
        missing = unknown_channels(row, known)
        if missing:
            problems.repeated(row.place, "channels must be the recording's", got=" ".join(missing))
