"""The shipped model's recipe: ``python -m cleanspan.training.recipe --out models/cleanspan-1``.

Without the open recordings it makes a model from simulation only and says what is lost. With them
(``--recordings DIR --labels DIR --cleaned DIR``) it learns from the readers' marks too, and judges
itself on people left out before it learns from everybody.
"""

import argparse
import logging
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from cleanspan.atomic import replacing_folder
from cleanspan.config import SegmentRule
from cleanspan.features.registry import WINDOW_NAMES
from cleanspan.labelling.drift import learn_reference
from cleanspan.labelling.model import save_model
from cleanspan.labelling.network import Panel
from cleanspan.training.dataset import joined
from cleanspan.training.evaluation import person_of
from cleanspan.training.fitting import Recipe, Sample, fit_panel
from cleanspan.training.ingredients import SIMULATED_SEEDS, Ingredients, gather
from cleanspan.training.judging import person_code
from cleanspan.training.open_recordings import CLEANED, LABEL_FILES, RECORDINGS
from cleanspan.training.report_card import figures, shipped_card
from cleanspan.training.sample import SAMPLE, save_tables
from cleanspan.training.sources import WINDOW_LABELS, all_joined
from cleanspan.training.verdicts import Verdicts, cross_judge
from cleanspan.types import BLINK, CONTACT_LOSS, LINE_NOISE, MUSCLE

log = logging.getLogger(__name__)

READ_WEIGHT = 2.0
"""Weight of a row that people read, against 1 for the others: simulated, injected, or the same
minutes once more with a few electrodes only."""

RULES: Mapping[str, SegmentRule] = {
    BLINK: SegmentRule(begin_at=0.75, keep_above=0.5, shortest_s=0.05, join_s=0.0),
    MUSCLE: SegmentRule(begin_at=0.75, keep_above=0.35, shortest_s=0.25, join_s=1.0),
    LINE_NOISE: SegmentRule(begin_at=0.5, keep_above=0.4, shortest_s=4.0, join_s=5.0),
    CONTACT_LOSS: SegmentRule(begin_at=0.7, keep_above=0.35, shortest_s=0.25, join_s=1.5),
}
"""Segment rules of the shipped model: chosen before judging, by what readers do, but for two.
`join_s` of contact loss: what lies between two pops cannot be used either; it was chosen on judges
outside the project. Muscle begins only where it is sure, and then lasts while it may: chosen on
read recordings and on two simulators from outside (`cleanspan guide evidence`)."""

SAMPLE_ROWS = 12_000
"""Windows (and events) that come with the model, for retraining to mix with a lab's own."""


def fit(ingredients: Ingredients, recipe: Recipe) -> tuple[Panel, Panel]:
    """Fit the panels of windows and events to all that is given."""
    seen = [
        (ingredients.simulated, 1.0),
        (ingredients.read, READ_WEIGHT),
        (ingredients.small_read, 1.0),
    ]
    # These know of lost contact only: no blinks.
    injected = [(ingredients.injected, 1.0), (ingredients.small_injected, 1.0)]
    windows = [
        Sample(part.windows, weight) for part, weight in seen + injected if part is not None
    ]
    events = [Sample(part.events, weight) for part, weight in seen if part is not None]
    return (
        fit_panel("windows", windows, WINDOW_LABELS, recipe=recipe),
        fit_panel("events", events, (BLINK,), recipe=recipe),
    )


def make(
    out: Path, ingredients: Ingredients, *, recipe: Recipe, verdicts: Verdicts | None
) -> None:
    """Fit the shipped model and write its folder.

    Parameters
    ----------
    out : Path
        Replaced when complete.
    ingredients : Ingredients
    recipe : Recipe
    verdicts : Verdicts or None
        What the same recipe reached on people left out.
    """
    windows, events = fit(ingredients, recipe)
    known = [ingredients.simulated.windows]
    if ingredients.read is not None:
        known.append(ingredients.read.windows)
    seen = joined(known)
    reference = learn_reference(seen.features, seen.recording, WINDOW_NAMES)
    with replacing_folder(out) as beside:
        save_model(
            beside,
            name=out.name,
            windows=windows,
            events=events,
            rules=RULES,
            facts=_facts(ingredients, recipe, verdicts),
            card=shipped_card(
                out.name, verdicts, learned_from_readers=ingredients.read is not None
            ),
            extra_arrays=reference.arrays(),
        )
        save_tables(beside / SAMPLE, sample_of(ingredients, seed=recipe.seed))


def sample_of(ingredients: Ingredients, *, seed: int) -> Any:
    """Choose the rows that come with the model: simulated ones only, nobody's recording."""
    rng = np.random.default_rng(seed)
    tables = all_joined([ingredients.simulated])
    parts = []
    for table in (tables.windows, tables.events):
        chosen = rng.choice(len(table), size=min(SAMPLE_ROWS, len(table)), replace=False)
        parts.append(table.rows(np.sort(chosen)))
    return type(tables)(*parts)


def _facts(ingredients: Ingredients, recipe: Recipe, verdicts: Verdicts | None) -> dict[str, Any]:
    """Say in the manifest what the training was."""
    import scipy
    import sklearn

    read = ingredients.read is not None
    people = set(ingredients.read.windows.person) if ingredients.read else set()
    people |= {person_of(path.name) for path in ingredients.cleaned}
    return {
        "libraries": {
            "python": platform.python_version(),
            "numpy": np.__version__,
            "scipy": scipy.__version__,
            "scikit_learn": sklearn.__version__,
        },
        "training": {
            "simulated_seeds": [SIMULATED_SEEDS.start, SIMULATED_SEEDS.stop],
            "read_weight": READ_WEIGHT,
            "recordings_sha256": sorted(RECORDINGS.values()) if read else [],
            "cleaned_sha256": sorted(CLEANED.values()) if ingredients.cleaned else [],
            "label_files_sha256": sorted(LABEL_FILES.values()) if read else [],
            "people_sha256": [person_code(str(person)) for person in sorted(people)],
            "recipe": asdict(recipe),
        },
        "metrics": figures(verdicts) if verdicts else {},
    }


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the recipe from the command line."""
    parser = argparse.ArgumentParser(
        prog="python -m cleanspan.training.recipe", description=__doc__
    )
    parser.add_argument("--out", type=Path, required=True, help="model folder to write")
    parser.add_argument("--recordings", type=Path, help="folder of the open recordings")
    parser.add_argument("--labels", type=Path, help="folder of the readers' marks")
    parser.add_argument("--cleaned", type=Path, help="folder of the other laboratory's recordings")
    parser.add_argument("--jobs", type=int, default=2, help="processes; the result is the same")
    parser.add_argument("--folds", type=int, default=4, help="groups of people left out; 0: none")
    chosen = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    from threadpoolctl import threadpool_limits

    recipe = Recipe()
    ingredients = gather(chosen.recordings, chosen.labels, chosen.cleaned, jobs=chosen.jobs)
    # One thread: sums come out the same on every machine, and matrices this small gain nothing.
    with threadpool_limits(limits=1):
        verdicts = None
        if ingredients.read is not None and chosen.folds:
            verdicts = cross_judge(
                ingredients,
                lambda part: fit(part, recipe),
                RULES,
                folds=chosen.folds,
                jobs=chosen.jobs,
            )
        make(chosen.out, ingredients, recipe=recipe, verdicts=verdicts)


if __name__ == "__main__":
    main()
