"""Rules for reading hand labels, checked: a slip of the pen would change every figure silently."""

from collections.abc import Collection

from cleanspan.config import LabelRules, did_you_mean
from cleanspan.types import LABELS


def unknown_not_read(rules: LabelRules, labels: Collection[str] = ()) -> list[str]:
    """List the labels that readers are said not to have looked for and that nobody knows.

    Parameters
    ----------
    rules : LabelRules
    labels : collection of str
        Labels that are known beside the shipped ones and the rules' own.
    """
    known = dict.fromkeys((*LABELS, *rules.extra, *sorted(labels)))
    problems = []
    for name in rules.not_read:
        if name in known:
            continue
        hint = did_you_mean(name.replace("_", " ").casefold(), known)
        problems.append(
            "labels not read (labels.not_read in settings, or --not-read) must be one of "
            f"{', '.join(known)}, got {name}{hint}"
        )
    return problems
