"""Compare whole folders of results, or another reader's marks, with hand labels."""

import logging
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from cleanspan.config import LabelRules
from cleanspan.errors import UsageError, collecting, damage
from cleanspan.export.facts import facts_in
from cleanspan.export.stored import StoredResult, read_channels, with_columns
from cleanspan.training.belonging import (
    SEGMENTS,
    Judged,
    all_may_mean_fewer,
    channels_beside,
    check_belonging,
    no_such_channels,
    unknown_everywhere,
)
from cleanspan.training.evaluation import (
    Judge,
    ReaderMarks,
    Score,
    SegmentMarks,
    compare,
    person_of,
    pooled,
)
from cleanspan.training.hand_labels import (
    LOOKED_AT,
    HandLabel,
    electrode_key,
    read_hand_labels,
    unknown_channels,
)
from cleanspan.training.scores import Calibration, FloatArray, IntArray, calibration
from cleanspan.training.truth import TWO, Agreement, label_names, labels_of, stem
from cleanspan.training.wording import REVIEWED
from cleanspan.types import ALL_CHANNELS, CLEAN, EARLIER

if TYPE_CHECKING:
    import pandas as pd

FEW_PEOPLE = 5
"""Below this, a spread between people means little (common practice)."""

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """What comparing several recordings gave.

    Attributes
    ----------
    scores : list of Score
        One a recording.
    calibrations : mapping of str to Calibration
        By label, over all windows with a known truth; empty where no probabilities were found.
    warnings : list of str
        What the reader of the numbers must know.
    """

    scores: list[Score]
    calibrations: dict[str, Calibration] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Comparison:
    """How marks and hand labels are compared.

    Attributes
    ----------
    rules : LabelRules
        How the hand labels are understood.
    agreement : Agreement
        How many readers make an artefact.
    person_pattern : str
        Regular expression that finds the person in a recording's name; see `person_of`.
    """

    rules: LabelRules = field(default_factory=LabelRules)
    agreement: Agreement = TWO
    person_pattern: str = ""

    def __post_init__(self) -> None:
        """Refuse what is no regular expression before any work starts."""
        try:
            re.compile(self.person_pattern)
        except re.error as error:
            raise UsageError(
                "--person-pattern must be a regular expression, got "
                f"{self.person_pattern!r}: {error}"
            ) from error


def find_results(paths: Iterable[Path]) -> tuple[list[Path], list[Path]]:
    """Tell segment files of results and label files apart.

    Results that a night has replaced and keeps in ``earlier/`` are passed over.

    Returns
    -------
    segment files, label files

    Raises
    ------
    UsageError
        If a path holds neither.
    """
    segments: list[Path] = []
    labels: list[Path] = []
    for path in paths:
        if path.is_dir():
            found = [
                one
                for one in sorted(path.rglob(f"*{SEGMENTS}"))
                if EARLIER not in one.relative_to(path).parts
            ]
            if not found:
                raise UsageError(f"{path}: a results folder must hold *{SEGMENTS}, got none")
            segments += found
        elif path.name.endswith(SEGMENTS):
            segments.append(path)
        else:
            labels.append(path)
    return segments, labels


def evaluate_results(
    marks: Iterable[Path],
    labels: Sequence[HandLabel],
    comparison: Comparison,
    *,
    problems: Iterable[str] = (),
) -> Evaluation:
    """Compare results folders and other readers' label files with hand labels.

    `problems` were found before, in the labels say: they are told with those found here, and
    nothing is compared.

    Raises
    ------
    UsageError
        If no recording has both marks and hand labels.
    LabelsError
        If another reader's labels are wrong; if rows fit two results, or lie beyond a
        recording's end; if a channel that ``all`` is to mean is nowhere, or a name has no person.
    """
    segment_files, label_files = find_results(marks)
    judged = [Judged.of(path) for path in segment_files]
    known = list(problems)
    others = read_hand_labels(label_files, comparison.rules, problems=known) if label_files else []
    tables = {path: _read_segments(path) for path in segment_files}
    known += _wrong_rules(judged, [*labels, *others], tables, comparison)
    warnings = check_belonging(labels, judged, others, known=list(dict.fromkeys(known)))
    names = label_names([*labels, *others])
    names += tuple(sorted(_labels_in(tables.values()).difference(names)))
    scores: list[Score] = []
    pairs: dict[str, list[tuple[FloatArray, IntArray]]] = {}
    compared: dict[str, list[HandLabel]] = {}
    screened: dict[str, list[str]] = {}
    for one in judged:
        own, path = one.rows(labels), one.segments
        if own:
            channels = screened_channels(path, tables[path], own)
            warnings += _strangers(own, channels)
            compared[own[0].recording], screened[own[0].recording] = own, channels
            truth = ReaderMarks(own, channels, comparison.rules, comparison.agreement)
            marks_of = SegmentMarks(tables[path], channels)
            scores.append(_score(marks_of, truth, own, names, comparison))
            _add_windows(pairs, path, own, comparison)
    if not comparison.rules.all_channels:
        warnings += all_may_mean_fewer(compared, screened)
    for name in sorted({stem(row.recording) for row in others}):
        own, theirs = labels_of(labels, name), labels_of(others, name)
        if own:
            channels = channels_named([*own, *theirs], comparison.rules)
            truth = ReaderMarks(own, channels, comparison.rules, comparison.agreement)
            judge = ReaderMarks(theirs, channels, comparison.rules, comparison.agreement)
            scores.append(_score(judge, truth, own, names, comparison))
    return Evaluation(scores, _calibrations(pairs), [*warnings, *_warnings(labels, scores)])


def _wrong_rules(
    judged: Sequence[Judged],
    labels: Sequence[HandLabel],
    tables: "Mapping[Path, pd.DataFrame]",
    comparison: Comparison,
) -> list[str]:
    """Say what does not fit in how marks and labels are to be compared."""
    channels = [name for row in labels for name in row.channels]
    for one in judged:
        channels += screened_channels(one.segments, tables[one.segments], labels)
    problems = unknown_everywhere(comparison.rules.all_channels, list(dict.fromkeys(channels)))
    problems += no_such_channels(judged, labels)
    with collecting(problems):
        for one in judged:
            for row in one.rows(labels)[:1]:
                person_of(row.recording, comparison.person_pattern)
    return problems


def _strangers(own: Sequence[HandLabel], channels: Sequence[str]) -> list[str]:
    """Say which channels of the labels were not screened: what is marked there counts nowhere."""
    known = {electrode_key(name) for name in channels}
    missing = sorted({name for row in own for name in unknown_channels(row, known)})
    if not missing:
        return []
    return [f"{own[0].recording}: labelled but not screened, so not scored: {', '.join(missing)}"]


def _score(
    marks: Judge,
    truth: Judge,
    own: Sequence[HandLabel],
    names: Sequence[str],
    comparison: Comparison,
) -> Score:
    """Score one recording, as far as anybody marked it."""
    name = own[0].recording
    return compare(
        marks,
        truth,
        names=names,
        duration_s=max(row.end_s for row in own),
        recording=name,
        person=person_of(name, comparison.person_pattern),
    )


def _read_segments(path: Path) -> "pd.DataFrame":
    """Read a segment file.

    Raises
    ------
    UsageError
        If it is no segment file.
    """
    import pandas as pd

    wanted = ["channel", "label", "onset_s", "duration_s"]
    try:
        table = pd.read_csv(path, keep_default_na=False)
        return with_columns(table, wanted).astype({"onset_s": float, "duration_s": float})
    except (OSError, ValueError, KeyError) as error:
        raise UsageError(
            f"{path}: must be a segment file with {', '.join(wanted)}, got {damage(error)}; "
            "screen the recording again"
        ) from error


def _labels_in(tables: "Iterable[pd.DataFrame]") -> set[str]:
    """Collect the labels that segments carry."""
    return {str(name) for table in tables for name in table["label"].unique()} - {CLEAN}


def screened_channels(
    segments_path: Path, segments: "pd.DataFrame", labels: Sequence[HandLabel]
) -> list[str]:
    """List the channels that were screened: from the channel table beside the segments.

    Where that file is missing, the channels that occur in segments or hand labels.
    """
    path = channels_beside(segments_path)
    if path.is_file():
        table = read_channels(path)
        return [str(name) for name in table.loc[table["verdict"] != "not screened", "channel"]]
    named = [*segments["channel"].astype(str), *(c for row in labels for c in row.channels)]
    return [name for name in dict.fromkeys(named) if name != ALL_CHANNELS]


def channels_named(labels: Sequence[HandLabel], rules: LabelRules) -> list[str]:
    """List the channels that readers name; ``all`` stands for the rules' channels."""
    named = [*rules.all_channels, *(c for row in labels for c in row.channels)]
    return [name for name in dict.fromkeys(named) if name != ALL_CHANNELS]


def _add_windows(
    pairs: dict[str, list[tuple[FloatArray, IntArray]]],
    segments_path: Path,
    own: Sequence[HandLabel],
    comparison: Comparison,
) -> None:
    """Collect the probabilities of windows beside what is known about them."""
    if not facts_in(segments_path.parent):
        return
    result = StoredResult.load(segments_path.parent)
    stored = result.probabilities
    if stored is None:
        return
    truth = ReaderMarks(
        own, [channel.label for channel in result.eeg], comparison.rules, comparison.agreement
    )
    known = [truth.cells(label, stored.onset_s, stored.window_s) for label in stored.labels]
    for row in range(len(result.eeg)):
        probability = stored.channel(row)
        for column, label in enumerate(stored.labels):
            use = known[column][row] >= 0
            pairs.setdefault(label, []).append((probability[use, column], known[column][row, use]))


def _calibrations(
    pairs: dict[str, list[tuple[FloatArray, IntArray]]],
) -> dict[str, Calibration]:
    """Compare probabilities with truth, label by label, where somebody read the label."""
    result = {}
    for label, parts in pairs.items():
        probability = np.concatenate([p for p, _ in parts])
        truth = np.concatenate([t for _, t in parts])
        # Where nobody said what was read only marks are known, and certainty looks right.
        if (truth == 0).any():
            result[label] = calibration(probability, truth)
    return result


def _warnings(labels: Sequence[HandLabel], scores: Sequence[Score]) -> list[str]:
    """Say what keeps the numbers from meaning what they seem to."""
    reviewed = {stem(row.recording) for row in labels if row.label in LOOKED_AT}
    unread = sorted({score.name for score in scores if stem(score.name) not in reviewed})
    warnings = []
    if unread:
        warnings.append(
            f"no row says what was read ({REVIEWED!r}) in {', '.join(unread)}: unmarked may be "
            "overlooked there, so precision cannot be told: recall only"
        )
    if scores:
        cells = pooled(scores).cells
        unseen = [name for name, c in cells.items() if not c.hit + c.missed and c.false]
        warnings += [
            f"nobody marked {name!r} by hand, so every mark of it counts as false; if it was not "
            f"looked for, say so (--not-read {name!r}, or labels.not_read in settings)"
            for name in unseen
        ]
    if len({score.person for score in scores}) < FEW_PEOPLE:
        warnings.append(
            f"fewer than {FEW_PEOPLE} people: too few to tell how it does on people not seen"
        )
    return warnings
