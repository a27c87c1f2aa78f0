"""The verdict on a recording in plain words, best said first."""

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING

from cleanspan.export.report.strip import length, percent
from cleanspan.features.registry import FEWEST_COMPARED
from cleanspan.recording.odd import listed
from cleanspan.types import CONTACT_LOSS, OF_ALL_CHANNELS, REFERENCE_LOST, Screened

if TYPE_CHECKING:
    import pandas as pd

WORTH_SAYING = 0.02
"""Smaller shares of channel-time are not named in the verdict."""
MENDED_FROM = 0.1
"""Share without contact that is the reason to mend, as in `labelling.channels`."""
_AT_MOST = 4
_NAMED = 8


def headline(
    screened: Screened,
    usable_s: float | None,
    plan: str,
    *,
    channels: tuple[int, int] | None = None,
) -> str:
    """Say how much of the recording is usable.

    Parameters
    ----------
    screened : Screened
    usable_s : float or None
        Under the chosen plan; None where it was not computed.
    plan : str
        The plan's name.
    channels : (int, int), optional
        How many channels the plan keeps, of how many; said where it drops some.
    """
    recorded_s = recorded_time(screened)
    if usable_s is not None and recorded_s > 0:
        return (
            f"{length(usable_s)} of {length(recorded_s)} ({percent(usable_s / recorded_s)}) "
            f"are usable{_on_channels(channels)} under the plan “{plan}”."
        )
    clean = mean_clean(screened.channels)
    return f"{percent(clean)} of the time on the screened channels carries no mark."


def _on_channels(channels: tuple[int, int] | None) -> str:
    """Say on how many channels, unless on all."""
    if channels is None or channels[0] == channels[1]:
        return ""
    return f" on {channels[0]} of {channels[1]} channels"


def recorded_time(screened: Screened) -> float:
    """Sum the pieces of a recording, gaps left out, s."""
    return sum(piece.duration_s for piece in screened.recording.pieces)


def mean_clean(channels: "pd.DataFrame") -> float:
    """Average the share of unmarked time over the screened channels."""
    table = channels[channels["verdict"] != "not screened"]
    return float(table["clean_share"].mean()) if len(table) else float("nan")


def what_was_wrong(screened: Screened) -> list[str]:
    """Name the labels that took most, and where; one sentence a label, most first."""
    table = screened.channels[screened.channels["verdict"] != "not screened"]
    losses = {label: table[share_column(label)].astype(float) for label in screened.labels}
    order = sorted(screened.labels, key=lambda label: -float(losses[label].mean()))
    sentences = []
    for label in order:
        loss = losses[label]
        if not len(loss) or not float(loss.max()) >= WORTH_SAYING:
            continue
        worst = loss[loss >= max(WORTH_SAYING, 0.5 * float(loss.max()))]
        worst = worst.sort_values(ascending=False, kind="stable")
        if len(worst) > 0.7 * len(loss):
            sentences.append(
                f"{_capital(label)} on nearly all channels: {percent(float(loss.mean()))} "
                "of the time on average."
            )
            continue
        names = table["channel"].loc[worst.index]
        named = [
            f"{name} ({percent(float(share))})" for name, share in zip(names, worst, strict=True)
        ][:_AT_MOST]
        more = len(worst) - len(named)
        rest = f" and {more} more" if more > 0 else ""
        sentences.append(f"{_capital(label)}, mostly on {', '.join(named)}{rest}.")
    return sentences or ["No label covers a noticeable part of any channel."]


def to_mend(screened: Screened) -> list[tuple[str, str]]:
    """List channels to mend, with what the screening says about them."""
    table = screened.channels[screened.channels["verdict"] == "mend"]
    listed = []
    for row in table.to_dict("records"):
        taken = shares(row, screened.labels)
        most = max(taken, key=lambda label: -1.0 if taken[label] != taken[label] else taken[label])
        if taken.get(CONTACT_LOSS, 0.0) >= MENDED_FROM:
            most = CONTACT_LOSS  # the reason to mend, whatever else there is more of
        found = [note for note in text(row["note"]).split("; ") if note]
        # What all channels share has a line of its own: what is wrong here is the electrode.
        own = [note for note in found if note not in OF_ALL_CHANNELS]
        said = "; ".join(own) or f"{most} for {percent(taken[most])} of the time"
        if not own and REFERENCE_LOST in found and most == CONTACT_LOSS:
            said += ", the lost reference included"
        if len(screened.eeg) < FEWEST_COMPARED:
            said += "; of so few channels, look at the traces first"
        listed.append((str(row["channel"]), said))
    return listed


def to_watch(screened: Screened) -> str:
    """Name channels that were passable but worth a look; empty where there are none.

    Where that is every channel none of them stands out, and what was wrong says it all.
    """
    table = screened.channels[screened.channels["verdict"] == "watch"]
    names = [str(name) for name in table["channel"]]
    if len(names) == len(screened.eeg) > 1:
        return ""
    return listed(names, _NAMED)


def share_column(label: str) -> str:
    """Name the column of the channel table that holds a label's share."""
    return f"{label.replace(' ', '_')}_share"


def shares(row: Mapping[Hashable, object], labels: tuple[str, ...]) -> dict[str, float]:
    """Read a channel's shares, label by label."""
    return {label: number(row.get(share_column(label))) for label in labels}


def number(value: object) -> float:
    """Read a number; NaN where there is none."""
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return float("nan")


def text(value: object) -> str:
    """Read a text; empty where the cell is missing."""
    return "" if value is None or value != value else str(value)


def _capital(words: str) -> str:
    """Begin with a capital letter."""
    return words[:1].upper() + words[1:]
