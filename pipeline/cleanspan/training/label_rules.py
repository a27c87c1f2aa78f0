"""Rules for reading hand labels, checked: a slip of the pen would change every figure silently."""

import difflib
from collections.abc import Collection

from cleanspan.config import LabelRules
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
        near = difflib.get_close_matches(name.replace("_", " ").casefold(), known, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        problems.append(
            "labels not read (labels.not_read in settings, or --not-read) must be one of "
            f"{', '.join(known)}, got {name}{hint}"
        )
    return problems
