"""The head from above, nose up, with something drawn at each electrode."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from cleanspan.export.report.palette import plain
from cleanspan.export.report.strip import percent
from cleanspan.recording.electrodes import position, positions

RADIUS = 223.0
"""Drawing units from the vertex to the skull's outline."""
RING = 0.8
"""How far out the ring through Fpz, T7, Oz and T8 lies."""
_EDGE = 236.0
_WIDEST = 46.0


@dataclass(frozen=True, slots=True)
class Gauge:
    """What is drawn at one electrode.

    Attributes
    ----------
    name : str
        The channel's label in the recording.
    electrode : str
        10-10 name in the newer spelling.
    shares : tuple of float
        One bar each, 0 (empty) to 1 (full), in order of time; NaN leaves its place empty.
    alarm : bool
        Whether to draw the eye to it.
    """

    name: str
    electrode: str
    shares: tuple[float, ...]
    alarm: bool = False


def place(electrode: str) -> tuple[float, float] | None:
    """Find where an electrode is drawn.

    Azimuthal equidistant projection: the angle from the vertex becomes the distance from the
    middle.

    Returns
    -------
    tuple of float or None
        x to the right and y down, 1 at the skull's outline; None where the name is unknown.
    """
    if electrode not in positions():
        return None
    right, front, up = position(electrode)
    flat = math.hypot(right, front)
    if flat < 1e-9:
        return 0.0, 0.0
    reach = RING * math.acos(max(-1.0, min(1.0, up))) / (math.pi / 2)
    return right / flat * reach, -front / flat * reach


def head_drawing(gauges: Sequence[Gauge], *, title: str) -> Markup:
    """Draw gauges on the head; those without a known place stand below it.

    Parameters
    ----------
    gauges : sequence of Gauge
    title : str
        Read out by screen readers.
    """
    placed = [(gauge, spot) for gauge in gauges if (spot := place(gauge.electrode)) is not None]
    others = [gauge for gauge in gauges if place(gauge.electrode) is None]
    spots = [(x * RADIUS, y * RADIUS) for _, (x, y) in placed]
    width = min(_WIDEST, 0.8 * _nearest(spots))
    pitch = max([1.5 * width, *(_text_width(gauge, width) + 6 for gauge in others)])
    columns = max(1, int(2 * _EDGE // pitch))
    spots += [
        (
            -_EDGE + pitch * (0.5 + number % columns),
            _EDGE + 30 + 1.6 * width * (number // columns),
        )
        for number in range(len(others))
    ]
    bottom = max([_EDGE + 4, *(y + width for _, y in spots)])
    drawn = Markup("").join(
        _gauge(gauge, x, y, width)
        for gauge, (x, y) in zip([gauge for gauge, _ in placed] + others, spots, strict=True)
    )
    return Markup(
        '<svg class="head" viewBox="{0} {0} {1} {2}" role="img" aria-label="{3}">{4}{5}</svg>'
    ).format(
        -_EDGE - 6, 2 * _EDGE + 12, f"{bottom + _EDGE + 8:.0f}", plain(title), _outline(), drawn
    )


def _text_width(gauge: Gauge, width: float) -> float:
    """Estimate how wide a gauge's name is: letters are about 0.6 of their height wide."""
    return 0.6 * _text_size(width) * len(_written(gauge))


def _text_size(width: float) -> float:
    return max(6.0, 0.31 * width)


def _written(gauge: Gauge) -> str:
    return gauge.electrode or gauge.name


def _nearest(spots: Sequence[tuple[float, float]]) -> float:
    """Compute the least distance between two places."""
    return min(
        (math.dist(a, b) for i, a in enumerate(spots) for b in spots[:i] if a != b),
        default=2 * _WIDEST,
    )


def _outline() -> Markup:
    """Draw skull, nose and ears."""
    return Markup(
        '<g class="skull"><path d="M-24 -221L0 -239L24 -221"/>'
        '<path d="M-221 -30q-15 4 -13 30q-2 26 13 30M221 -30q15 4 13 30q2 26 -13 30"/>'
        '<circle r="223"/></g>'
    )


def _gauge(gauge: Gauge, x: float, y: float, width: float) -> Markup:
    """Draw one electrode's bars and name."""
    height = 0.5 * width
    step = width / max(1, len(gauge.shares))
    bars = "".join(
        f"M{step * number + 0.08 * step:.1f} {height:.1f}v-{height * share:.1f}"
        f"h{0.84 * step:.1f}v{height * share:.1f}z"
        for number, share in enumerate(gauge.shares)
        if share > 0
    )
    told = ", ".join(percent(share) for share in gauge.shares)
    return Markup(
        '<g class="gauge{}" transform="translate({} {})"><title>{}: {}</title>'
        '<rect width="{}" height="{}"/><path d="{}"/>'
        '<text x="{}" y="{}" font-size="{}">{}</text></g>'
    ).format(
        " alarm" if gauge.alarm else "",
        f"{x - width / 2:.1f}",
        f"{y - 0.2 * width:.1f}",
        plain(gauge.name),
        told,
        f"{width:.1f}",
        f"{height:.1f}",
        bars,
        f"{width / 2:.1f}",
        f"{-0.12 * width:.1f}",
        f"{_text_size(width):.1f}",
        plain(_written(gauge)),
    )
