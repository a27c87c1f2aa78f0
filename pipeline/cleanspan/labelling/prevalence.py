"""How common a kind of event is in one recording, and what that makes of its probabilities.

A hump that may be a blink is one more likely where a hundred plain blinks surround it, and less
likely where nobody blinked. The classifier sees one hump at a time and assumes the share of
blinks it met in training; here that share is estimated anew for each recording.

Saerens, Latinne & Decaestecker 2002, Neural Comput 14:21 (from memory): repeat (1) reweigh the
probabilities by the new share against the old one, (2) take their mean as the new share.
"""

import numpy as np
import numpy.typing as npt

from cleanspan.types import BLINK

USUAL_SHARES = {BLINK: 0.13}
"""Share of the candidates at the foremost channels that are blinks, in what the shipped model
learned from (simulated 0.133, read 0.123)."""
ROUNDS = 50
CLOSE = 1e-6
FEW = 10.0
"""The usual share counts as much as this many candidates: a few say little about a recording."""


def share_of(probability: npt.NDArray[np.floating], usual: float) -> float:
    """Estimate the share of events among a recording's candidates.

    Parameters
    ----------
    probability : ndarray of shape (n_candidates,)
        Calibrated for the usual share.
    usual : float
        Share in training, between 0 and 1.

    Returns
    -------
    float
        The usual share where there is no candidate.
    """
    share = usual
    for _ in range(ROUNDS):
        new = reweighed(probability, share, usual)
        before, share = share, (float(new.sum()) + FEW * usual) / (new.size + FEW)
        if abs(share - before) < CLOSE:
            break
    return share


def reweighed(
    probability: npt.NDArray[np.floating], share: float, usual: float
) -> npt.NDArray[np.float64]:
    """Turn probabilities that assume the usual share into those for another one (Bayes' rule).

    Parameters
    ----------
    probability : ndarray
    share, usual : float
        Between 0 and 1, exclusive.
    """
    old = np.asarray(probability, dtype=np.float64)
    yes, no = old * (share / usual), (1 - old) * ((1 - share) / (1 - usual))
    new: npt.NDArray[np.float64] = yes / np.maximum(yes + no, 1e-300)
    return new
