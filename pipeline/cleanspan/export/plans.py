"""Exclusion plans: what one kind of analysis can live with, written down as TOML."""

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from cleanspan.config import did_you_mean, fill, no_problem, none_of, outside, read_toml
from cleanspan.errors import ConfigError, collecting
from cleanspan.recording.electrodes import electrode_name, positions
from cleanspan.shipped import shipped_folder
from cleanspan.types import Channel

ALL = "all"

TAKING = (
    *("most_bad_share", "most_bad_channels", "must_be_good", "removes", "drop_channel_above"),
)
"""Without one of these keys a plan would take nothing away, whatever is marked."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What an analysis leaves out.

    Attributes
    ----------
    name : str
        The file's name without ``.toml``.
    purpose, rationale, source : str
        What it is for, why it is so, and where that comes from.
    labels : tuple of str
        Labels that count; ``all`` means every label of the model.
    tolerated : tuple of str
        Labels that do not count even where `labels` says ``all``.
    confidence : float
        Segments less sure than this do not count, 0 to 1.
    must_be_good : tuple of str
        Channels (electrode or recorded name, or ``all``): while one of them is bad, the time is
        left out. One that is missing or dropped means that the recording does not meet the plan.
    removes : mapping of str to tuple of str
        By label: channels (or ``all``) on which this label alone takes the time away.
    most_bad_channels : int, optional
        How many channels may be bad at once before the time is left out.
    most_bad_share : float, optional
        The same as a share of the channels that are not dropped. Give one of the two or neither.
    drop_channel_above : float
        A channel that is bad for a larger share of the recording (time without a reference not
        counted) is dropped as a whole, and no time is left out for it.
    most_dropped_share : float
        The recording does not meet the plan where a larger share of channels is dropped.
    dropped : {"leave out", "interpolate"}
        What the analysis should do with dropped channels.
    padding_s : float
        How much is left out before and after each segment.
    shortest_kept_s : float
        Shorter kept spans are left out too.
    minimum_usable_s : float
        A recording with less kept time does not meet the plan.
    epoch_s : tuple of float, optional
        Begin and end of the epoch around an event.
    """

    name: str
    purpose: str
    rationale: str
    source: str = "common practice"
    labels: tuple[str, ...] = (ALL,)
    tolerated: tuple[str, ...] = ()
    confidence: float = 0.0
    must_be_good: tuple[str, ...] = ()
    removes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    most_bad_channels: int | None = None
    most_bad_share: float | None = None
    drop_channel_above: float = 1.0
    most_dropped_share: float = 1.0
    dropped: str = "leave out"
    padding_s: float = 0.0
    shortest_kept_s: float = 0.0
    minimum_usable_s: float = 0.0
    epoch_s: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        """Check the ranges."""
        no_problem(
            *(
                outside(name, getattr(self, name), 0.0, 1.0)
                for name in ("confidence", "drop_channel_above", "most_dropped_share")
            ),
            outside("padding_s", self.padding_s, 0.0, 60.0),
            outside("shortest_kept_s", self.shortest_kept_s, 0.0, 3600.0),
            outside("minimum_usable_s", self.minimum_usable_s, 0.0, 7 * 86400.0),
            none_of("dropped", self.dropped, ("leave out", "interpolate")),
            self._limits(),
            self._epoch(),
        )

    def _limits(self) -> str:
        """Say what is wrong with how many channels may be bad at once."""
        number, share = self.most_bad_channels, self.most_bad_share
        if number is not None and share is not None:
            return "most_bad_channels and most_bad_share exclude each other, got both"
        if number is not None:
            return outside("most_bad_channels", number, 0, 10_000)
        return "" if share is None else outside("most_bad_share", share, 0.0, 1.0)

    def _epoch(self) -> str:
        """Say what is wrong with the epoch."""
        if not self.epoch_s or (len(self.epoch_s) == 2 and self.epoch_s[0] < self.epoch_s[1]):
            return ""
        return f"epoch_s must be a begin and a later end, got {list(self.epoch_s)}"

    def counts(self, label: str) -> bool:
        """Tell whether a label counts; case and underscores do not matter."""
        wanted = {_plain(name) for name in self.labels}
        spared = {_plain(name) for name in self.tolerated}
        return _plain(label) not in spared and (ALL in wanted or _plain(label) in wanted)

    def removed_by(self, label: str) -> tuple[str, ...]:
        """Channels on which this label alone takes the time away."""
        return tuple(
            channel
            for name, channels in self.removes.items()
            if _plain(name) in (ALL, _plain(label))
            for channel in channels
        )

    def allowed_at_once(self, n_channels: int) -> int:
        """How many of n_channels may be bad before the time itself is left out."""
        if self.most_bad_channels is not None:
            return self.most_bad_channels
        if self.most_bad_share is not None:
            return int(self.most_bad_share * n_channels + 1e-9)
        return n_channels

    def unknown_labels(self, labels: Sequence[str]) -> list[str]:
        """Labels that the plan names and a model does not have."""
        known = {ALL, *(_plain(label) for label in labels)}
        return [label for label in self.named_labels if _plain(label) not in known]

    @property
    def named_labels(self) -> list[str]:
        """Labels that the plan names, each once."""
        return list(dict.fromkeys((*self.labels, *self.tolerated, *self.removes)))

    @property
    def named_channels(self) -> list[str]:
        """Channels that the plan names, each once."""
        removing = (name for names in self.removes.values() for name in names)
        return list(dict.fromkeys((*self.must_be_good, *removing)))


def shipped_plans() -> dict[str, Path]:
    """Find the plans that are shipped: name → file."""
    return {
        path.stem: path for path in sorted((shipped_folder("configs") / "plans").glob("*.toml"))
    }


def load_plan(name: str) -> Plan:
    """Read a plan.

    Parameters
    ----------
    name : str
        A shipped plan's name, or the path of a TOML file (ends in ``.toml``).

    Raises
    ------
    ConfigError
        If there is no such plan or its file is wrong; with every problem.
    """
    plans = shipped_plans()
    if not is_own(name) and name not in plans:
        hint = did_you_mean(name, plans) or f"; shipped: {', '.join(plans)}"
        raise ConfigError([f"a plan must be a shipped one or a .toml file, got {name!r}{hint}"])
    path = Path(name) if is_own(name) else plans[name]
    table = read_toml(path)
    problems: list[str] = []
    if is_own(name) and path.stem in plans and table != read_toml(plans[path.stem]):
        problems.append(
            f"{path}: a plan of your own must have a name of its own, got that of the shipped "
            f"{path.stem!r}; rename the file"
        )
    if "name" in table:
        problems.append(f"{path}: name is taken from the file's name; remove the key")
    if not any(key in table for key in TAKING):
        problems.append(
            f"{path}: a plan must say what takes time or channels away, got none of "
            f"{', '.join(TAKING)}; to keep everything, say most_bad_share = 1.0"
        )
    with collecting(problems):
        plan = fill(Plan, {**table, "name": path.stem}, where=str(path))
    if problems:
        raise ConfigError(problems)
    return plan


def named_by(name: str) -> str:
    """Give the name of the plan that settings or an option name, a lab's own by its file."""
    return Path(name).stem if is_own(name) else name


def is_own(name: str) -> bool:
    """Whether a plan's name is the path of a file."""
    return name.lower().endswith(".toml")


def check_labels(name: str, plan: Plan, labels: Sequence[str]) -> None:
    """Refuse a lab's own plan that names a label nobody gives: a misspelt one would do nothing.

    Shipped plans are not refused: nobody could mend them.

    Parameters
    ----------
    name : str
        As given to `load_plan`.
    plan : Plan
    labels : sequence of str
        The labels that there are.

    Raises
    ------
    ConfigError
        With each unknown label.
    """
    unknown = plan.unknown_labels(labels) if is_own(name) else []
    problems = []
    for label in unknown:
        near = difflib.get_close_matches(_plain(label), labels, n=1)
        hint = f"did you mean {near[0]!r}? " if near else ""
        problems.append(
            f"{name}: labels, tolerated and removes must name known labels, got {label!r}; "
            f"{hint}known: {', '.join((*labels, ALL))}"
        )
    if problems:
        raise ConfigError(problems)


def check_channels(name: str, plan: Plan, channels: Sequence[str]) -> None:
    """Refuse a lab's own plan that names a channel which is nowhere: it would do nothing.

    Electrodes of the 10-10 system are known, whether a cap has them or not.

    Parameters
    ----------
    name : str
        As given to `load_plan`.
    plan : Plan
    channels : sequence of str
        The recorded names that there are.

    Raises
    ------
    ConfigError
        With each unknown channel.
    """
    problems = []
    for channel in unknown_channels(plan.named_channels, channels) if is_own(name) else ():
        hint = did_you_mean(channel, (*positions(), *channels))
        problems.append(
            f"{name}: must_be_good and removes must name electrodes or channels of the "
            f"recordings, got {channel!r}{hint}"
        )
    if problems:
        raise ConfigError(problems)


def unknown_channels(names: Sequence[str], channels: Sequence[str]) -> list[str]:
    """Pick the names that are neither 10-10 electrodes, nor ``all``, nor among the channels."""
    known = {ALL, *(channel.casefold() for channel in channels)}
    return [
        name for name in names if name.casefold() not in known and electrode_name(name) is None
    ]


def find_channels(wanted: Sequence[str], channels: Sequence[Channel]) -> list[int]:
    """Find channels by electrode (old or new name) or by recorded label.

    Returns
    -------
    list of int
        Positions in `channels`, in their order; every one where `wanted` holds ``all``.
    """
    names = {name.casefold() for name in wanted}
    electrodes = {electrode_name(name) for name in wanted} - {None}
    return [
        row
        for row, channel in enumerate(channels)
        if ALL in names or channel.label.casefold() in names or channel.electrode in electrodes
    ]


def _plain(label: str) -> str:
    """Spell a label so that ``Line_noise`` and ``line noise`` are one."""
    return label.replace("_", " ").casefold()
