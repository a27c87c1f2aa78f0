"""What the studies share: their rows, a lighter recipe, and judging on people left out.

Everything here is smaller than the shipped model's training, so that many models can be fitted in
minutes: figures compare variants with each other; how good the shipped model is, its card says.
"""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cleanspan.atomic import replacing_file
from cleanspan.training.dataset import Table, Tables, joined, of_people
from cleanspan.training.fitting import Recipe, View
from cleanspan.training.ingredients import INJECTED_SHARES, Ingredients
from cleanspan.training.judging import Answer, Panels, answers
from cleanspan.training.mixing import fit_panels
from cleanspan.training.recipe import RULES
from cleanspan.training.sample import load_tables, save_tables
from cleanspan.training.scores import Counts, count_cells
from cleanspan.training.truth import NEGATIVE, POSITIVE
from cleanspan.types import BLINK, CONTACT_LOSS, LINE_NOISE, MUSCLE

log = logging.getLogger(__name__)

SEED = 41
LAB_SHARE = 0.5
"""Share of the weight that hand-labelled rows get, as `cleanspan retrain` has it by default."""
SIMULATIONS = 200
"""Simulated recordings, the first of those that the shipped model learns from."""
SIMULATED_ROWS = 20_000
"""Simulated windows, and simulated events, kept for a study."""
VIEWS: Mapping[str, tuple[View, ...]] = {
    MUSCLE: (View((16,), 0.3, 1),),
    LINE_NOISE: (View((16,), 0.1, 1),),
    CONTACT_LOSS: (View((32, 16), 0.1, 1),),
    BLINK: (View((24,), 0.05, 1),),
}
"""One network a label, each of the size that the shipped model has several of."""
STUDY_RECIPE = Recipe(views=VIEWS, most_rows=30_000, folds=1)
"""One fold leaves nobody to calibrate on: probabilities are taken as the networks give them."""
LEADS = ("Fp1", "Fp2")
"""Where blinks are judged."""


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """Rows for the studies.

    Attributes
    ----------
    simulated : Tables
        Thinned to `SIMULATED_ROWS`.
    read : Tables
        Each window and each event of the read minutes once, as the whole cap shows it.
    injected : Tables
        The same minutes with contact faults injected; windows only, faults kept more often.
    """

    simulated: Tables
    read: Tables
    injected: Tables

    @property
    def people(self) -> list[str]:
        """Whose recordings were read, in order."""
        return sorted({str(person) for person in self.read.windows.person})


def material_of(ingredients: Ingredients) -> Material:
    """Thin the shipped model's ingredients.

    Parameters
    ----------
    ingredients : Ingredients
        With read recordings.

    Raises
    ------
    ValueError
        If there are no read recordings.
    """
    if ingredients.read is None or ingredients.injected is None:
        raise ValueError("studies must have read recordings, got none")
    rng = np.random.default_rng(SEED)
    return Material(
        Tables(
            _some(ingredients.simulated.windows, rng), _some(ingredients.simulated.events, rng)
        ),
        Tables(_once(ingredients.read.windows), _once(ingredients.read.events)),
        ingredients.injected,
    )


def _some(table: Table, rng: np.random.Generator) -> Table:
    """Keep `SIMULATED_ROWS` rows at random."""
    count = min(SIMULATED_ROWS, len(table))
    return table.rows(np.sort(rng.choice(len(table), size=count, replace=False)))


def _once(table: Table) -> Table:
    """Keep the last row of each channel and time: the whole cap is read after the 10-20 one."""
    keys = np.char.add(np.char.add(table.recording, "/"), np.char.add(table.channel, "/"))
    keys = np.char.add(keys, np.round(table.time_s, 4).astype(np.str_))
    _, from_end = np.unique(keys[::-1], return_index=True)
    return table.rows(np.sort(len(table) - 1 - from_end))


def save_material(folder: Path, material: Material) -> None:
    """Keep the rows for the next run."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in Material.__slots__:
        with replacing_file(folder / f"{name}.npz") as beside:
            save_tables(beside, getattr(material, name), half=False)


def load_material(folder: Path) -> Material | None:
    """Read rows kept by `save_material`; None where they are not all there.

    Raises
    ------
    ModelError
        If a file is damaged or of another feature version.
    """
    paths = [folder / f"{name}.npz" for name in Material.__slots__]
    if not all(path.is_file() for path in paths):
        return None
    return Material(*(load_tables(path) for path in paths))


def judged_faults(material: Material, people: Sequence[str]) -> Tables:
    """Choose rows of injected faults to judge by: faults as rare as they were injected."""
    injected = of_people(material.injected, people)
    windows = injected.windows
    kept_more = INJECTED_SHARES[0] / INJECTED_SHARES[1]
    drawn = np.random.default_rng(SEED).random(len(windows)) < 1 / kept_more
    return Tables(windows.rows(drawn | (windows.truth[CONTACT_LOSS] != POSITIVE)), injected.events)


def trial_panels(lab: Tables | None, rest: Tables, *, seed: int) -> Panels:
    """Fit a trial model as `cleanspan retrain` mixes rows, on the lighter recipe.

    Parameters
    ----------
    lab : Tables or None
        Hand-labelled rows; None for a model that knows the rest alone.
    rest : Tables
        Background: simulated rows, with injected faults or without.
    seed : int
        Moves the networks' beginnings and the choice of rows.
    """
    recipe = replace(STUDY_RECIPE, seed=STUDY_RECIPE.seed + seed)
    first, background = (rest, None) if lab is None else (lab, rest)
    return fit_panels(
        first, background, (MUSCLE, CONTACT_LOSS), RULES, recipe=recipe, lab_share=LAB_SHARE
    )


@dataclass(frozen=True, slots=True)
class Tally:
    """Right and wrong rows of people left out.

    Attributes
    ----------
    blink : Counts
        Candidate events at `LEADS`.
    muscle, contact_loss : Counts
        Channel-windows, by the readers' marks.
    injected : Counts
        Channel-windows with contact faults injected.
    clean : Counts
        Channel-windows that readers found free of muscle and contact loss; marked ones are false.
    """

    blink: Counts = field(default_factory=Counts)
    muscle: Counts = field(default_factory=Counts)
    contact_loss: Counts = field(default_factory=Counts)
    injected: Counts = field(default_factory=Counts)
    clean: Counts = field(default_factory=Counts)

    def __add__(self, other: "Tally") -> "Tally":
        """Pool people."""
        return Tally(*(getattr(self, name) + getattr(other, name) for name in Tally.__slots__))

    @property
    def clean_marked(self) -> float:
        """Share of the clean channel-windows that carry a mark."""
        return self.clean.false / self.clean.known if self.clean.known else float("nan")


def tallies(panels: Panels, material: Material, people: Sequence[str]) -> dict[str, Tally]:
    """Judge a trial model on people that it has not seen.

    Parameters
    ----------
    panels : Panels
        With heads for blink, muscle and contact loss.
    material : Material
    people : sequence of str

    Returns
    -------
    dict of str to Tally
        By person.
    """
    result = {}
    for person in people:
        read = of_people(material.read, [person])
        injected = judged_faults(material, [person])
        at_leads = Tables(read.windows, read.events.rows(np.isin(read.events.channel, LEADS)))
        given = answers(panels, at_leads)
        on_faults = answers(panels, injected)
        windows = read.windows
        result[person] = Tally(
            count_cells(given[BLINK].marked, at_leads.events.truth[BLINK]),
            count_cells(given[MUSCLE].marked, windows.truth[MUSCLE]),
            count_cells(given[CONTACT_LOSS].marked, windows.truth[CONTACT_LOSS]),
            count_cells(on_faults[CONTACT_LOSS].marked, injected.windows.truth[CONTACT_LOSS]),
            _on_clean(given, windows),
        )
    return result


def _on_clean(given: Mapping[str, Answer], windows: Table) -> Counts:
    """Count the marks on windows that are known to be free of both labels that readers saw."""
    clean = np.ones(len(windows), dtype=bool)
    marked = np.zeros(len(windows), dtype=np.int8)
    for label in (MUSCLE, CONTACT_LOSS):
        clean &= windows.truth[label] == NEGATIVE
        marked |= given[label].marked
    nothing: npt.NDArray[np.int8] = np.zeros(int(clean.sum()), dtype=np.int8)
    return count_cells(marked[clean], nothing)


def together(found: Mapping[str, Tally]) -> Tally:
    """Pool people."""
    return sum(found.values(), Tally())


def with_faults(material: Material, people: Sequence[str]) -> Tables:
    """Put injected faults of some people under the simulated rows."""
    faults = of_people(material.injected, people)
    return Tables(joined([material.simulated.windows, faults.windows]), material.simulated.events)
