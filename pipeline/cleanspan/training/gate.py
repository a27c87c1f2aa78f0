"""May a model be put into use? Not one that is worse on any label, unless a person says why."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cleanspan.config import read_toml
from cleanspan.errors import ConfigError, ModelError, damage
from cleanspan.training.bootstrap import (
    ALIKE,
    BETTER,
    FEW,
    FEWEST_PEOPLE,
    UNKNOWN,
    WORSE,
    Difference,
)

JUDGEMENT = "judgement.toml"
"""File in a model folder: how the model did against the one it was to replace."""

MARGIN = 0.02
"""F1 that a model may lose on a label before the gate refuses it."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A new model against an old one on the same held-out people.

    Attributes
    ----------
    model, against : str
        Fingerprints of the new and the old model.
    people, recordings : int
        How many were held out.
    labels : mapping of str to Difference
        F1 on one-second channel cells, by label.
    known_before : int
        People who could not be judged on, for the old model had learned from them.
    """

    model: str
    against: str
    people: int
    recordings: int
    labels: Mapping[str, Difference]
    known_before: int = 0

    @property
    def verdict(self) -> str:
        """Say whether the new model is better, worse, or not distinguishable; or not judged.

        Worse on one label is worse. Better on one is better, unless another lost more than
        `MARGIN`: that it may be chance does not make it good.
        """
        verdicts = {difference.verdict for difference in self.labels.values()}
        if self.people < FEWEST_PEOPLE or verdicts <= {FEW, UNKNOWN}:
            return UNKNOWN
        if verdicts <= {ALIKE, FEW, UNKNOWN}:
            return ALIKE
        if WORSE in verdicts:
            return WORSE
        lost = any(difference.change < -MARGIN for difference in self.labels.values())
        return ALIKE if lost else BETTER

    @property
    def why_few(self) -> str:
        """Say what kept people from being judged on; empty where nothing did."""
        if not self.known_before:
            return ""
        return (
            f"; on {self.known_before} more the old model cannot be judged: it learned from them"
        )

    def summary(self) -> str:
        """Say in one line whether the new model is better or worse than the old one."""
        if self.people < FEWEST_PEOPLE:
            return (
                f"the new model was {UNKNOWN}: {self.people} people left out are too few (at "
                f"least {FEWEST_PEOPLE}){self.why_few}"
            )
        figures = ", ".join(
            f"{label} {d.new_f1:.3f} (before {d.old_f1:.3f}: {d.verdict})"
            if math.isfinite(d.old_f1)
            else f"{label} {d.new_f1:.3f} (new)"
            for label, d in self.labels.items()
            if math.isfinite(d.new_f1)
        )
        if self.verdict == UNKNOWN:
            return (
                f"the new model was {UNKNOWN}: no label has {FEWEST_PEOPLE} of the {self.people} "
                f"people left out; F1: {figures}"
            )
        return f"the new model is {self.verdict} on {self.people} people left out; F1: {figures}"


def refusals(
    judgement: Judgement | None,
    *,
    model: str,
    in_use: str,
    labels: Sequence[str],
    needed: Sequence[str],
    margin: float = MARGIN,
) -> list[str]:
    """List the reasons against putting a model into use.

    Parameters
    ----------
    judgement : Judgement or None
        As stored with the model.
    model, in_use : str
        Fingerprints of the model and of the one in use now.
    labels, needed : sequence of str
        Labels of the model and of the one in use.
    margin : float
        F1 that may be lost on a label.
    """
    reasons = [f"it does not know the label {name!r}" for name in needed if name not in labels]
    if judgement is None or judgement.model != model:
        return [*reasons, "it was never judged against another model on held-out people"]
    if judgement.against != in_use:
        reasons.append(
            f"it was judged against the model {judgement.against}, but {in_use} is in use; "
            "retrain to judge it against that one"
        )
    if judgement.people < FEWEST_PEOPLE:
        reasons.append(
            f"it was judged on {judgement.people} people left out; at least {FEWEST_PEOPLE} are "
            f"needed, so label recordings of more people{judgement.why_few}"
        )
    reasons += [
        f"{name}: it was not judged, for the hand labels say nothing about it"
        for name in needed
        if name in labels and name not in judgement.labels and judgement.people
    ]
    for label, difference in judgement.labels.items():
        lost = -difference.change
        if math.isfinite(lost) and lost > margin + 1e-9:
            reasons.append(
                f"{label}: F1 {difference.new_f1:.3f} on held-out people, {difference.old_f1:.3f} "
                f"before; it may lose {margin:g} at most"
            )
    return reasons


def write_judgement(judgement: Judgement, folder: Path) -> None:
    """Write a judgement into a model folder that is being made."""
    import tomli_w

    labels = {
        label: {
            "new_f1": d.new_f1,
            "old_f1": d.old_f1,
            "low": d.low,
            "high": d.high,
            "people": d.people,
            "verdict": d.verdict,
        }
        for label, d in judgement.labels.items()
    }
    content: dict[str, Any] = {
        "model": judgement.model,
        "against": judgement.against,
        "people": judgement.people,
        "recordings": judgement.recordings,
        "known_before": judgement.known_before,
        "labels": labels,
    }
    (folder / JUDGEMENT).write_text(tomli_w.dumps(content), encoding="utf-8")


def read_judgement(folder: Path) -> Judgement | None:
    """Read the judgement in a model folder; None where there is none.

    Raises
    ------
    ModelError
        If the file is damaged.
    """
    path = folder / JUDGEMENT
    if not path.is_file():
        return None
    try:
        content = read_toml(path)
        labels = {
            str(label): Difference(
                new_f1=float(item["new_f1"]),
                old_f1=float(item["old_f1"]),
                low=float(item["low"]),
                high=float(item["high"]),
                people=int(item["people"]),
            )
            for label, item in content["labels"].items()
        }
        return Judgement(
            str(content["model"]),
            str(content["against"]),
            int(content["people"]),
            int(content["recordings"]),
            labels,
            int(content.get("known_before", 0)),
        )
    except (ConfigError, KeyError, TypeError, ValueError, AttributeError) as error:
        raise ModelError(
            f"{path}: a judgement must be whole, got {damage(error)}; retrain"
        ) from error
