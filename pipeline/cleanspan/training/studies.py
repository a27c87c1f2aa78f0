"""Studies of the method, person-wise: ``python -m cleanspan.training.studies --recordings DIR``.

Which features carry which label, what hand labels add to simulation, and whether picked spans
teach more than random ones. Prints Markdown tables; `cleanspan guide evidence` holds the last
ones, and says what they cannot show.
"""

import argparse
import logging
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np

from cleanspan.atomic import replacing_file
from cleanspan.errors import CleanspanError
from cleanspan.training.ablation import WINDOW_FAMILIES, WINDOW_LABELS, ablate
from cleanspan.training.active import Outcome, compare_picking
from cleanspan.training.bootstrap import compare_f1
from cleanspan.training.curve import Step, learning_curve
from cleanspan.training.ingredients import SIMULATED_SEEDS, gather
from cleanspan.training.trials import (
    SIMULATED_ROWS,
    SIMULATIONS,
    STUDY_RECIPE,
    Material,
    Tally,
    load_material,
    material_of,
    save_material,
    together,
)
from cleanspan.types import BLINK

log = logging.getLogger(__name__)

CLEAN_MARKED = "clean windows marked"
"""The one figure of which less is better."""
FIGURES: Mapping[str, Callable[[Tally], float]] = {
    "blink F1": lambda tally: tally.blink.f1,
    "muscle F1": lambda tally: tally.muscle.f1,
    "contact loss F1, readers": lambda tally: tally.contact_loss.f1,
    "contact loss F1, injected": lambda tally: tally.injected.f1,
    CLEAN_MARKED: lambda tally: tally.clean_marked,
}
COMPARED = ("blink", "muscle", "contact_loss", "injected")


def ablation_lines(material: Material) -> list[str]:
    """Carry out the first study and write it as Markdown."""
    found = ablate(material)
    window_rows = list(found[WINDOW_LABELS[0]])
    sizes = ", ".join(f"{name} {len(own)}" for name, own in WINDOW_FAMILIES.items())
    return [
        "## Which features carry which label",
        "",
        "F1 on people left out. Windows: by the readers' marks, contact loss with injected faults",
        f"as well. Features by family: {sizes}.",
        "",
        *_table(
            ["features", *WINDOW_LABELS],
            [
                [name, *(_f1s(found[label][name]) for label in WINDOW_LABELS)]
                for name in window_rows
            ],
        ),
        "",
        *_table(
            ["features of events", BLINK], [[n, _f1s(f1s)] for n, f1s in found[BLINK].items()]
        ),
    ]


def curve_lines(material: Material) -> list[str]:
    """Carry out the second study and write it as Markdown."""
    steps = learning_curve(material)
    minutes = len(set(material.read.windows.recording)) / len(material.people)
    rows = [[_step_name(step), *_spreads(step.draws)] for step in steps]
    alone, *_, everybody, faults = steps
    return [
        "## What hand labels of other people add to simulation",
        "",
        f"{len(material.people)} people, {minutes:.2f} labelled minutes each on average.",
        "Mean over draws of the labelled people (smallest to largest); each draw judges all.",
        "",
        *_table(["labelled people", *FIGURES], rows),
        "",
        "Change of F1 against simulation alone (first draw): pooled, 95 % interval over resampled",
        "people, and in how many of the people who have the label it went up or down.",
        "",
        *_table(
            ["learned from", *(name for name in list(FIGURES)[:-1])],
            [
                [_step_name(step), *_changes(step.draws[0], alone.draws[0])]
                for step in (everybody, faults)
            ],
        ),
    ]


def picking_lines(material: Material) -> list[str]:
    """Carry out the third study and write it as Markdown."""
    outcomes = compare_picking(material)
    return [
        "## Picked spans against random ones",
        "",
        "Spans of 10 s, all 19 channels, revealed to a model of simulation only. Mean over draws",
        "(smallest to largest); each draw judges all.",
        "",
        *_table(
            ["spans", "chosen", *FIGURES],
            [[_spans(one), one.way, *_spreads(one.draws)] for one in outcomes],
        ),
        "",
        "Picked minus random, mean over draws (in how many draws picked was better):",
        "",
        *_table(
            ["spans", *FIGURES],
            [
                [_spans(picked), *_gains(picked.draws, random.draws)]
                for picked, random in zip(outcomes[:-1:2], outcomes[1::2], strict=True)
            ],
        ),
    ]


STUDIES: Mapping[str, Callable[[Material], list[str]]] = {
    "ablation": ablation_lines,
    "curve": curve_lines,
    "picking": picking_lines,
}


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Write a Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return [f"| {' | '.join(cells)} |" for cells in lines]


def _number(value: float) -> str:
    return "-" if np.isnan(value) else f"{value:.3f}"


def _f1s(values: Sequence[float]) -> str:
    """Write the mean, and the range where there are several."""
    shown = _number(float(np.mean(values)))
    if len(values) == 1:
        return shown
    return f"{shown} ({_number(min(values))} to {_number(max(values))})"


def _spreads(draws: Sequence[Mapping[str, Tally]]) -> list[str]:
    """Write each figure over all people, and its spread over draws."""
    pooled = [together(draw) for draw in draws]
    return [_f1s([figure(tally) for tally in pooled]) for figure in FIGURES.values()]


def _gains(
    picked: Sequence[Mapping[str, Tally]], drawn: Sequence[Mapping[str, Tally]]
) -> list[str]:
    """Write how far one way of choosing is ahead of the other, draw by draw."""
    cells = []
    for name, figure in FIGURES.items():
        gains = np.array(
            [figure(together(a)) - figure(together(b)) for a, b in zip(picked, drawn, strict=True)]
        )
        better = int((gains < 0).sum() if name == CLEAN_MARKED else (gains > 0).sum())
        shown = f"{gains.mean():+.3f} ({better} of {len(gains)})"
        cells.append("-" if np.isnan(gains).any() else shown)
    return cells


def _changes(new: Mapping[str, Tally], old: Mapping[str, Tally]) -> list[str]:
    """Write how far F1 has moved, the interval that resampled people give, and who gained."""
    cells = []
    for name in COMPARED:
        ours = [getattr(new[person], name) for person in old]
        theirs = [getattr(old[person], name) for person in old]
        found = compare_f1(ours, theirs)
        pairs = [(a.f1, b.f1) for a, b in zip(ours, theirs, strict=True) if a.hit + a.missed]
        gained = sum(a > b for a, b in pairs)
        lost = sum(a < b for a, b in pairs)
        cells.append(
            f"{found.change:+.3f} ({found.low:+.3f} to {found.high:+.3f}), "
            f"up in {gained}, down in {lost} of {len(pairs)}"
        )
    return cells


def _step_name(step: Step) -> str:
    if step.people == 0:
        return "0 (simulation only)"
    return f"{step.people}, faults injected too" if step.faults else str(step.people)


def _spans(outcome: Outcome) -> str:
    low, high = outcome.spans
    return str(low) if low == high else f"{low} to {high}"


def report(material: Material, names: Sequence[str]) -> str:
    """Carry out studies and write them as Markdown.

    Parameters
    ----------
    material : Material
    names : sequence of str
        Keys of `STUDIES`.
    """
    lines = [
        f"Light recipe: {SIMULATED_ROWS} rows of {SIMULATIONS} simulated recordings, at most",
        f"{STUDY_RECIPE.most_rows} read ones, one network a label, no calibration. Judged are",
        "channel-windows and candidate events, not finished segments, and nobody is judged by a",
        "fit that has seen them.",
    ]
    for name in names:
        lines += ["", *STUDIES[name](material)]
    return "\n".join(lines) + "\n"


def main(arguments: Sequence[str] | None = None) -> None:
    """Carry out the studies from the command line."""
    parser = argparse.ArgumentParser(
        prog="python -m cleanspan.training.studies", description=__doc__
    )
    parser.add_argument("--recordings", type=Path, required=True, help="the open recordings")
    parser.add_argument("--labels", type=Path, required=True, help="the readers' marks")
    parser.add_argument("--only", choices=STUDIES, help="one study; without it, all")
    parser.add_argument("--write", type=Path, metavar="FILE.md", help="else to standard output")
    parser.add_argument("--cache", type=Path, metavar="FOLDER", help="keep the rows for next time")
    parser.add_argument("--jobs", type=int, default=2, help="processes to gather with")
    chosen = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    from threadpoolctl import threadpool_limits

    try:
        material = _material(chosen.recordings, chosen.labels, chosen.cache, jobs=chosen.jobs)
        with threadpool_limits(limits=1):
            text = report(material, [chosen.only] if chosen.only else list(STUDIES))
        if chosen.write is None:
            sys.stdout.write(text)
        else:
            with replacing_file(chosen.write) as beside:
                beside.write_text(text, encoding="utf-8")
    except CleanspanError as error:
        raise SystemExit(str(error)) from error


def _material(recordings: Path, labels: Path, cache: Path | None, *, jobs: int) -> Material:
    """Take the rows from the cache, or gather them."""
    kept = load_material(cache) if cache else None
    if kept is not None:
        log.info("rows taken from %s", cache)
        return kept
    seeds = SIMULATED_SEEDS[:SIMULATIONS]
    material = material_of(gather(recordings, labels, jobs=jobs, seeds=seeds))
    if cache is not None:
        save_material(cache, material)
    return material


if __name__ == "__main__":
    main()
