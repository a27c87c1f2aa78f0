"""What the lab's hand labels teach: feature tables of every labelled recording, cached."""

import hashlib
import json
import logging
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from cleanspan.atomic import replacing_file
from cleanspan.config import LabelRules, Windows
from cleanspan.errors import ModelError, NoEegChannelError, OutputError
from cleanspan.features.registry import EVENT_NAMES, FEATURE_VERSION, WINDOW_NAMES
from cleanspan.recording.opening import open_recording
from cleanspan.training.belonging import all_may_mean_fewer
from cleanspan.training.dataset import Tables, tables_of
from cleanspan.training.evaluation import person_of
from cleanspan.training.hand_labels import HandLabel, by_file
from cleanspan.training.results import Comparison
from cleanspan.training.sample import load_tables, save_tables
from cleanspan.training.sources import scalp_channels
from cleanspan.training.truth import UNKNOWN, labels_of
from cleanspan.types import LINE_NOISE, Channel, Recording

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """One labelled recording.

    Attributes
    ----------
    name, person : str
    content : str
        SHA-256 of the recording's bytes.
    key : str
        Changes with the bytes, the labels, and the way they are read.
    tables : Tables
    """

    name: str
    person: str
    content: str
    key: str
    tables: Tables

    @property
    def read_windows(self) -> int:
        """Count the channel-windows of which hand labels tell; line noise is measured in all."""
        truths = self.tables.windows.truth.items()
        told = [truth != UNKNOWN for name, truth in truths if name != LINE_NOISE]
        return int(np.any(told, axis=0).sum()) if told else 0


def cache_folder() -> Path:
    """Find the user's cache folder (XDG base directories)."""
    base = os.environ.get("XDG_CACHE_HOME", "")
    root = Path(base) if Path(base).is_absolute() else Path.home() / ".cache"
    return root / "cleanspan" / "lessons"


def gather_lessons(
    labels: Sequence[HandLabel],
    index: Mapping[str, list[Path]],
    window_labels: Sequence[str],
    *,
    comparison: Comparison,
    cache: Path | None = None,
) -> list[Lesson]:
    """Compute the tables of every recording that has hand labels.

    Parameters
    ----------
    labels : sequence of HandLabel
        Checked against the recordings before.
    index : mapping
        Where recordings lie; see `find_recordings`.
    window_labels : sequence of str
        Labels of windows, the lab's own included.
    comparison : Comparison
        How the hand labels are understood, and whose a recording is.
    cache : Path, optional
        Folder for computed tables; a recording is computed anew when its bytes, its labels, the
        way they are read or the features' version change.

    Raises
    ------
    LabelsError
        If a recording cannot be found.
    UsageError
        If the pattern of persons is not in the name of one.
    RecordingError
        If one cannot be read.
    """
    lessons = []
    files = by_file(labels, index)
    # All before the first is computed: a pattern that does not fit stops the work at once.
    people = [person_of(path.name, comparison.person_pattern) for path in files]
    for (path, own), person in zip(files.items(), people, strict=True):
        content = content_hash(path)
        key = _key(content, own, window_labels, comparison)
        tables = _cached(cache, key)
        if tables is None:
            logger.info("computing features of %s", path.name)
            tables = compute_tables(path, own, window_labels, person, comparison)
            if cache is not None:
                _keep(tables, cache, key)
        lessons.append(Lesson(path.name, person, content, key, tables))
    return lessons


def doubtful_all(
    lessons: Sequence[Lesson], labels: Sequence[HandLabel], rules: LabelRules
) -> list[str]:
    """Ask what ``all`` means where the marks of a large cap name few of its channels."""
    if rules.all_channels:
        return []
    return all_may_mean_fewer(
        {lesson.name: labels_of(labels, lesson.name) for lesson in lessons},
        {lesson.name: np.unique(lesson.tables.windows.channel).tolist() for lesson in lessons},
        say_with="labels.all_channels in settings (--config)",
        otherwise="what the others show is learned as clean",
    )


def compute_tables(
    path: Path,
    labels: Sequence[HandLabel],
    window_labels: Sequence[str],
    person: str,
    comparison: Comparison,
) -> Tables:
    """Compute one recording's tables."""
    recording = open_recording(path)
    try:
        return tables_of(
            recording,
            screened(recording),
            labels,
            labels=window_labels,
            name=path.name,
            person=person,
            agreement=comparison.agreement,
            rules=comparison.rules,
        )
    finally:
        recording.close()


def screened(recording: Recording) -> tuple[Channel, ...]:
    """List the scalp channels of the commonest rate.

    Raises
    ------
    NoEegChannelError
        If there are none.
    """
    channels = scalp_channels(recording.channels)
    if not channels:
        raise NoEegChannelError(f"{recording.path.name}: must hold a scalp EEG channel, got none")
    return channels


def content_hash(path: Path) -> str:
    """Hash a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def labels_hash(labels: Sequence[HandLabel]) -> str:
    """Hash what labels say, wherever they stand."""
    rows = sorted(
        (r.recording, r.label, r.onset_s, r.duration_s, r.channels, r.reader, r.note)
        for r in labels
    )
    return hashlib.sha256(json.dumps(rows).encode()).hexdigest()


def _key(
    content: str,
    labels: Sequence[HandLabel],
    window_labels: Sequence[str],
    comparison: Comparison,
) -> str:
    """Name a cached table after everything that decides it."""
    parts = {
        "content": content,
        "labels": labels_hash(labels),
        "window_labels": list(window_labels),
        "features": [FEATURE_VERSION, *WINDOW_NAMES, *EVENT_NAMES],
        "windows": asdict(Windows()),
        "comparison": asdict(comparison),
    }
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _keep(tables: Tables, cache: Path, key: str) -> None:
    """Keep a computed table for the next time; what cannot be kept is computed again then."""
    try:
        cache.mkdir(parents=True, exist_ok=True)
        with replacing_file(cache / f"{key}.npz") as beside:
            save_tables(beside, tables, half=False)
    except (OSError, OutputError) as error:
        logger.warning("features are not kept for the next time: %s", error)


def _cached(cache: Path | None, key: str) -> Tables | None:
    """Read a cached table; a damaged one counts as none."""
    try:
        if cache is None or not (cache / f"{key}.npz").is_file():
            return None
        return load_tables(cache / f"{key}.npz")
    except (OSError, ModelError) as error:
        logger.warning("%s; computing it anew", error)
        return None
