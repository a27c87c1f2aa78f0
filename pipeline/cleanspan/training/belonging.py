"""Which results hand labels belong to, and the rows that belong to none."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from cleanspan.config import did_you_mean
from cleanspan.errors import LabelsError, UsageError
from cleanspan.export.stored import read_channels, read_facts, whole
from cleanspan.recording.electrodes import electrode_name, positions
from cleanspan.recording.odd import listed
from cleanspan.training.hand_labels import (
    END_TOLERANCE_S,
    LOOKED_AT,
    HandLabel,
    electrode_key,
    outside,
)
from cleanspan.training.problems import Problems
from cleanspan.training.truth import stem
from cleanspan.types import ALL_CHANNELS, FACTS

SEGMENTS = "_segments.csv"
NOWHERE = "channels must be electrodes or the recording's"

LARGEST_10_20 = 21
"""Electrodes of the 10-20 system, ears included (Jasper 1958): a larger cap is another one."""


@dataclass(frozen=True, slots=True)
class Judged:
    """The results of one recording, to be compared with hand labels.

    Attributes
    ----------
    segments : Path
        Its segment file.
    names : frozenset of str
        What rows may call it, as `truth.stem` gives them: the recording's name and that of its
        results, which differ where a name cannot be a folder's or was taken.
    duration_s : float or None
        The recording's length; None where nothing beside the segments tells it.
    """

    segments: Path
    names: frozenset[str]
    duration_s: float | None

    @classmethod
    def of(cls, segments: Path) -> "Judged":
        """Look at what lies beside a segment file.

        Raises
        ------
        RecordingError
            If the facts beside it are damaged.
        """
        name = segments.name.removesuffix(SEGMENTS)
        facts_path = segments.with_name(f"{name}{FACTS}")
        if not facts_path.is_file():
            return cls(segments, frozenset({stem(name)}), None)
        facts = read_facts(facts_path)
        with whole(facts_path):
            names = frozenset({stem(name), stem(str(facts["recording"]))})
            return cls(segments, names, float(facts["duration_s"]))

    def rows(self, labels: Sequence[HandLabel]) -> list[HandLabel]:
        """Pick the rows of this recording."""
        return [row for row in labels if stem(row.recording) in self.names]


def check_belonging(
    labels: Sequence[HandLabel],
    judged: Sequence[Judged],
    others: Sequence[HandLabel],
    *,
    known: Sequence[str] = (),
) -> list[str]:
    """Refuse rows that lie beyond a recording's end, and name what is compared with nothing.

    One table of labels often covers more recordings than were screened: that is no mistake, but
    a misspelt name looks the same, so it is told.

    Parameters
    ----------
    labels : sequence of HandLabel
    judged : sequence of Judged
    others : sequence of HandLabel
        Another reader's rows.
    known : sequence of str
        Problems found before, to be told with these.

    Returns
    -------
    list of str
        Which recordings have no results, or were read by one of two readers only.

    Raises
    ------
    UsageError
        If no recording has both marks and hand labels.
    LabelsError
        If rows lie beyond their recording's end, or fit two results, or problems are known.
    """
    wanted = {stem(row.recording): row for row in reversed(labels)}
    results = frozenset[str]().union(*(one.names for one in judged))
    theirs = {stem(row.recording): row for row in reversed(others)}
    if wanted.keys().isdisjoint(results | theirs.keys()):
        if known:
            raise LabelsError([*known])  # wrong rows are left out, so nothing is known of these
        names = ", ".join(sorted({row.recording for row in labels})) or "none"
        raise UsageError(
            "marks and hand labels must be of the same recordings, got none in common; labels "
            f"are of: {names}"
        )
    lost = {name: row for name, row in wanted.items() if name not in results | theirs.keys()}
    problems = [*known, *_namesakes(judged, wanted)]
    problems += [problem for one in judged for problem in _from_two_folders(one, labels)]
    problems += [problem for one in judged for problem in _beyond_end(one, labels)]
    if problems:
        raise LabelsError(problems)
    theirs_alone = [theirs[name] for name in theirs.keys() - wanted]
    if judged:
        return _without_results(lost.values()) + _read_once(theirs_alone)
    return _read_once([*lost.values(), *theirs_alone])


def _namesakes(judged: Sequence[Judged], wanted: Mapping[str, HandLabel]) -> Iterator[str]:
    """Say which rows fit the results of two recordings: they are of one of them only."""
    for name, row in wanted.items():
        fitting = [str(one.segments.parent) for one in judged if name in one.names]
        if len(fitting) > 1:
            yield (
                f"{row.place}: the recording {row.recording!r} must be one of the results, got "
                f"{' and '.join(fitting)}; name one of these folders alone"
            )


def _from_two_folders(one: Judged, labels: Sequence[HandLabel]) -> Iterator[str]:
    """Say where rows of two recordings of one name would be taken for one recording's."""
    named = {
        PurePosixPath(row.recording.replace("\\", "/")): row for row in reversed(one.rows(labels))
    }
    folders = {path.parent: row for path, row in named.items() if path.parent.name}
    if len(folders) > 1:
        first, *_, other = sorted(folders.values(), key=lambda row: row.recording)
        yield (
            f"{other.place}: rows for {one.segments.parent} must be of one recording, got "
            f"{first.recording!r} and {other.recording!r}; leave out those of the other"
        )


def _without_results(rows: Collection[HandLabel]) -> list[str]:
    """Say which recordings were labelled but have no results."""
    if not rows:
        return []
    names = ", ".join(sorted(row.recording for row in rows))
    return [f"labelled but not among the results, so not compared: {names}"]


def _read_once(rows: Collection[HandLabel]) -> list[str]:
    """Say which recordings one of two readers read."""
    names = sorted(row.recording for row in rows)
    return [f"{name}: read by one reader only, so not compared" for name in names]


def _beyond_end(one: Judged, labels: Sequence[HandLabel]) -> Iterator[str]:
    """List the rows that lie beyond their recording's end."""
    for row in one.rows(labels):
        if one.duration_s is not None and row.end_s > one.duration_s + END_TOLERANCE_S:
            yield outside(row, one.duration_s)


def unknown_everywhere(names: Sequence[str], channels: Sequence[str]) -> list[str]:
    """List what ``all`` is said to stand for and is neither an electrode nor a channel."""
    return [
        "what 'all' means (labels.all_channels in settings, or --all-channels) must be "
        f"electrodes or channels of the recordings, got {got}{then}"
        for got, then in _nowhere(names, channels)
    ]


def no_such_channels(judged: Sequence[Judged], labels: Sequence[HandLabel]) -> list[str]:
    """List the channels of rows that are neither electrodes nor channels of the recording.

    A row may name a channel that was not screened, or an electrode that was not recorded: one
    table of labels serves many. A misspelt name would count nowhere.
    """
    problems = Problems()
    for one in judged:
        path = channels_beside(one.segments)
        if not path.is_file():
            continue
        recorded = [str(name) for name in read_channels(path)["channel"]]
        for row in one.rows(labels):
            named = [name for name in row.channels if name != ALL_CHANNELS]
            for got, then in _nowhere(named, recorded):
                problems.repeated(row.place, NOWHERE, got=got, then=then)
    return problems


def channels_beside(segments: Path) -> Path:
    """Name the table of channels that belongs to a segment file; older results may lack it."""
    return segments.with_name(f"{segments.name.removesuffix(SEGMENTS)}_channels.csv")


def _nowhere(names: Sequence[str], channels: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Tell names that are neither electrodes nor among channels, with what may be meant."""
    known = {electrode_key(channel) for channel in channels}
    for name in names:
        key = electrode_key(name)
        if key not in known and electrode_name(key) is None:
            yield repr(name), did_you_mean(name, (*positions(), *channels))


def all_may_mean_fewer(
    own: Mapping[str, Sequence[HandLabel]],
    screened: Mapping[str, Sequence[str]],
    *,
    say_with: str = "--all-channels (labels.all_channels in settings)",
    otherwise: str = "marks on the others count as false",
) -> list[str]:
    """Ask what ``all`` means where a large cap was read and the rows name few of its channels.

    A reader who looked at the 10-20 electrodes of a larger cap writes ``all`` for these; taken
    at its word, it makes every mark on the others a false one.

    Parameters
    ----------
    own : mapping of str to sequence of HandLabel
        By recording.
    screened : mapping of str to sequence of str
        The screened channels of the same recordings.
    say_with, otherwise : str
        How to say which channels were read, and what follows if it is not said.
    """
    doubtful = []
    for name, rows in own.items():
        everywhere = any(ALL_CHANNELS in row.channels for row in rows if row.label in LOOKED_AT)
        named = {electrode_key(channel) for row in rows for channel in row.channels}
        known = {electrode_key(channel) for channel in screened[name]}
        if everywhere and len(known) > LARGEST_10_20 and 2 * len(named & known) < len(known):
            doubtful.append(f"{name} ({len(named & known)} of {len(known)})")
    if not doubtful:
        return []
    hint = (
        "rows reviewed on 'all' count for every screened channel, but the marks name few: "
        f"{listed(doubtful)}; if the readers saw only some channels, say which with {say_with}, "
        f"or {otherwise}"
    )
    return [hint]
