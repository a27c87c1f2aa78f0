"""How each label looks: a hue for light and dark, a letter and a pattern.

Whatever the label set of the model, every label gets all three, so that a page can be read in
print, in grey and by colour-blind readers.
"""

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from cleanspan.types import BLINK, CONTACT_LOSS, LINE_NOISE, MUSCLE

PLACEHOLDER = "\N{REPLACEMENT CHARACTER}"

# Light hues keep a contrast of at least 4.5 to white letters and to the page, dark hues to
# dark ones (WCAG 2.2, success criteria 1.4.3 and 1.4.11); the first four stay apart in simulated
# colour blindness. tests/unit/report_palette_test.py measures both.
_KNOWN = {
    BLINK: ("#946700", "#f2d060", "dots"),
    MUSCLE: ("#8a1c4e", "#dd6c8e", "zigzag"),
    LINE_NOISE: ("#1b76ab", "#86e0f0", "upright"),
    CONTACT_LOSS: ("#22206a", "#8a90f0", "slant"),
}
_MORE = (
    ("#36752a", "#9ad08a", "level"),
    ("#7a50b8", "#c9a5ee", "grid"),
    ("#5d4a1c", "#c99a5a", "backslant"),
    ("#55626b", "#a9b4ba", "rings"),
)
_TILES = {
    "dots": '<circle cx="3" cy="3" r="1.5" fill="{ink}"/>',
    "zigzag": '<path d="M0 5l3-4l3 4" fill="none" stroke="{ink}" stroke-width="1.4"/>',
    "upright": '<path d="M2 0v6" stroke="{ink}" stroke-width="1.8"/>',
    "slant": '<path d="M-1 7l8-8M-1 1l2-2M5 7l2-2" stroke="{ink}" stroke-width="1.8"/>',
    "level": '<path d="M0 3h6" stroke="{ink}" stroke-width="1.6"/>',
    "grid": '<path d="M0 3h6M3 0v6" stroke="{ink}" stroke-width="1.1"/>',
    "backslant": '<path d="M-1 -1l8 8M-1 5l2 2M5-1l2 2" stroke="{ink}" stroke-width="1.6"/>',
    "rings": '<circle cx="3" cy="3" r="2" fill="none" stroke="{ink}" stroke-width="1"/>',
}


@dataclass(frozen=True, slots=True)
class Swatch:
    """The look of one label.

    Attributes
    ----------
    label : str
    slot : int
        Position in the label set; names the CSS classes ``k<slot>`` and variables ``--k<slot>``.
    letter : str
        One upper-case letter or digit, unique in the label set.
    light, dark : str
        Hue on a light and on a dark page, ``#rrggbb``.
    pattern : str
        Name of the hatching.
    """

    label: str
    slot: int
    letter: str
    light: str
    dark: str
    pattern: str

    @property
    def chip(self) -> Markup:
        """The letter on its hue, for running text and legends."""
        return Markup('<span class="chip k{}" title="{}">{}</span>').format(
            self.slot, plain(self.label), self.letter
        )

    @property
    def sample(self) -> Markup:
        """A patch of hue and hatching."""
        return Markup(
            '<svg class="sample" viewBox="0 0 26 14" aria-hidden="true">'
            '<rect width="26" height="14" rx="2" class="t{0}"/>'
            '<rect width="26" height="14" rx="2" fill="url(#h{0})"/></svg>'
        ).format(self.slot)


def palette(
    labels: Sequence[str], *, fixed: Mapping[str, str] | None = None
) -> tuple[Swatch, ...]:
    """Give every label of a model its look.

    Parameters
    ----------
    labels : sequence of str
        The model's labels; unknown ones get the spare hues in order.
    fixed : mapping of str to str, optional
        Labels whose letter is settled; no other label takes it.

    Returns
    -------
    tuple of Swatch
        In the order of labels.
    """
    letters = _letters(labels, fixed or {})
    spare = 0
    swatches = []
    for slot, label in enumerate(labels):
        if label in _KNOWN:
            look = _KNOWN[label]
        else:
            look = _MORE[spare % len(_MORE)]
            spare += 1
        swatches.append(Swatch(label, slot, letters[label], *look))
    return tuple(swatches)


def _letters(labels: Sequence[str], fixed: Mapping[str, str]) -> dict[str, str]:
    """Choose a letter for each label: the shipped labels first, so that theirs never change."""
    letters = {label: fixed[label] for label in labels if label in fixed}
    taken = set(fixed.values())
    for label in sorted(labels, key=lambda label: label not in _KNOWN):
        if label in letters:
            continue
        initials = "".join(word[0] for word in label.split() if word)
        wanted = initials + label + "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
        own = [sign.upper() for sign in wanted if sign.isascii() and sign.isalnum()]
        letters[label] = next((sign for sign in own if sign not in taken), "?")
        taken.add(letters[label])
    return letters


def plain(text: object) -> str:
    """Make a text out of a header harmless to show: no control or direction characters."""
    return "".join(
        PLACEHOLDER if unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Co") else sign
        for sign in str(text)
    )


def short_names(labels: Sequence[str]) -> dict[str, str]:
    """Leave out what all channels' labels begin and end with: ``EEG Fp1-A1A2`` becomes ``Fp1``.

    Only whole words go: up to a blank at the beginning, from a dash at the end.
    """
    before = {label.partition(" ")[0] if " " in label else "" for label in labels}
    after = {label.rpartition("-")[2] if "-" in label else "" for label in labels}
    start = f"{before.pop()} " if len(before) == 1 else ""
    end = f"-{after.pop()}" if len(after) == 1 else ""
    short = {
        label: label.removeprefix(start if start != " " else "").removesuffix(
            end if end != "-" else ""
        )
        for label in labels
    }
    return (
        short
        if all(short.values()) and len(set(short.values())) == len(short)
        else {label: label for label in labels}
    )


def colour_rules(swatches: Sequence[Swatch]) -> Markup:
    """CSS: a variable and the classes of every label, for light, dark and paper."""
    light = "".join(f"--k{swatch.slot}:{swatch.light};" for swatch in swatches)
    dark = "".join(f"--k{swatch.slot}:{swatch.dark};" for swatch in swatches)
    classes = "".join(
        f".k{slot}{{background:var(--k{slot});color:var(--on-hue)}}"
        f".f{slot}{{fill:var(--k{slot})}}"
        f".t{slot}{{fill:var(--k{slot});fill-opacity:.16;stroke:var(--k{slot})}}"
        for slot in (swatch.slot for swatch in swatches)
    )
    return Markup(  # noqa: S704 - built from our own constants only
        f":root{{--on-hue:#ffffff;{light}}}"
        f"@media screen and (prefers-color-scheme:dark){{:root{{--on-hue:#12191d;{dark}}}}}"
        f"{classes}"
    )


def hatchings(swatches: Sequence[Swatch]) -> Markup:
    """One hidden drawing that defines two patterns for every label.

    ``#h<slot>`` hatches in the label's hue, ``#c<slot>`` cuts the hatching out of a filled bar.
    """
    patterns = "".join(
        f'<pattern id="{name}{swatch.slot}" width="6" height="6" patternUnits="userSpaceOnUse">'
        f"{_TILES[swatch.pattern].format(ink=ink)}</pattern>"
        for swatch in swatches
        for name, ink in (("h", f"var(--k{swatch.slot})"), ("c", "var(--page)"))
    )
    return Markup(  # noqa: S704 - built from our own constants only
        '<svg width="0" height="0" style="position:absolute" aria-hidden="true">'
        f"<defs>{patterns}</defs></svg>"
    )


def legend(swatches: Sequence[Swatch]) -> Markup:
    """Letter, hatching and name of every label in one line."""
    items = Markup("").join(
        Markup("<li>{} {} {}</li>").format(swatch.chip, swatch.sample, escape(plain(swatch.label)))
        for swatch in swatches
    )
    return Markup('<ul class="legend">{}</ul>').format(items)
