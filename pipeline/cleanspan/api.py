"""For notebooks: screen a recording, look at its artefacts, choose what to leave out.

Not a medical device and not for diagnosis: a missing mark proves nothing.

Examples
--------
>>> from cleanspan import api
>>> result = api.screen("demo_data/harbour-street-p02-listening.edf")
>>> result.segments.columns.tolist()
['channel', 'label', 'kind', 'onset_s', 'duration_s', 'confidence']
>>> left = result.apply("event-related")
>>> bool(left.usable_s < left.duration_s)
True
"""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cleanspan.config import Config
from cleanspan.export.exclusions import Applied, apply_to
from cleanspan.export.marks import marks_for
from cleanspan.export.plans import Plan, check_labels, load_plan, shipped_plans
from cleanspan.export.stored import StoredResult
from cleanspan.types import Channel, Finding, Piece, Recording

if TYPE_CHECKING:
    import mne
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """A screened recording, held in memory without its samples.

    Attributes
    ----------
    name : str
        The recording's file name.
    duration_s : float
        End of the recording, in seconds from its first sample.
    pieces : tuple of Piece
        What was recorded when: one piece, or several with gaps between.
    eeg : tuple of Channel
        The screened channels.
    labels : tuple of str
        The model's labels.
    segments : pandas.DataFrame
        One row a segment: channel, label, kind, onset_s, duration_s, confidence. A lost
        reference has a row on every channel.
    channels : pandas.DataFrame
        One row a channel: channel, role, verdict, clean_share, one share a label, note.
    findings : tuple of Finding
        What was found about channels that is no span of time.
    mains_hz : float or None
        50 or 60 where line noise was found.
    model : str
        The model's name with its fingerprint.
    """

    name: str
    duration_s: float
    pieces: tuple[Piece, ...]
    eeg: tuple[Channel, ...]
    labels: tuple[str, ...]
    segments: "pd.DataFrame"
    channels: "pd.DataFrame"
    findings: tuple[Finding, ...]
    mains_hz: float | None
    model: str

    def apply(self, plan: str | Plan) -> Applied:
        """Decide what an analysis leaves out.

        Parameters
        ----------
        plan : str or Plan
            A shipped plan's name (`plans` lists them), the path of a ``.toml`` file, or a plan.

        Returns
        -------
        Applied
            Excluded and kept spans, usable time of each channel, dropped channels, and whether
            the recording meets the plan's minimum.

        Raises
        ------
        ConfigError
            If there is no such plan, its file is wrong, or it names an unknown label.

        Examples
        --------
        >>> from cleanspan import api
        >>> result = api.screen("demo_data/harbour-street-p02-listening.edf")
        >>> left = result.apply("resting")
        >>> "reference lost" in left.excluded["reason"].tolist()
        True
        >>> float(round(left.kept["duration_s"].sum() + left.excluded["duration_s"].sum(), 6))
        100.0
        """
        chosen = load_plan(plan) if isinstance(plan, str) else plan
        if isinstance(plan, str):
            check_labels(plan, chosen, self.labels)
        return apply_to(self, self.pieces, chosen)

    def annotations(
        self, plan: str | Plan | None = None, *, raw: "mne.io.BaseRaw | None" = None
    ) -> "mne.Annotations":
        """Give the marks as annotations for `mne.io.Raw.set_annotations`.

        Parameters
        ----------
        plan : str or Plan, optional
            Also mark what this plan excludes, as ``BAD_…``: mne leaves such spans out when it
            cuts epochs. Marks of single channels leave everything in.
        raw : mne.io.BaseRaw, optional
            Count time as this recording's own annotations do, so that both can be added up.

        Returns
        -------
        mne.Annotations
            Onsets in seconds from the first sample, unless `raw` counts otherwise; marks of one
            channel carry its name.

        Raises
        ------
        ConfigError
            If there is no such plan or its file is wrong.

        Examples
        --------
        >>> import mne
        >>> from cleanspan import api
        >>> path = "demo_data/harbour-street-p02-listening.edf"
        >>> raw = mne.io.read_raw_edf(path, verbose="error")
        >>> marks = api.screen(raw).annotations("resting", raw=raw)
        >>> raw = raw.set_annotations(raw.annotations + marks)
        >>> "BAD_reference_lost" in raw.annotations.description
        True
        """
        import mne

        notes = marks_for(self, None if plan is None else self.apply(plan))
        texts = [note.text.partition("@@") for note in notes]
        origin = None if raw is None else raw.annotations.orig_time
        shift_s = raw.first_samp / raw.info["sfreq"] if raw is not None and origin else 0.0
        return mne.Annotations(
            onset=[note.onset_s + shift_s for note in notes],
            duration=[note.duration_s for note in notes],
            description=[label for label, _, _ in texts],
            orig_time=origin,
            ch_names=[(channel,) if channel else () for _, _, channel in texts],
        )


def screen(
    source: "str | Path | mne.io.BaseRaw", *, config: Config | Path | str | None = None
) -> Result:
    """Find the artefacts of one recording; nothing is written.

    Parameters
    ----------
    source : str, Path or mne.io.BaseRaw
        A file, or a recording that is open in mne. A Raw is taken as it is, filters and all: the
        labels were learned on unfiltered recordings. It must still have an ear or other common
        reference and 10-20 or 10-10 channel names.
    config : Config, Path or str, optional
        Settings, or their TOML file; the defaults where not given.

    Returns
    -------
    Result

    Raises
    ------
    RecordingError
        If the recording cannot be read or holds no scalp channel.
    ConfigError, ModelError
        If the settings or the model are wrong.

    Examples
    --------
    >>> from cleanspan import api
    >>> result = api.screen("demo_data/harbour-street-p02-listening.edf")
    >>> lost = result.segments.query("kind == 'reference lost'")
    >>> lost["channel"].nunique() == len(result.eeg)
    True
    """
    from cleanspan.screen import screened
    from cleanspan.training.settled import load_settings, settled

    settings = (
        config if isinstance(config, Config) else load_settings(Path(config) if config else None)
    )
    _, model = settled(settings)
    opened = Path(source) if isinstance(source, str | Path) else _recording_of(source)
    with screened(opened, config=settings, model=model) as found:
        return Result(
            name=found.recording.path.name,
            duration_s=found.recording.duration_s,
            pieces=found.recording.pieces,
            eeg=found.eeg,
            labels=found.labels,
            segments=found.segments,
            channels=found.channels,
            findings=found.findings,
            mains_hz=found.mains_hz,
            model=found.model,
        )


def load(folder: str | Path) -> Result:
    """Read a result that ``cleanspan screen`` or ``cleanspan night`` wrote.

    Parameters
    ----------
    folder : str or Path
        The recording's result folder.

    Returns
    -------
    Result

    Raises
    ------
    RecordingError
        If it holds no result, or a damaged one.
    """
    stored = StoredResult.load(Path(folder))
    return Result(
        name=stored.recording,
        duration_s=stored.duration_s,
        pieces=stored.pieces,
        eeg=stored.eeg,
        labels=stored.labels,
        segments=stored.segments,
        channels=stored.channels,
        findings=stored.findings,
        mains_hz=stored.mains_hz,
        model=stored.model,
    )


def plans() -> dict[str, str]:
    """Name the shipped plans and what each is for.

    Examples
    --------
    >>> from cleanspan import api
    >>> list(api.plans())
    ['connectivity', 'event-related', 'long', 'resting']
    """
    return {name: load_plan(name).purpose for name in shipped_plans()}


def _recording_of(raw: Any) -> Recording:
    """See a Raw as a recording; it stays open."""
    from cleanspan.recording.mne_reader import MneRecording

    names = [name for name in getattr(raw, "filenames", ()) if name]
    return MneRecording(Path(names[0]) if names else Path("raw"), raw=raw)
