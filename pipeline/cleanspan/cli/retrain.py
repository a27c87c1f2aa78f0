"""``cleanspan retrain``: a model taught by the lab's own hand labels."""

import logging
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cleanspan.cli import EXISTING, TEXT, Between, GivenPath
from cleanspan.config import load_config

if TYPE_CHECKING:
    from cleanspan.training.retrain import Retrained


@click.command("retrain")
@click.argument("recordings", nargs=-1, required=True, type=EXISTING)
@click.option(
    "--labels",
    "label_paths",
    multiple=True,
    required=True,
    type=EXISTING,
    help="Hand labels: CSV files, a folder of them, or annotated EDF+ files. May be repeated.",
)
@click.option("--name", type=TEXT, help="The new model's name. Default: lab- and the date.")
@click.option(
    "--from",
    "start",
    type=TEXT,
    help="Model to start from and to judge against. Default: the one in use.",
)
@click.option(
    "--lab-share",
    default=0.5,
    show_default=True,
    type=Between(0.05, 1.0),
    help="Share of the weight that the lab's labels carry; the rest is the background that comes "
    "with the model, and the old model's vote. 1 leaves both out.",
)
@click.option(
    "--seed",
    default=20_260,
    type=click.IntRange(0),
    show_default=True,
    help="Same inputs and seed, same model.",
)
@click.option(
    "--readers",
    default="two",
    show_default=True,
    type=TEXT,
    help="How several readers count: any, two, all or one reader's name.",
)
@click.option(
    "--person-pattern",
    type=TEXT,
    help="Regular expression that finds the person in a recording's name (first group). "
    "Default: S and three digits of a name such as S001R02, of others the text before the first "
    "'_' (without one, the whole name).",
)
@click.option("--config", type=EXISTING, help="Settings, with [labels] and [labelling] store.")
@click.option(
    "--cache",
    type=GivenPath(file_okay=False),
    help="Folder for computed features. Default: the user's cache folder.",
)
def command(
    recordings: tuple[Path, ...],
    label_paths: tuple[Path, ...],
    name: str | None,
    start: str | None,
    lab_share: float,
    seed: int,
    readers: str,
    person_pattern: str | None,
    config: Path | None,
    cache: Path | None,
) -> None:
    """Fit a model to hand labels of RECORDINGS (files, or folders that hold them).

    The new model is judged against the old one on people left out in turn, and put into the
    lab's store. It is not put into use: that is `cleanspan model use`.
    """
    from cleanspan.cli.evaluate import choose_readers
    from cleanspan.training.hand_labels import read_hand_labels
    from cleanspan.training.lessons import cache_folder
    from cleanspan.training.results import Comparison
    from cleanspan.training.retrain import Plan, retrain
    from cleanspan.training.store import ModelStore, resolve_model, store_folder

    logging.basicConfig(format="cleanspan: %(message)s")
    settings = load_config(config)
    store = ModelStore(store_folder(settings.labelling.store))
    old = resolve_model(start or settings.labelling.model, store.folder)
    labels = read_hand_labels(label_paths, settings.labels, recordings=recordings)
    labels, agreement = choose_readers(labels, readers)
    plan = Plan(
        name=name or store.free_name(f"lab-{datetime.now(UTC):%Y-%m-%d}"),
        lab_share=lab_share,
        seed=seed,
        comparison=Comparison(settings.labels, agreement, person_pattern or ""),
    )
    store.check_name(plan.name)
    people = "people" if person_pattern else "people (by the file names)"
    click.echo(f"learning from {len({row.recording for row in labels})} recordings …", err=True)
    done = retrain(labels, recordings, old, store, plan=plan, cache=cache or cache_folder())
    _show(done, people)


def _show(done: "Retrained", people: str) -> None:
    """Print what was learned and how it was judged."""
    import pandas as pd

    from cleanspan.training.bootstrap import BETTER
    from cleanspan.training.tables import text_table

    click.echo(f"{done.model.full_name}: {done.recordings} recordings of {done.people} {people}")
    rows = [
        {
            "label": label,
            "f1": d.new_f1,
            "before": d.old_f1,
            "change from": d.low,
            "to": d.high,
            "people": d.people,
            "verdict": d.verdict,
            "calibration error": done.calibrations[label].expected_error,
        }
        for label, d in done.judgement.labels.items()
    ]
    if rows:
        click.echo("\n".join(text_table(pd.DataFrame(rows))))
    for warning in done.warnings:
        click.echo(f"note: {warning}", err=True)
    click.echo(done.judgement.summary())
    if done.judgement.verdict == BETTER:
        click.echo(f"put it into use: cleanspan model use {done.folder.name} --why '…'")
    else:
        click.echo(f"kept, not in use; its figures: cleanspan model show {done.folder.name}")
