"""The workflow of one recording: read, window, label, segment, write."""

import logging
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from cleanspan.atomic import replacing_folder, scratch_error
from cleanspan.config import Config, SegmentRule
from cleanspan.errors import CleanspanError, RecordingError
from cleanspan.export.cells import readable, safe_stem
from cleanspan.recording.groups import groups_by_rate, left_aside
from cleanspan.scratch import scratch_folder
from cleanspan.types import BLINK, FACTS, Channel, Finding, Recording, Role, Screened

if TYPE_CHECKING:
    import pandas as pd

    from cleanspan.export.exclusions import Applied
    from cleanspan.features.extraction import FeatureStore
    from cleanspan.labelling.model import Model
    from cleanspan.labelling.prediction import Predictions

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one recording; small enough to travel between processes.

    Attributes
    ----------
    recording : str
        File name (without the folder).
    status : {"done", "failed"}
    folder : Path or None
        Where its results lie.
    duration_s, usable_s : float
        NaN where it failed; usable under the chosen plan.
    channels : int
        Number of scalp channels that were screened.
    clean_share : float
        Share of channel-time without any label.
    shares : mapping of str to float
        Share of channel-time under each label.
    mend : tuple of str
        What the technologist should mend: channels, and ``reference`` where it was lost for long.
    shortfalls : tuple of str
        Why the recording does not meet the chosen plan; empty where it does.
    model, config : str
        Fingerprints.
    warnings : tuple of str
    error : str
        One line where it failed, else empty.
    findings : tuple of str
        What else is to say about channels: salt bridges, line noise everywhere, polarity.
    """

    recording: str
    status: str
    folder: Path | None = None
    duration_s: float = float("nan")
    channels: int = 0
    clean_share: float = float("nan")
    usable_s: float = float("nan")
    shares: Mapping[str, float] = field(default_factory=dict)
    mend: tuple[str, ...] = ()
    shortfalls: tuple[str, ...] = ()
    model: str = ""
    config: str = ""
    warnings: tuple[str, ...] = ()
    error: str = ""
    findings: tuple[str, ...] = ()


def screen_recording(
    path: Path, folder: Path, *, config: Config, model: "Model | Path | str"
) -> Outcome:
    """Screen one recording and write its results; a bad recording becomes a failed outcome.

    Parameters
    ----------
    path : Path
        The recording; read only.
    folder : Path
        Where its results go; replaced as a whole when they are complete. Results of another
        recording that stand there then stay: the outcome tells which folder was taken instead.
    config : Config
    model : Model, or the path of a model folder

    Returns
    -------
    Outcome

    Raises
    ------
    OutputError
        If the results cannot be written: that is not the recording's fault.
    ModelError, ConfigError
        If the model or the plan is wrong.
    """
    from cleanspan.labelling.model import load_model

    loaded = load_model(Path(model)) if isinstance(model, str | Path) else model
    _load_libraries(config)
    try:
        with screened(path, config=config, model=loaded) as result:
            outcome = write_results(result, folder)
    except RecordingError as error:
        outcome = failed(path, str(error))
    except CleanspanError:
        raise
    except Exception as error:  # one recording must never cost the others
        log.debug("unexpected failure", exc_info=True)
        outcome = failed(
            path, f"{path.name}: stopped by an unexpected {type(error).__name__}: {error}"
        )
    return replace(outcome, model=loaded.full_name, config=config.fingerprint())


def _load_libraries(config: Config) -> None:
    """Load what the exporters need before any large array is made.

    What stays lies below what goes then: the memory of the first pass over the samples, the same
    for a recording of any length, is used again by the later stages instead of being cut up.
    """
    # Arrow's own pool takes 15 MB from the system where it uses one; it is chosen at loading.
    os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")
    import pandas as pd  # noqa: F401

    if config.export.windows:
        import pyarrow.parquet  # noqa: F401
    if config.export.report:
        import cleanspan.export.report.page  # noqa: F401


def failed(path: Path, reason: str) -> Outcome:
    """Make the outcome of a recording that could not be screened, its reason on one line."""
    return Outcome(readable(path.name), "failed", error=readable(" ".join(reason.split())))


@contextmanager
def screened(
    source: "Path | Recording", *, config: Config, model: "Model"
) -> "Iterator[Screened]":
    """Screen a recording; results live as long as the block.

    Parameters
    ----------
    source : Path or Recording
        A recording given open stays open.
    config : Config
    model : Model

    Raises
    ------
    RecordingError
        If it cannot be read or holds no scalp channel.
    """
    from cleanspan.recording.opening import open_recording

    with ExitStack() as stack:
        if isinstance(source, Path):
            recording = open_recording(source)
            stack.callback(recording.close)
        else:
            recording = source
        groups = groups_by_rate(recording)
        scratch = stack.enter_context(scratch_folder())
        parts = [_label(recording, group, config, model, scratch, stack) for group in groups]
        yield _assemble(recording, parts, config, model)


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """What is known about the channels of one rate."""

    store: "FeatureStore"
    predictions: "Predictions"
    segments: "pd.DataFrame"
    findings: tuple[Finding, ...]
    drift: str


def _label(
    recording: Recording,
    channels: Sequence[Channel],
    config: Config,
    model: "Model",
    scratch: Path,
    stack: ExitStack,
) -> _Part:
    """Features, probabilities and segments of channels of one rate."""
    from cleanspan.features.extraction import FeatureStore
    from cleanspan.labelling.drift import Histogram, drift_of, load_reference
    from cleanspan.labelling.findings import findings_of
    from cleanspan.labelling.prediction import Predictions
    from cleanspan.labelling.segments import segment_table

    reference = load_reference(model.folder, model.windows.features)
    counted = None if reference is None else Histogram(reference.edges)
    try:
        store = stack.enter_context(
            FeatureStore(recording, channels, windows=config.windows, scratch=scratch)
        )
        watch = None if counted is None else counted.add
        predictions = Predictions(store, model, scratch, watch=watch)
    except OSError as error:
        raise scratch_error(scratch, error) from error
    stack.callback(predictions.close)
    rules: dict[str, SegmentRule] = {**model.rules, **config.segments}
    segments = segment_table(store, predictions, rules)
    said = ""
    if reference is not None and counted is not None and store.onset_s.size:
        said = drift_of(counted.shares, reference).text()
    findings = tuple(findings_of(store, predictions, segments))
    return _Part(store, predictions, segments, findings, said)


def _assemble(
    recording: Recording, parts: Sequence[_Part], config: Config, model: "Model"
) -> Screened:
    """Put the groups of channels together."""
    from cleanspan.labelling.channels import channel_table, few_compared, without_front
    from cleanspan.labelling.joining import JoinedPredictions, joined_segments, joined_spectra

    groups = [part.store.channels for part in parts]
    eeg = tuple(channel for group in groups for channel in group)
    segments = joined_segments([part.segments for part in parts])
    findings = tuple(finding for part in parts for finding in part.findings)
    recorded_s = sum(piece.duration_s for piece in recording.pieces)
    return Screened(
        recording=recording,
        eeg=eeg,
        labels=model.labels,
        probabilities=JoinedPredictions([part.predictions for part in parts]),
        segments=segments,
        channels=channel_table(
            recording.channels, segments, model.labels, duration_s=recorded_s, findings=findings
        ),
        findings=findings,
        mains_hz=parts[0].store.around.mains_hz,
        spectra=joined_spectra([part.store.spectra for part in parts]),
        model=model.full_name,
        config=config,
        warnings=(
            # How far the rest can be trusted comes first.
            *few_compared(groups),
            *(without_front(groups) if BLINK in model.labels else ()),
            *(part.drift for part in parts if part.drift),
            *left_aside(recording.channels, eeg),
        ),
    )


def write_results(result: Screened, folder: Path) -> Outcome:
    """Write all files of a screened recording, whole or not at all.

    Parameters
    ----------
    result : Screened
    folder : Path
        Replaced when everything is written; see `export.room.Room`.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    from cleanspan.export.bids import write_bids
    from cleanspan.export.events import find_presses
    from cleanspan.export.exclusions import apply_to
    from cleanspan.export.handwork import note_written
    from cleanspan.export.plans import load_plan, shipped_plans
    from cleanspan.export.room import Room
    from cleanspan.export.tables import write_applied, write_tables

    export = result.config.export
    plan = load_plan(export.plan)
    applied = apply_to(result, result.recording.pieces, plan)
    stem = safe_stem(result.recording.path.name)
    presses = [
        note
        for channel in result.recording.channels
        if channel.role == Role.BUTTON
        for note in find_presses(result.recording, channel.index)
    ]
    warnings = [*result.recording.warnings, *result.warnings, *applied.warnings]
    room = Room(folder, stem)
    with replacing_folder(folder, room=room.held) as beside:
        warnings += _write_marks(result, applied, beside)
        write_tables(result, beside, presses=presses, warnings=warnings, stem=stem)
        write_applied(applied, beside, stem)
        if export.bids:
            write_bids(result, beside)
        if export.report:
            _write_page(result, applied, [*shipped_plans()], beside / f"{stem}_report.html")
        note_written(beside, beside / f"{stem}{FACTS}")
    return _outcome(result, applied, room.folder, warnings)


def _write_page(result: Screened, applied: "Applied", plans: Sequence[str], path: Path) -> None:
    """Write the recording's page, with every shipped plan beside the chosen one."""
    from cleanspan.export.exclusions import apply_to
    from cleanspan.export.plans import load_plan
    from cleanspan.export.report.page import write_report

    uses = {applied.plan.name: applied}
    for name in plans:
        if name not in uses:
            uses[name] = apply_to(result, result.recording.pieces, load_plan(name))
    write_report(result, uses, path)


def _write_marks(result: Screened, applied: "Applied", folder: Path) -> list[str]:
    """Write the EDF+ marks; return what a user should know about them."""
    from cleanspan.export.marked import (
        can_copy,
        derived_name,
        write_annotations_only,
        write_marked,
    )
    from cleanspan.export.marks import marks_for

    export = result.config.export
    if export.marked == "none":
        return []
    marks = marks_for(result, applied)
    target = folder / derived_name(result.recording)
    options = {"deidentify": export.deidentify, "keep_notes": export.keep_notes}
    if export.marked == "copy" and can_copy(result.recording):
        return list(write_marked(result.recording, target, marks, **options))
    said = list(write_annotations_only(result.recording, target, marks, **options))
    if export.marked == "copy":
        said.append("the marks are in a file of annotations only: the format cannot be copied")
    return said


def _outcome(
    result: Screened, applied: "Applied", folder: Path, warnings: Sequence[str]
) -> Outcome:
    """Sum up one recording."""
    from cleanspan.export.told import finding_lines
    from cleanspan.labelling.channels import MEND, NOT_SCREENED, reference_is_to_mend

    recorded_s = sum(piece.duration_s for piece in result.recording.pieces)
    table = result.channels[result.channels["verdict"] != NOT_SCREENED]
    shares = {
        label: float(table[f"{label.replace(' ', '_')}_share"].mean()) for label in result.labels
    }
    mend = (
        *(("reference",) if reference_is_to_mend(result.segments, recorded_s) else ()),
        *table["channel"][table["verdict"] == MEND],
    )
    return Outcome(
        recording=readable(result.recording.path.name),
        status="done",
        folder=folder,
        duration_s=result.recording.duration_s,
        channels=len(result.eeg),
        clean_share=float(table["clean_share"].mean()),
        usable_s=applied.usable_s,
        shares=shares,
        mend=mend,
        shortfalls=applied.shortfalls,
        findings=finding_lines(result.findings, to_mend=mend),
        warnings=(*applied.about_channels(), *warnings),
    )
