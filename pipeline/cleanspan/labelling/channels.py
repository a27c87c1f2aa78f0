"""The table of channels: how much of each is clean, and what the technologist should do."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from cleanspan.types import CONTACT_LOSS, LINE_NOISE, REFERENCE_LOST, Channel, Finding

if TYPE_CHECKING:
    import pandas as pd

GOOD, WATCH, MEND, NOT_SCREENED = "good", "watch", "mend", "not screened"
MEND_FROM, WATCH_FROM = 0.10, 0.02
"""Share of the session without contact from which an electrode is to be mended or watched
(common practice: an electrode lost for a tenth of a session is seen to before the next)."""
NOISY_FROM = 0.5
"""Share of the session with line noise, and share of the time with a reference under any label,
from which a channel is to be watched: one that is disturbed for half of the time is not good."""


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
        Their kinds go into the notes.
    """
    import pandas as pd

    covered = _covered(segments, labels)
    lost = (segments["kind"] == REFERENCE_LOST).to_numpy(dtype=bool)
    own_contact = _covered(segments[~lost], [CONTACT_LOSS])
    without = _covered(segments[lost], [CONTACT_LOSS])
    rows = []
    judged = set(segments["channel"].cat.categories)
    for channel in channels:
        screened = channel.label in judged
        row: dict[str, object] = {"channel": channel.label, "role": str(channel.role)}
        shares = {
            label: _share(covered.get((channel.label, label)), duration_s, screened=screened)
            for label in labels
        }
        own = _share(own_contact.get((channel.label, CONTACT_LOSS)), duration_s, screened=screened)
        clean = 1 - _share(covered.get((channel.label, "")), duration_s, screened=screened)
        there = 1 - _share(without.get((channel.label, "")), duration_s, screened=screened)
        row["verdict"] = _verdict(shares, own, clean, there) if screened else NOT_SCREENED
        row["clean_share"] = max(clean, 0.0) if screened else np.nan
        for label, share in shares.items():
            row[f"{label.replace(' ', '_')}_share"] = share
        row["note"] = "; ".join(
            finding.kind for finding in findings if channel.label in finding.channels
        )
        rows.append(row)
    return pd.DataFrame(rows)


def _share(covered_s: float | None, duration_s: float, *, screened: bool) -> float:
    """Share of the recorded time; NaN for channels that were not screened."""
    if not screened:
        return float("nan")
    return min((covered_s or 0.0) / max(duration_s, 1e-9), 1.0)


def _verdict(shares: dict[str, float], own_contact: float, clean: float, there: float) -> str:
    """Say what to do about an electrode; a lost reference is not this electrode's fault.

    Parameters
    ----------
    shares : dict of str to float
        Share of the session under each label.
    own_contact : float
        Share without contact, a lost reference aside.
    clean, there : float
        Share under no label; share with a reference. Without any, nothing speaks for the channel.
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


def union_s(onset_s: npt.NDArray[np.float64], end_s: npt.NDArray[np.float64]) -> float:
    """Length of the union of spans, s."""
    if not onset_s.size:
        return 0.0
    order = np.argsort(onset_s, kind="stable")
    onset_s, end_s = onset_s[order], end_s[order]
    reached = np.maximum.accumulate(end_s)
    before = np.concatenate(([onset_s[0]], reached[:-1]))
    return float(np.maximum(reached - np.maximum(onset_s, before), 0).sum())
