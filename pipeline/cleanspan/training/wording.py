"""What the texts of hand labels mean: a label, a statement about a span, or nothing known."""

import difflib
from functools import lru_cache

from cleanspan.config import LabelRules
from cleanspan.types import CLEAN, LABELS

REVIEWED = "reviewed"
UNSURE = "unsure"
OTHER = "other"
STATEMENTS = (REVIEWED, CLEAN, UNSURE, OTHER)
"""Texts that say something about a span other than "this artefact is here"."""


def meaning(text: str, rules: LabelRules) -> str | None:
    """Find the label that a text stands for: itself or the lab's wording; case is ignored."""
    wording = {key.casefold(): value for key, value in rules.wording.items()}
    plain = " ".join(text.replace("_", " ").split()).casefold()
    plain = wording.get(text.strip().casefold(), wording.get(plain, plain)).casefold()
    known = {name.casefold(): name for name in (*LABELS, *rules.extra, *STATEMENTS)}
    return known.get(plain)


def known_texts(text: str, rules: LabelRules) -> str:
    """Say, after a text that means nothing, what a label may be: the end of a message."""
    return _near(text.casefold(), (*LABELS, *rules.extra, *STATEMENTS)) + (
        " (declare the lab's own under [labels] extra, or its wording under [labels.wording])"
    )


@lru_cache
def _near(text: str, known: tuple[str, ...]) -> str:
    """Give a near match, else all that is known; the same slip often stands in many rows."""
    near = difflib.get_close_matches(text, known, n=1)
    return f"; did you mean {near[0]!r}?" if near else f"; known: {', '.join(known)}"
