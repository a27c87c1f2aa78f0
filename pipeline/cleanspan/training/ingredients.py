"""What the shipped model is made of: simulated recordings, and read ones where at hand."""

import logging
import zlib
from collections.abc import Mapping, Sequence
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
from cleanspan.training.simulator.overlay import nearest_first
from cleanspan.training.sources import (
    all_joined,
    injected_tables,
    read_tables,
    simulated_tables,
)
from cleanspan.training.truth import POSITIVE, labels_of
from cleanspan.types import BLINK, CONTACT_LOSS

log = logging.getLogger(__name__)

Cap = Sequence[str] | None
"""Electrodes to use; None for all."""

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
SMALL_CAP_EVERY = 10
"""Every so many simulated recordings are cut down to one to eight electrodes."""
SMALL_COPIES = 8
"""How many caps of one to eight electrodes each read recording is cut down to as well."""
SMALL_INJECTIONS = 16
"""How many times faults are injected into such small caps of each recording, besides."""
SMALL_SHARES = (0.48, 0.24)
"""As `INJECTED_SHARES`, of small caps: they have a quarter of the channels."""


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
    small_read, small_injected : Tables or None
        The same two of caps cut down to a few electrodes.
    recordings : tuple of Path
        The read recordings.
    cleaned : tuple of Path
        The cleaned ones, of another laboratory.
    hand_labels : tuple of HandLabel
    """

    simulated: Tables
    read: Tables | None = None
    injected: Tables | None = None
    small_read: Tables | None = None
    small_injected: Tables | None = None
    recordings: tuple[Path, ...] = ()
    cleaned: tuple[Path, ...] = ()
    hand_labels: tuple[HandLabel, ...] = field(default=(), repr=False)

    def without(self, people: Sequence[str]) -> "Ingredients":
        """Leave out everything of some people."""
        return replace(
            self,
            read=_without(self.read, people),
            injected=_without(self.injected, people),
            small_read=_without(self.small_read, people),
            small_injected=_without(self.small_injected, people),
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
    others = verified(cleaned, CLEANED) if cleaned is not None else []
    spans_s = [(path, READ_S) for path in paths] + [(path, CLEANED_S) for path in others]

    def reads(caps_of: Mapping[Path, Sequence[Cap]]) -> Tables:
        return all_joined(
            parallel(
                delayed(_read)(path, labels_of(hand_labels, path.name), cap)
                for path, caps in caps_of.items()
                for cap in caps
            )
        )

    def injections(seeds: Sequence[int]) -> Tables:
        return all_joined(
            parallel(
                delayed(_injected)(path, labels_of(hand_labels, path.name), seed, length_s)
                for path, length_s in spans_s
                for seed in seeds
            )
        )

    return Ingredients(
        simulated,
        read=reads(dict.fromkeys(paths, (SYSTEM_10_20, None))),
        injected=injections(range(INJECTIONS)),
        small_read=reads({path: small_caps(path.name) for path in paths}),
        small_injected=injections(range(INJECTIONS, INJECTIONS + SMALL_INJECTIONS)),
        recordings=tuple(paths),
        cleaned=tuple(others),
        hand_labels=tuple(hand_labels),
    )


def thinned_simulation(seed: int) -> Tables:
    """Simulate one recording and keep some of its rows: all labels, and a share of the rest."""
    small = seed % SMALL_CAP_EVERY == 0
    cap = small_caps(f"simulated-{seed}", 1)[0] if small else None
    tables = simulated_tables(seed, electrodes=cap)
    rng = np.random.default_rng(seed)
    return Tables(_thinned(tables.windows, rng), _thinned(tables.events, rng))


def _thinned(table: Table, rng: np.random.Generator) -> Table:
    """Keep a number of rows, and half of those that carry a label."""
    keep = rng.random(len(table)) < ROWS_A_RECORDING / max(len(table), 1)
    for label, truth in table.truth.items():
        share = 1.0 if label == BLINK else 0.5
        keep |= (truth == POSITIVE) & (rng.random(len(table)) < share)
    return table.rows(keep)


def _read(path: Path, hand_labels: Sequence[HandLabel], electrodes: Cap) -> Tables:
    """Rows of what the readers saw: 19 channels, the first minute."""
    person = person_of(path.name)
    tables = read_tables(path, hand_labels, person=person, electrodes=electrodes)
    return Tables(_seen(tables.windows, READ_S - 1), _seen(tables.events, READ_S))


def _seen(table: Table, last_s: float) -> Table:
    inside: npt.NDArray[np.bool_] = np.isin(table.channel, SYSTEM_10_20) & (
        table.time_s <= last_s + 0.01
    )
    return table.rows(inside)


def small_caps(name: str, number: int = SMALL_COPIES) -> list[tuple[str, ...]]:
    """Draw caps of one to eight electrodes: a third with both eyes' electrodes, a third with one.

    Half of them are patches of electrodes that sit side by side, as in a band on the forehead, the
    others lie anywhere.

    Parameters
    ----------
    name : str
        Of the recording: it decides the draw.
    number : int
    """
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    caps = []
    for _ in range(number):
        first = str(rng.choice(SYSTEM_10_20))
        starts = (("Fp1", "Fp2"), (str(rng.choice(("Fp1", "Fp2"))),), (first,))
        start = starts[int(rng.integers(3))]
        more = int(rng.integers(0, 9 - len(start)))
        rows = nearest_first(SYSTEM_10_20, SYSTEM_10_20.index(start[0]), within_deg=180.0)
        near = [SYSTEM_10_20[row] for row in rows if SYSTEM_10_20[row] not in start]
        if rng.random() < 0.5:
            near = near[: more + 2]
        chosen = {*start, *rng.choice(near, size=more, replace=False)}
        caps.append(tuple(site for site in SYSTEM_10_20 if site in chosen))
    return caps


def _electrodes(name: str, seed: int) -> tuple[Cap, tuple[float, float]]:
    """Electrodes of one injection, and the shares of its rows that are kept."""
    if seed >= INJECTIONS:
        return small_caps(name, SMALL_INJECTIONS)[seed - INJECTIONS], SMALL_SHARES
    return None if seed % WHOLE_CAP_EVERY == 0 else SYSTEM_10_20, INJECTED_SHARES


def _injected(path: Path, hand_labels: Sequence[HandLabel], seed: int, length_s: float) -> Tables:
    """Compute some rows of a recording with faults injected into its first part."""
    electrodes, shares = _electrodes(path.name, seed)
    tables = injected_tables(
        path,
        hand_labels,
        person=person_of(path.name),
        seed=seed,
        electrodes=electrodes,
        longest_s=length_s,
    )
    windows = tables.windows
    chance = np.where(windows.truth[CONTACT_LOSS] == POSITIVE, *shares)
    # Of the channels that nobody read, only the faults are known.
    known = (windows.truth[CONTACT_LOSS] == POSITIVE) | np.isin(windows.channel, SYSTEM_10_20)
    kept = known & (np.random.default_rng(seed).random(len(windows)) < chance)
    return Tables(windows.rows(kept), tables.events)
