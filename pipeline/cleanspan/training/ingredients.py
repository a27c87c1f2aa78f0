"""What the shipped model is made of: simulated recordings, and read ones where at hand."""

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cleanspan.training.dataset import Table, Tables
from cleanspan.training.evaluation import person_of
from cleanspan.training.hand_labels import HandLabel, read_hand_labels
from cleanspan.training.open_recordings import (
    CLEANED,
    CLEANED_S,
    LABEL_FILES,
    READ_S,
    RECORDINGS,
    SYSTEM_10_20,
    verified,
)
from cleanspan.training.sources import (
    all_joined,
    injected_tables,
    read_tables,
    simulated_tables,
)
from cleanspan.training.truth import POSITIVE, labels_of
from cleanspan.types import BLINK, CONTACT_LOSS

log = logging.getLogger(__name__)

SIMULATED_SEEDS = range(1000, 1600)
"""Seeds of the simulated recordings to learn from; the ones to test on begin at 5000."""
ROWS_A_RECORDING = 1500
"""Windows (and candidate events) kept of a simulated recording, besides half of the labelled."""
INJECTIONS = 64
"""How many times faults are injected into each recording."""
INJECTED_SHARES = (0.12, 0.06)
"""Share of the rows with and without the fault that are kept: many draws, few rows of each."""
WHOLE_CAP_EVERY = 4
"""Every so many injections use all its electrodes, the others 19."""


@dataclass(frozen=True, slots=True, eq=False)
class Ingredients:
    """Labelled tables by where they come from.

    Attributes
    ----------
    simulated : Tables
    read : Tables or None
        Of recordings that people read; None where they are not at hand.
    injected : Tables or None
        Of the same recordings, and of cleaned ones, with faults injected: knows contact loss only.
    recordings : tuple of Path
        The read recordings.
    cleaned : tuple of Path
        The cleaned ones, of another laboratory.
    hand_labels : tuple of HandLabel
    """

    simulated: Tables
    read: Tables | None = None
    injected: Tables | None = None
    recordings: tuple[Path, ...] = ()
    cleaned: tuple[Path, ...] = ()
    hand_labels: tuple[HandLabel, ...] = field(default=(), repr=False)

    def without(self, people: Sequence[str]) -> "Ingredients":
        """Leave out everything of some people."""
        return replace(
            self, read=_without(self.read, people), injected=_without(self.injected, people)
        )


def _without(tables: Tables | None, people: Sequence[str]) -> Tables | None:
    if tables is None:
        return None
    return Tables(
        *(table.rows(~np.isin(table.person, people)) for table in (tables.windows, tables.events))
    )


def gather(
    recordings: Path | None,
    labels: Path | None,
    cleaned: Path | None = None,
    *,
    jobs: int = 2,
    seeds: Sequence[int] = SIMULATED_SEEDS,
) -> Ingredients:
    """Simulate, read and inject.

    Parameters
    ----------
    recordings, labels : Path or None
        Folders of the open recordings and of the readers' marks; without them the model learns
        from simulation only.
    cleaned : Path or None
        Folder of the recordings that another laboratory cleaned; used with the others only.
    jobs : int
        Processes to simulate with.
    seeds : sequence of int

    Raises
    ------
    LabelsError
        If a recording or label file is missing or differs.
    """
    from joblib import Parallel, delayed

    parallel = Parallel(n_jobs=jobs)
    simulated = all_joined(parallel(delayed(thinned_simulation)(seed) for seed in seeds))
    if recordings is None or labels is None:
        log.warning("no open recordings: the model learns from simulation only")
        return Ingredients(simulated)
    paths = verified(recordings, RECORDINGS)
    hand_labels = read_hand_labels(verified(labels, LABEL_FILES))
    read = parallel(
        delayed(_read)(path, labels_of(hand_labels, path.name), electrodes)
        for path in paths
        for electrodes in (SYSTEM_10_20, None)
    )
    others = verified(cleaned, CLEANED) if cleaned is not None else []
    spans_s = [(path, READ_S) for path in paths] + [(path, CLEANED_S) for path in others]
    injected = parallel(
        delayed(_injected)(path, labels_of(hand_labels, path.name), seed, length_s)
        for path, length_s in spans_s
        for seed in range(INJECTIONS)
    )
    return Ingredients(
        simulated,
        all_joined(read),
        all_joined(injected),
        tuple(paths),
        tuple(others),
        tuple(hand_labels),
    )


def thinned_simulation(seed: int) -> Tables:
    """Simulate one recording and keep some of its rows: all labels, and a share of the rest."""
    tables = simulated_tables(seed)
    rng = np.random.default_rng(seed)
    return Tables(_thinned(tables.windows, rng), _thinned(tables.events, rng))


def _thinned(table: Table, rng: np.random.Generator) -> Table:
    """Keep a number of rows, and half of those that carry a label."""
    keep = rng.random(len(table)) < ROWS_A_RECORDING / max(len(table), 1)
    for label, truth in table.truth.items():
        share = 1.0 if label == BLINK else 0.5
        keep |= (truth == POSITIVE) & (rng.random(len(table)) < share)
    return table.rows(keep)


def _read(
    path: Path, hand_labels: Sequence[HandLabel], electrodes: Sequence[str] | None
) -> Tables:
    """Rows of what the readers saw: 19 channels, the first minute."""
    person = person_of(path.name)
    tables = read_tables(path, hand_labels, person=person, electrodes=electrodes)
    return Tables(_seen(tables.windows, READ_S - 1), _seen(tables.events, READ_S))


def _seen(table: Table, last_s: float) -> Table:
    inside: npt.NDArray[np.bool_] = np.isin(table.channel, SYSTEM_10_20) & (
        table.time_s <= last_s + 0.01
    )
    return table.rows(inside)


def _injected(path: Path, hand_labels: Sequence[HandLabel], seed: int, length_s: float) -> Tables:
    """Compute some rows of a recording with faults injected into its first part."""
    tables = injected_tables(
        path,
        hand_labels,
        person=person_of(path.name),
        seed=seed,
        electrodes=None if seed % WHOLE_CAP_EVERY == 0 else SYSTEM_10_20,
        longest_s=length_s,
    )
    windows = tables.windows
    chance = np.where(windows.truth[CONTACT_LOSS] == POSITIVE, *INJECTED_SHARES)
    # Of the channels that nobody read, only the faults are known.
    known = (windows.truth[CONTACT_LOSS] == POSITIVE) | np.isin(windows.channel, SYSTEM_10_20)
    kept = known & (np.random.default_rng(seed).random(len(windows)) < chance)
    return Tables(windows.rows(kept), tables.events)
