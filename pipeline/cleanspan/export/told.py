"""What a result says of a recording's channels beside marks: lines for summary and pages."""

from collections.abc import Iterable

from cleanspan.types import SALT_BRIDGE, Finding

OF_ONE = ("dead", "drying")
"""Findings about one electrode's contact: what is to mend tells these."""


def finding_lines(findings: Iterable[Finding]) -> tuple[str, ...]:
    """Write the findings of a recording as lines; salt bridges make one, the pairs named."""
    found = list(findings)
    bridges = ["–".join(one.channels) for one in found if one.kind == SALT_BRIDGE]
    lines = [one.text for one in found if one.kind not in (SALT_BRIDGE, *OF_ONE)]
    if bridges:
        lines.append(f"Joined by salt water: {', '.join(bridges)}; dry the skin between.")
    return tuple(lines)
