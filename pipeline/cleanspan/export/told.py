"""What a result says of a recording's channels beside marks: lines for summary and pages."""

from collections.abc import Collection, Iterable

from cleanspan.types import SALT_BRIDGE, Finding

OF_ONE = ("dead", "drying")
"""Findings about one electrode's contact."""


def finding_lines(findings: Iterable[Finding], *, to_mend: Collection[str]) -> tuple[str, ...]:
    """Write the findings of a recording as lines; salt bridges make one, the pairs named.

    Parameters
    ----------
    findings : iterable of Finding
    to_mend : collection of str
        Channels that are named as to mend: nothing more is said of their contact.
    """
    bridges, lines = [], []
    for one in findings:
        if one.kind == SALT_BRIDGE:
            bridges.append("–".join(one.channels))
        elif one.kind not in OF_ONE or not set(one.channels) <= set(to_mend):
            lines.append(one.text)
    if bridges:
        lines.append(f"Joined by salt water: {', '.join(bridges)}; dry the skin between.")
    return tuple(lines)
