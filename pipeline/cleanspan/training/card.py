"""The model card: what a model is made of, what it was judged on, what it is not for."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from cleanspan.training.bootstrap import Difference
from cleanspan.training.gate import Judgement


def model_card(
    name: str, facts: Mapping[str, Any], judgement: Judgement, warnings: Sequence[str]
) -> str:
    """Write the card of a retrained model as Markdown."""
    training = facts["training"]
    rest = (
        "weight; the rest is background that came with the model it started from, "
        f"{training['started_from']}."
        if training["lab_share"] < 1
        else f"weight. It started from {training['started_from']}, of which nothing is in it."
    )
    made_of = (
        f"{training['recordings']} recordings of {training['people']} people with hand labels "
        f"({training['windows']} channel-windows), which carry {training['lab_share']:.0%} of the "
        f"{rest}"
    )
    votes = (
        f"{training['base']} votes beside what was learned here, the more the fewer people show a "
        "label."
        if training["base"]
        else "No older model votes in it."
    )
    how_judged = (
        "Each person was judged by a fit that had not seen that person (at most "
        f"{training['folds']} groups of people); the model itself learned from all of them. Rows "
        "are channel-windows, for blinks candidate events on each channel, so these figures "
        "compare models and do not say how good the finished marks are."
    )
    lines = [
        f"# {name}",
        "",
        "Marks artefacts in scalp EEG. Not a medical device and not for diagnosis; local policy",
        "decides what is done with the marks. A missing mark proves nothing.",
        "",
        "## Made of",
        "",
        f"- {made_of}",
        f"- {votes}",
        f"- Seed {training['seed']}; the same inputs give the same model.",
        *(f"- {warning}." for warning in warnings),
        "",
        "## Judged",
        "",
        f"{judgement.summary()}.",
        "",
        how_judged,
        "",
        "| label | F1 | before | 95 % interval of the change | people | verdict |",
        "|---|---|---|---|---|---|",
        *(_row(label, difference) for label, difference in judgement.labels.items()),
        "",
        "## Limits",
        "",
        "It knows the caps, amplifiers and people it learned from. Hand labels are one lab's",
        "habit: another lab's readers would draw other borders.",
        "",
    ]
    return "\n".join(lines)


def _row(label: str, d: Difference) -> str:
    """Write one label's line."""
    interval = f"{d.low:+.3f} to {d.high:+.3f}" if math.isfinite(d.low) else "-"
    figures = " | ".join("-" if math.isnan(f) else f"{f:.3f}" for f in (d.new_f1, d.old_f1))
    return f"| {label} | {figures} | {interval} | {d.people} | {d.verdict} |"
