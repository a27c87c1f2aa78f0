"""``cleanspan evaluate``: how well marks agree with hand labels."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cleanspan.cli import EXISTING, TEXT, GivenPath
from cleanspan.config import LabelRules, load_config
from cleanspan.errors import UsageError, collecting

if TYPE_CHECKING:
    from cleanspan.training.hand_labels import HandLabel
    from cleanspan.training.results import Evaluation
    from cleanspan.training.truth import Agreement


@click.command("evaluate")
@click.argument("marks", nargs=-1, required=True, type=EXISTING)
@click.option(
    "--labels",
    "label_paths",
    multiple=True,
    required=True,
    type=EXISTING,
    help="Hand labels: CSV files, a folder of them, or annotated EDF+ files. May be repeated.",
)
@click.option(
    "--readers",
    default="two",
    show_default=True,
    type=TEXT,
    help="How several readers count: an artefact is what 'any', 'two' or 'all' of them marked, "
    "or what the one reader named here marked.",
)
@click.option(
    "--person-pattern",
    type=TEXT,
    help="Regular expression that finds the person in a recording's name (first group). "
    "Default: S and three digits of a name such as S001R02, of others the text before the first "
    "'_' (without one, the whole name).",
)
@click.option("--all-channels", type=TEXT, help="What 'all' means in the labels: 'Fp1 Fp2 …'.")
@click.option("--not-read", multiple=True, type=TEXT, help="A label the readers did not look for.")
@click.option("--config", type=EXISTING, help="Settings with a [labels] table.")
@click.option("--out", type=GivenPath(), help="Folder for tables (CSV) and a picture (PNG).")
def command(
    marks: tuple[Path, ...],
    label_paths: tuple[Path, ...],
    readers: str,
    person_pattern: str | None,
    all_channels: str | None,
    not_read: tuple[str, ...],
    config: Path | None,
    out: Path | None,
) -> None:
    """Compare marks with hand labels.

    MARKS are results folders of `cleanspan screen` (or the folder that holds them), or another
    reader's label file, to compare reader with reader. Only spans that somebody reviewed count;
    where a reader was unsure, nothing is scored.
    """
    from cleanspan.atomic import output_error
    from cleanspan.training.hand_labels import read_hand_labels
    from cleanspan.training.results import Comparison, evaluate_results

    if out is not None and out.exists() and not out.is_dir():
        raise output_error(out, FileExistsError())
    rules = _rules(load_config(config).labels, all_channels, not_read)
    problems: list[str] = []
    labels = read_hand_labels(label_paths, rules, problems=problems)
    comparison = Comparison(rules)
    with collecting(problems):
        comparison = replace(comparison, person_pattern=person_pattern or "")
    with collecting(problems):
        labels, agreement = choose_readers(labels, readers)
        comparison = replace(comparison, agreement=agreement)
    evaluation = evaluate_results(marks, labels, comparison, problems=problems)
    _show(evaluation)
    if out is not None:
        _write(evaluation, out)
        click.echo(f"tables and picture: {out}")


def _rules(rules: LabelRules, all_channels: str | None, not_read: tuple[str, ...]) -> LabelRules:
    """Let the command line's words win over the file's."""
    if all_channels:
        # As in labels: "EEG" before a name is no channel of its own.
        names = tuple(name for name in all_channels.split() if name.upper() != "EEG")
        if not names:
            raise UsageError(f"--all-channels must name channels, got {all_channels!r}")
        rules = replace(rules, all_channels=names)
    return replace(rules, not_read=(*rules.not_read, *not_read))


def choose_readers(labels: "list[HandLabel]", readers: str) -> "tuple[list[HandLabel], Agreement]":
    """Turn ``--readers`` into the labels that count and how they count.

    Raises
    ------
    UsageError
        If it names nobody.
    """
    from cleanspan.training.truth import ANY, EVERY, TWO

    modes = {"any": ANY, "two": TWO, "all": EVERY}
    if readers in modes:
        return labels, modes[readers]
    own = [row for row in labels if row.reader == readers]
    if not own:
        names = ", ".join(sorted({row.reader for row in labels}))
        raise UsageError(f"--readers must be any, two, all or one of {names}, got {readers!r}")
    return own, ANY


def _show(evaluation: "Evaluation") -> None:
    """Print the tables."""
    from cleanspan.training.evaluation import pooled
    from cleanspan.training.tables import confusion_table, score_table, spread_table, text_table

    table = score_table(evaluation.scores)
    whole = pooled(evaluation.scores)
    people = len({score.person for score in evaluation.scores})
    recordings = len(evaluation.scores)
    click.echo(
        f"{recordings} recording{'s' * (recordings != 1)} of "
        f"{people} {'person' if people == 1 else 'people'}"
    )
    shown = table[table["scope"] == "all"].drop(
        columns=["scope", "name", "cells_known", "clean_cells", "clean_cells_marked_share"]
    )
    cells = shown[["label", *(c for c in shown.columns if c.startswith("cells_"))]]
    events = shown[["label", *(c for c in shown.columns if c.startswith(("events_", "onsets_")))]]
    confusion = confusion_table(evaluation.scores).rename_axis("true").reset_index()
    tables = [
        ("Channel seconds", cells.rename(columns=lambda c: c.removeprefix("cells_"))),
        ("Events", events.rename(columns=lambda c: c.removeprefix("events_"))),
        ("Spread between people", spread_table(evaluation.scores)),
    ]
    if whole.confusion.any():
        # Counts of its own: above, each label counts by itself, several at once included.
        title = "Seconds of one true class, by marked class (several marks count in part)"
        tables.append((title, confusion))
    for title, part in tables:
        click.echo(f"\n{title}")
        click.echo("\n".join(text_table(part)))
    if whole.clean_cells:
        share = f"{whole.false_share:.1%}"
        click.echo(f"\nOf {whole.clean_cells} clean channel seconds, {share} carry a mark.")
    for label, result in evaluation.calibrations.items():
        click.echo(
            f"Probabilities of {label}: expected calibration error {result.expected_error:.3f}, "
            f"Brier score {result.brier:.3f}"
        )
    for warning in evaluation.warnings:
        click.echo(f"note: {warning}", err=True)


def _write(evaluation: "Evaluation", out: Path) -> None:
    """Write the tables and the picture."""
    from cleanspan.atomic import output_error, replacing_file
    from cleanspan.training.tables import (
        calibration_table,
        confusion_table,
        draw,
        score_table,
        spread_table,
    )

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise output_error(out, error) from error
    tables = {
        "evaluation.csv": score_table(evaluation.scores),
        "spread.csv": spread_table(evaluation.scores),
        "confusion.csv": confusion_table(evaluation.scores).rename_axis("true").reset_index(),
        "calibration.csv": calibration_table(evaluation),
    }
    for name, table in tables.items():
        with replacing_file(out / name) as beside:
            table.to_csv(beside, index=False, float_format="%.6g")
    with replacing_file(out / "evaluation.png") as beside:
        draw(evaluation, beside)
