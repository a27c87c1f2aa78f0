"""What a result says of a recording's channels beside marks: lines for summary and pages."""

from collections.abc import Collection, Iterable, Sequence

from cleanspan.types import SALT_BRIDGE, Finding

OF_ONE = ("dead", "drying")
"""Findings about one electrode's contact: what is to mend is not told a second time."""


def finding_lines(
    findings: Iterable[Finding], *, to_mend: Collection[str] = ()
) -> tuple[str, ...]:
    """Write the findings of a recording as lines; several salt bridges make one.

    Parameters
    ----------
    findings : iterable of Finding
    to_mend : collection of str
        Channels that are named as to mend: nothing more is said of their contact.
    """
    bridges = []
    lines = []
    for one in findings:
        if one.kind == SALT_BRIDGE:
            bridges.append(one)
        elif one.kind not in OF_ONE or not set(one.channels) <= set(to_mend):
            lines.append(one.text)
    if len(bridges) == 1:
        lines.append(bridges[0].text)
    elif bridges:
        groups = joined_groups(one.channels for one in bridges)
        joined = ", ".join("–".join(group) for group in groups)
        lines.append(f"Joined by salt water: {joined}; dry the skin between, use less water.")
    return tuple(lines)


def joined_groups(pairs: Iterable[Sequence[str]]) -> list[list[str]]:
    """Put channels that are joined, be it through others, into one group.

    Parameters
    ----------
    pairs : iterable of sequence of str

    Returns
    -------
    list of list of str
        In the order in which they are met.
    """
    groups: list[list[str]] = []
    for pair in pairs:
        touched = [group for group in groups if set(group) & set(pair)]
        rest = [group for group in groups if group not in touched]
        merged = [channel for group in touched for channel in group]
        groups = [*rest, list(dict.fromkeys([*merged, *pair]))]
    return groups
