"""``cleanspan review``: a page on which readers label what is most worth their minutes."""

from pathlib import Path

import click

from cleanspan.cli import EXISTING, Between, GivenPath


@click.command("review")
@click.argument("results", nargs=-1, required=True, type=EXISTING)
@click.option(
    "--recordings",
    multiple=True,
    required=True,
    type=EXISTING,
    help="The recordings that were screened, or a folder to search for them. May be repeated.",
)
@click.option(
    "--out",
    default=Path("review.html"),
    show_default=True,
    type=GivenPath(dir_okay=False),
    help="The page to write; one with other spans is not replaced.",
)
@click.option(
    "--items",
    default=100,
    show_default=True,
    type=click.IntRange(1, 2000),
    help="How many spans to put on the page.",
)
@click.option(
    "--span",
    "span_s",
    default=10.0,
    show_default=True,
    type=Between(2, 60),
    help="Length of each span, seconds.",
)
@click.option(
    "--control",
    "control_share",
    default=0.2,
    show_default=True,
    type=Between(0, 1),
    help="Share of spans drawn at random, so that scores on them hold for all recordings.",
)
@click.option(
    "--seed",
    default=0,
    type=click.IntRange(0),
    show_default=True,
    help="Another number chooses other random spans.",
)
def command(
    results: tuple[Path, ...],
    recordings: tuple[Path, ...],
    out: Path,
    items: int,
    span_s: float,
    control_share: float,
    seed: int,
) -> None:
    """Make a page for labelling by hand; it works offline, in any browser.

    RESULTS are results folders of `cleanspan screen`, or the folder that holds them. Spans are
    picked where the model is in doubt, where neighbouring channels disagree and from recordings
    unlike the rest; the control share is drawn at random. The page saves a CSV of hand labels
    for `cleanspan retrain` and `cleanspan evaluate`. The page holds EEG: treat it as you treat
    the recordings.
    """
    from cleanspan.export.stored import find_results
    from cleanspan.review.making import ReviewPlan, make_review

    plan = ReviewPlan(items, span_s, control_share, seed)
    made = make_review(find_results(results), recordings, out, plan)
    for line in made.skipped:
        click.echo(f"left out: {line}", err=True)
    total = sum(made.reasons.values())
    click.echo(
        f"{total} spans of {made.recordings} recordings: "
        + ", ".join(f"{made.reasons[reason]} {reason}" for reason in sorted(made.reasons))
    )
    click.echo(f"open in a browser: {made.path}")
