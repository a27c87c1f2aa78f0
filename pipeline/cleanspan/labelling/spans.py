"""Arithmetic with spans of time: united, common to all channels, taken away."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.float64]
Spans = tuple[Times, Times]
"""Onsets and ends, s, each of shape (n_spans,)."""


def united(onset_s: Times, end_s: Times) -> Spans:
    """Unite spans that overlap or touch; the result is ordered."""
    if not onset_s.size:
        return np.empty(0), np.empty(0)
    order = np.argsort(onset_s, kind="stable")
    onset_s, reached_s = onset_s[order], np.maximum.accumulate(end_s[order])
    begins = np.concatenate(([True], onset_s[1:] > reached_s[:-1]))
    last = np.concatenate((begins[1:], [True]))
    return onset_s[begins], reached_s[last]


def union_s(onset_s: Times, end_s: Times) -> float:
    """Length of the union of spans, s."""
    first_s, last_s = united(onset_s, end_s)
    return float((last_s - first_s).sum())


def common(parts: Sequence[Spans]) -> Spans:
    """Give the time that spans of all parts cover, ordered.

    Parameters
    ----------
    parts : sequence of Spans
        Of each channel, say; at least one.
    """
    whole = [united(*part) for part in parts]
    onset_s = np.concatenate([part[0] for part in whole])
    end_s = np.concatenate([part[1] for part in whole])
    edge_s = np.concatenate((onset_s, end_s))
    step = np.concatenate((np.ones(onset_s.size), -np.ones(end_s.size)))
    # Where one span ends as another begins, the end comes first: they have nothing in common.
    order = np.lexsort((step, edge_s))
    inside = np.flatnonzero(np.cumsum(step[order]) == len(parts))
    ordered_s = edge_s[order]
    return ordered_s[inside], ordered_s[inside + 1]


def besides_s(spans: Spans, away: Spans) -> float:
    """Length of the union of spans without what lies in some others, s."""
    onset_s, end_s = common([spans, away])
    return union_s(*spans) - float((end_s - onset_s).sum())
