"""The table of channels: how much of each is clean, and what the technologist should do."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from cleanspan.features.events import lead_channels
from cleanspan.features.registry import FEWEST_COMPARED
from cleanspan.labelling.reference import FEWEST_CHANNELS
from cleanspan.labelling.spans import Spans, besides_s, common, union_s, united
from cleanspan.recording.odd import listed
from cleanspan.types import (
    CONTACT_LOSS,
    LINE_NOISE,
    REFERENCE_LOST,
    SALT_BRIDGE,
    Channel,
    Finding,
)

if TYPE_CHECKING:
    import pandas as pd

GOOD, WATCH, MEND, NOT_SCREENED = "good", "watch", "mend", "not screened"
MEND_FROM, WATCH_FROM = 0.10, 0.02
"""Share of the session without contact from which an electrode is to be mended or watched
(common practice: an electrode lost for a tenth of a session is seen to before the next)."""
REFERENCE_FROM = 0.02
"""Share of the session without a reference from which the ear clips are to be mended: it costs all
channels at once; a clip that popped for a moment is told as a finding."""
AROUND_S = 1.0
"""What is lost this near to what all channels lost is its doing too: edges of marks differ."""
NOISY_FROM = 0.5
"""Share of the session with line noise, and share of the time with a reference under any label,
from which a channel is to be watched: one that is disturbed for half of the time is not good."""


def few_compared(groups: Sequence[Sequence[Channel]]) -> list[str]:
    """Say where there are too few channels to tell lost contact by comparing them.

    Parameters
    ----------
    groups : sequence of sequence of Channel
        Screened channels by sampling rate.
    """
    return [
        f"lost contact is told by comparing {FEWEST_COMPARED} channels or more of one sampling "
        f"rate, got {len(group)} ({', '.join(channel.label for channel in group)}): faults are "
        "missed more often there, and more is taken for one; look at the traces before mending"
        for group in groups
        if len(group) < FEWEST_COMPARED
    ]


def without_front(groups: Sequence[Sequence[Channel]]) -> list[str]:
    """Say where no blink can be found, for blinks are looked for from the front of the head on.

    Parameters
    ----------
    groups : sequence of sequence of Channel
        Screened channels by sampling rate.
    """
    return [
        "blinks are looked for at the frontmost electrode of Fp1, Fp2 to F3, Fz, F4, got none of "
        f"them ({listed([channel.label for channel in group])}): no blink is marked there"
        for group in groups
        if not lead_channels([channel.electrode or "" for channel in group])
    ]


def channel_table(
    channels: Sequence[Channel],
    segments: "pd.DataFrame",
    labels: Sequence[str],
    *,
    duration_s: float,
    findings: Sequence[Finding],
) -> "pd.DataFrame":
    """Make the rows of ``R_channels.csv``.

    Parameters
    ----------
    channels : sequence of Channel
        All of the recording, screened or not.
    segments : pandas.DataFrame
        The categories of its channel column are the screened channels.
    labels : sequence of str
    duration_s : float
        Recorded time (gaps do not count).
    findings : sequence of Finding
        Their kinds go into the notes; a salt bridge is to be watched.
    """
    import pandas as pd

    covered = _covered(segments, labels)
    lost = contact_spans(segments)
    nobody = away_spans(lost, reference_lost_spans(segments))
    rows = []
    judged = set(segments["channel"].cat.categories)
    for channel in channels:
        screened = channel.label in judged
        row: dict[str, object] = {"channel": channel.label, "role": str(channel.role)}
        shares = {
            label: _share(covered.get((channel.label, label)), duration_s, screened=screened)
            for label in labels
        }
        clean = 1 - _share(covered.get((channel.label, "")), duration_s, screened=screened)
        found = [finding.kind for finding in findings if channel.label in finding.channels]
        row["verdict"] = NOT_SCREENED
        if screened:
            away = nobody[channel.label]
            own_s = besides_s(lost[channel.label], away)
            own, there = own_s / duration_s, max(1 - union_s(*away) / duration_s, 0.0)
            row["verdict"] = _verdict(shares, own, clean, there)
            # It records, but what it records is another electrode's as well.
            if SALT_BRIDGE in found and row["verdict"] == GOOD:
                row["verdict"] = WATCH
        row["clean_share"] = max(clean, 0.0) if screened else np.nan
        for label, share in shares.items():
            row[f"{label.replace(' ', '_')}_share"] = share
        row["note"] = "; ".join(dict.fromkeys(found))
        rows.append(row)
    return pd.DataFrame(rows)


def contact_spans(segments: "pd.DataFrame") -> dict[str, Spans]:
    """Give the spans in which each channel has lost contact, for whatever reason."""
    rows = segments[segments["label"] == CONTACT_LOSS]
    codes = rows["channel"].cat.codes.to_numpy()
    onset_s = rows["onset_s"].to_numpy(dtype=float)
    end_s = onset_s + rows["duration_s"].to_numpy(dtype=float)
    names = segments["channel"].cat.categories
    return {str(name): (onset_s[codes == k], end_s[codes == k]) for k, name in enumerate(names)}


def reference_lost_spans(segments: "pd.DataFrame") -> dict[str, Spans]:
    """Give the spans in which each channel has lost the reference."""
    return contact_spans(segments[segments["kind"] == REFERENCE_LOST])


def away_spans(lost: Mapping[str, Spans], reference: Mapping[str, Spans]) -> dict[str, Spans]:
    """Give the time for which no single electrode is to blame, by channel.

    That is while the reference is lost, and while all channels have lost contact at once: the
    amplifier was stopped, the file was filled up, or nothing was on the head. With few channels
    (`reference.FEWEST_CHANNELS`) all of them may have come off one by one.

    Parameters
    ----------
    lost, reference : mapping of str to Spans
        Of the same channels: contact lost for whatever reason, and with the reference.
    """
    if len(lost) < FEWEST_CHANNELS:
        return dict(reference)
    onset_s, end_s = common([*lost.values()])
    whole = onset_s - AROUND_S, end_s + AROUND_S
    return {
        name: united(*(np.concatenate(pair) for pair in zip(own, whole, strict=True)))
        for name, own in reference.items()
    }


def reference_is_to_mend(segments: "pd.DataFrame", duration_s: float) -> bool:
    """Whether the reference was lost for so long that its clips are to be mended."""
    lost = reference_lost_spans(segments)
    worst_s = max((union_s(*spans) for spans in lost.values()), default=0.0)
    return worst_s >= REFERENCE_FROM * duration_s > 0


def _share(covered_s: float | None, duration_s: float, *, screened: bool) -> float:
    """Share of the recorded time; NaN for channels that were not screened."""
    if not screened:
        return float("nan")
    return min((covered_s or 0.0) / max(duration_s, 1e-9), 1.0)


def _verdict(shares: dict[str, float], own_contact: float, clean: float, there: float) -> str:
    """Say what to do about an electrode; what all channels lost at once is not its fault.

    Parameters
    ----------
    shares : dict of str to float
        Share of the session under each label.
    own_contact : float
        Share without contact for which this electrode may be to blame.
    clean, there : float
        Share under no label; share in which it could have contact at all (`away_spans`). Without
        any, nothing speaks for the channel.
    """
    if own_contact >= MEND_FROM:
        return MEND
    noisy = shares.get(LINE_NOISE, 0.0) >= NOISY_FROM
    if own_contact >= WATCH_FROM or noisy or clean <= (1 - NOISY_FROM) * there:
        return WATCH
    return GOOD


def _covered(segments: "pd.DataFrame", labels: Sequence[str]) -> dict[tuple[str, str], float]:
    """Seconds under each label on each channel; key ``(channel, "")`` is under any of them."""
    covered: dict[tuple[str, str], float] = {}
    names = list(segments["channel"].cat.categories)
    codes = segments["channel"].cat.codes.to_numpy()
    onset_s = segments["onset_s"].to_numpy()
    end_s = onset_s + segments["duration_s"].to_numpy()
    known = list(segments["label"].cat.categories)
    places = {label: known.index(label) if label in known else -2 for label in labels}
    label_of = segments["label"].cat.codes.to_numpy()
    wanted = np.isin(label_of, list(places.values()))
    for code, name in enumerate(names):
        mine = (codes == code) & wanted
        covered[name, ""] = union_s(onset_s[mine], end_s[mine])
        for label, place in places.items():
            own = mine & (label_of == place)
            covered[name, label] = union_s(onset_s[own], end_s[own])
    return covered
