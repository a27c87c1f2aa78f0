"""The workflow: from stored results and their recordings to the page."""

import logging
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cleanspan.errors import CleanspanError, RecordingError, UsageError
from cleanspan.export.stored import StoredResult, content_of
from cleanspan.recording.content import digest_of
from cleanspan.recording.electrodes import neighbours
from cleanspan.recording.opening import RECORDING_SUFFIXES, open_recording
from cleanspan.review import picking
from cleanspan.review.page import Item, PageFacts, PageRecording, check_place, write_page
from cleanspan.review.samples import packed, page_rate, thinned
from cleanspan.types import Channel, Recording

AROUND_S = 1.0
"""How much is shown before and after a span, for context."""
BYTES_AT_MOST = 23_000_000
"""Size of the embedded traces; browsers keep up to a page of about 25 MB at ease (measured)."""
_BASE64 = 4 / 3
_EXTRA_S = 0.5  # room for the anti-alias filter to settle outside what is shown
_WARNED = 1000.0
"""A recording that screening warned of comes before every other."""
_DRIFT = re.compile(r"stability index ([\d.]+), usually below ([\d.]+)")
"""The sentence of `labelling.drift.Drift.text`, as it stands among a result's warnings."""

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class ReviewPlan:
    """What the page shall hold.

    Attributes
    ----------
    count : int
        Number of spans.
    span_s : float
        Length of each.
    control_share : float
        Share drawn at random, 0 to 1.
    seed : int
    """

    count: int = 100
    span_s: float = 10.0
    control_share: float = 0.2
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Made:
    """What was made.

    Attributes
    ----------
    path : Path
    page_id : str
    reasons : mapping of str to int
        Reason → how many spans.
    recordings : int
        How many recordings they come from.
    skipped : tuple of str
        One line for each result that could not be used.
    """

    path: Path
    page_id: str
    reasons: Mapping[str, int]
    recordings: int
    skipped: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Source:
    """A result with its recording's file."""

    result: StoredResult
    path: Path
    scores: picking.SpanScores
    profile: tuple[float, ...]


def make_review(
    results: Sequence[Path], recordings: Sequence[Path], path: Path, plan: ReviewPlan
) -> Made:
    """Choose spans and write the page.

    Parameters
    ----------
    results : sequence of Path
        Result folders.
    recordings : sequence of Path
        Recordings, or folders that are searched for them.
    path : Path
        Where the page goes.
    plan : ReviewPlan

    Returns
    -------
    Made

    Raises
    ------
    UsageError
        If nothing can be chosen from, models differ in their labels, the page would become too
        large for a browser, or would replace another.
    OutputError
        If the page cannot be written.
    """
    check_place(path)
    index = index_recordings(recordings)
    sources: list[_Source] = []
    skipped: list[str] = []
    for folder in results:
        try:
            sources.append(_source(folder, index, plan.span_s))
        except CleanspanError as error:
            skipped.append(str(error))
    if not any(len(source.scores.onset_s) for source in sources):
        must = f"results with their recordings must hold at least one span of {plan.span_s:g} s"
        raise UsageError("\n".join([f"{must}, got none", *skipped]))
    labels = _common_labels(sources)
    unlike = _unlike(sources)
    picks = picking.choose(
        [source.scores for source in sources], unlike,
        count=plan.count, control_share=plan.control_share, seed=plan.seed,
    )  # fmt: skip
    items, read_errors = _items(picks, sources, plan)
    used = sorted({item.recording for item in items})
    if not items:
        raise UsageError("\n".join(["recordings must be readable, got none", *read_errors]))
    models = sorted({sources[number].result.model for number in used})
    facts = PageFacts(labels, plan.control_share, plan.seed, ", ".join(models))
    page_recordings = [_page_recording(source, sources) for source in sources]
    page_id = write_page(items, page_recordings, facts, path)
    reasons = Counter(item.reason for item in items)
    return Made(path, page_id, reasons, len(used), (*skipped, *read_errors))


def index_recordings(paths: Iterable[Path]) -> dict[str, list[Path]]:
    """List recordings by file name, in lower case; marked copies are not recordings."""
    index: dict[str, list[Path]] = {}
    for path in paths:
        inside = sorted(path.rglob("*")) if path.is_dir() else [path]
        for file in inside:
            wanted = file.suffix.lower() in RECORDING_SUFFIXES or file == path
            if wanted and not file.stem.endswith("_marked"):
                index.setdefault(file.name.lower(), []).append(file)
    return index


def _source(folder: Path, index: Mapping[str, list[Path]], span_s: float) -> _Source:
    """Load one result, find its recording, and score its spans."""
    result = StoredResult.load(folder)
    path = _recording_of(folder, result.recording, index)
    stored = result.probabilities
    if stored is None:
        raise RecordingError(
            f"{folder.name}: the table of windows must be there, got none; "
            "screen it again with [export] windows = true"
        )
    # Half precision is ample for choosing, and halves what a long recording takes.
    shape = (len(result.eeg), len(stored.onset_s), len(result.labels))
    values = np.empty(shape, dtype=np.float16)
    for row in range(len(result.eeg)):
        values[row] = stored.channel(row)
    scores = picking.score_spans(
        values,
        stored.onset_s + stored.window_s / 2,
        onset_s=picking.span_onsets(result.pieces, span_s),
        span_s=span_s,
        neighbours=neighbour_rows(result.eeg),
    )
    return _Source(result, path, scores, _profile(values, scores))


def _recording_of(folder: Path, name: str, index: Mapping[str, list[Path]]) -> Path:
    """Find a result's recording; of several with its name, the one with its content."""
    found = index.get(name.lower(), [])
    content = content_of(folder)
    if len(found) == 1 and not content:
        return found[0]
    for path in found if content else ():
        with suppress(OSError):
            if digest_of(path) == content:
                return path
    got = ", ".join(str(path) for path in found) or "none"
    what = ", none of which is the one that was screened" if found and content else ""
    raise RecordingError(
        f"{folder.name}: its recording {name} must be found once under --recordings, got "
        f"{got}{what}; name the recording itself, or its folder, with --recordings"
    )


def _profile(values: npt.NDArray[np.float16], scores: picking.SpanScores) -> tuple[float, ...]:
    """Describe a recording: how often each label is likely, and how much is in doubt."""
    if not values.size:
        return (0.0,) * (int(values.shape[2]) + 1)
    likely: list[float] = (values >= 0.5).mean(axis=(0, 1)).tolist()
    doubt = float(np.mean(scores.doubt)) if len(scores.doubt) else 0.0
    return (*likely, doubt)


def _unlike(sources: Sequence[_Source]) -> list[float]:
    """Judge how unlike the training data each recording is; those warned of at screening first.

    Where screening saw nothing unusual, recordings are told apart by how far the model's answers
    on them lie from its answers on the others.
    """
    among = picking.unlikeness(np.array([source.profile for source in sources]))
    warned = [drift_factor(source.result.warnings) for source in sources]
    return [
        float(near + _WARNED * factor) for near, factor in zip(among.tolist(), warned, strict=True)
    ]


def drift_factor(warnings: Iterable[str]) -> float:
    """Read from a result's warnings how many times beyond the usual it has drifted; else 0."""
    for warning in warnings:
        if found := _DRIFT.search(warning):
            return float(found[1]) / max(float(found[2]), 0.01)
    return 0.0


def neighbour_rows(eeg: Sequence[Channel]) -> list[list[int]]:
    """List each channel's neighbours on the head, as rows."""
    rows = {channel.electrode: row for row, channel in enumerate(eeg) if channel.electrode}
    return [
        [rows[name] for name in neighbours(channel.electrode, rows)] if channel.electrode else []
        for channel in eeg
    ]


def _common_labels(sources: Sequence[_Source]) -> tuple[str, ...]:
    """Take the label set that all results share."""
    sets = {source.result.labels for source in sources}
    if len(sets) > 1:
        got = "; ".join(", ".join(labels) for labels in sorted(sets))
        raise UsageError(
            f"results must come from models with the same labels, got: {got}; "
            "screen the older ones again"
        )
    return sets.pop()


def _page_recording(source: _Source, sources: Sequence[_Source]) -> PageRecording:
    """Name a recording and its channels so that hand labels find them again."""
    result = source.result
    namesakes = [one for one in sources if one.result.recording == result.recording]
    name = result.recording
    if len(namesakes) > 1:
        name = f"{source.path.parent.name}/{name}"
    labels = tuple(channel.label for channel in result.eeg)
    written = tuple(
        channel.electrode if " " in channel.label and channel.electrode else channel.label
        for channel in result.eeg
    )
    return PageRecording(name, labels, written if len(set(written)) == len(written) else labels)


def _items(
    picks: Sequence[picking.Pick], sources: Sequence[_Source], plan: ReviewPlan
) -> tuple[list[Item], list[str]]:
    """Read the traces of all picks, each recording opened once."""
    _check_size(picks, sources, plan)
    items: list[Item | None] = [None] * len(picks)
    errors: list[str] = []
    for number, source in enumerate(sources):
        mine = [place for place, pick in enumerate(picks) if pick.recording == number]
        if not mine:
            continue
        try:
            recording = open_recording(source.path)
        except CleanspanError as error:
            errors.append(str(error))
            continue
        try:
            for place in mine:
                items[place] = _item(picks[place], source.result, recording, plan)
        finally:
            recording.close()
    return [item for item in items if item is not None], errors


def _check_size(
    picks: Sequence[picking.Pick], sources: Sequence[_Source], plan: ReviewPlan
) -> None:
    """Refuse a page that a browser would be slow with."""
    shown_s = plan.span_s + 2 * AROUND_S
    size = sum(
        2 * _BASE64 * shown_s * len(eeg) * page_rate(usual_rate(eeg))
        for eeg in (sources[pick.recording].result.eeg for pick in picks)
        if eeg
    )
    if size > BYTES_AT_MOST:
        fewer = int(len(picks) * BYTES_AT_MOST / size)
        raise UsageError(
            "--items must keep the page below 25 MB, "
            f"got {len(picks)} spans of {plan.span_s:g} s; "
            f"choose at most {fewer}, and make several pages with different --seed"
        )


def usual_rate(eeg: Sequence[Channel]) -> float:
    """Find the rate that most channels have; the higher one where they are as many."""
    counts = Counter(channel.rate_hz for channel in eeg)
    return max(counts, key=lambda rate: (counts[rate], rate))


def _item(
    pick: picking.Pick,
    result: StoredResult,
    recording: Recording,
    plan: ReviewPlan,
) -> Item:
    """Read one span with what surrounds it."""
    to_hz = page_rate(usual_rate(result.eeg))
    from_s = max(0.0, pick.onset_s - AROUND_S)
    until_s = min(recording.duration_s, pick.onset_s + plan.span_s + AROUND_S)
    # A whole number of the page's samples: half a sample would shift the traces.
    skip = int(min(_EXTRA_S, from_s) * to_hz)
    lead_s = skip / to_hz
    count = round((until_s - from_s) * to_hz)
    samples_uv = np.full((len(result.eeg), count), np.nan, dtype=np.float32)
    for rate_hz in {channel.rate_hz for channel in result.eeg}:
        rows = [row for row, channel in enumerate(result.eeg) if channel.rate_hz == rate_hz]
        read = recording.span(
            [result.eeg[row].index for row in rows],
            from_s - lead_s,
            until_s - from_s + lead_s + _EXTRA_S,
        )
        thin = thinned(read, rate_hz=rate_hz, to_hz=to_hz)[:, skip : skip + count]
        samples_uv[rows, : thin.shape[1]] = thin
    return Item(
        pick.recording, pick.onset_s, plan.span_s, from_s, to_hz, packed(samples_uv), pick.reason
    )  # fmt: skip
