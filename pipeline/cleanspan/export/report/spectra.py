"""Power density of the channels over frequency, with mains marked."""

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from cleanspan.export.report.palette import plain

WIDTH, HEIGHT = 620.0, 400.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 54.0, 74.0, 22.0, 40.0
_NAMED = 3
_DASHES = ("", "7 3", "2 3")
_FLOOR_UV2_HZ = 1e-4

Numbers = npt.NDArray[np.float64]


def spectra_drawing(
    frequency_hz: Numbers,
    density_uv2_hz: Numbers,
    *,
    names: Sequence[str],
    mains_hz: float | None,
) -> Markup:
    """Draw all channels thinly, their median boldly, and name those that differ most from it.

    Parameters
    ----------
    frequency_hz : ndarray of shape (n_frequencies,)
    density_uv2_hz : ndarray of shape (n_channels, n_frequencies), µV²/Hz
    names : sequence of str
        The channels' labels.
    mains_hz : float or None
        Marked with its harmonics where given.
    """
    shown = (frequency_hz >= 0.5) & (frequency_hz <= 125)
    frequency_hz = frequency_hz[shown]
    log_density = np.log10(np.maximum(density_uv2_hz[:, shown], _FLOOR_UV2_HZ))
    finite = np.asarray(np.isfinite(log_density).all(axis=1), dtype=bool)
    names = [name for name, keep in zip(names, finite.tolist(), strict=True) if keep]
    log_density = log_density[finite]
    if not len(log_density) or len(frequency_hz) < 2:
        return Markup("<p>No spectrum could be computed.</p>")
    low = math.floor(float(np.percentile(log_density, 0.5)))
    high = max(low + 1, math.ceil(float(log_density.max())))
    x = _LEFT + (WIDTH - _LEFT - _RIGHT) * frequency_hz / frequency_hz[-1]
    y = _TOP + (HEIGHT - _TOP - _BOTTOM) * (high - np.maximum(log_density, low)) / (high - low)
    median = np.median(y, axis=0)
    return Markup(
        '<svg class="spectra" viewBox="0 0 {} {}" role="img" '
        'aria-label="Power density of the channels">{}{}{}{}<path class="median" d="{}"/></svg>'
    ).format(
        f"{WIDTH:g}",
        f"{HEIGHT:g}",
        _axes(float(frequency_hz[-1]), low, high),
        _mains(mains_hz, float(frequency_hz[-1])),
        Markup('<path class="each" d="{}"/>').format("".join(_line(x, row) for row in y)),
        _outstanding(x, y, log_density, names)
        + _at_mains(x, y, log_density, names, frequency_hz, mains_hz),
        _line(x, median),
    )


def _line(x: Numbers, y: Numbers) -> str:
    """Write one line as a path."""
    points = " ".join(f"{a:.0f} {b:.0f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))
    return f"M{points}"


def _outstanding(x: Numbers, y: Numbers, log_density: Numbers, names: Sequence[str]) -> Markup:
    """Draw and name the channels that lie furthest from the median of all."""
    distance = np.abs(log_density - np.median(log_density, axis=0)).mean(axis=1)
    rows = [int(row) for row in np.argsort(distance)[::-1][:_NAMED] if distance[row] > 0.3]
    rows.sort(key=lambda row: float(y[row, -1]))
    drawn = []
    at = -math.inf
    for number, row in enumerate(rows):
        at = max(float(y[row, -1]) + 4, at + 15)
        drawn.append(
            Markup(
                '<path class="named" stroke-dasharray="{}" d="{}"/><text x="{}" y="{}">{}</text>'
            ).format(
                _DASHES[number],
                _line(x, y[row]),
                f"{WIDTH - _RIGHT + 6:.0f}",
                f"{at:.0f}",
                plain(names[row])[:10],
            )
        )
    return Markup("").join(drawn)


def _at_mains(
    x: Numbers,
    y: Numbers,
    log_density: Numbers,
    names: Sequence[str],
    frequency_hz: Numbers,
    mains_hz: float | None,
) -> Markup:
    """Name the channels whose mains peak stands far above the median's."""
    if mains_hz is None or mains_hz > frequency_hz[-1]:
        return Markup("")
    column = int(np.argmin(np.abs(frequency_hz - mains_hz)))
    peak = log_density[:, column] - np.median(log_density[:, column])
    rows = [int(row) for row in np.argsort(peak)[::-1][:_NAMED] if peak[row] > 1.0]
    if not rows:
        return Markup("")
    said = ", ".join(plain(names[row])[:10] for row in rows)
    return Markup('<text x="{}" y="{}">{}</text>').format(
        f"{x[column] + 7:.0f}", f"{float(y[rows[0], column]) + 9:.0f}", said
    )


def _mains(mains_hz: float | None, highest_hz: float) -> Markup:
    """Mark mains and its harmonics."""
    if mains_hz is None:
        return Markup("")
    drawn = []
    for times in range(1, int(highest_hz / mains_hz) + 1):
        at = _LEFT + (WIDTH - _LEFT - _RIGHT) * mains_hz * times / highest_hz
        drawn.append(
            Markup(
                '<path class="mains" d="M{0} {1}V{2}"/>'
                '<text class="mid" x="{0}" y="{3}">{4}</text>'
            ).format(
                f"{at:.1f}",
                f"{_TOP:g}",
                f"{HEIGHT - _BOTTOM:g}",
                f"{_TOP - 7:g}",
                f"mains {mains_hz:g} Hz" if times == 1 else f"×{times}",
            )
        )
    return Markup("").join(drawn)


def _axes(highest_hz: float, low: int, high: int) -> Markup:
    """Rule and number both axes; density is on a logarithmic axis."""
    drawn = []
    step_hz = next(s for s in (5, 10, 20, 25, 50) if highest_hz / s <= 9 or s == 50)
    for hz in range(0, int(highest_hz) + 1, step_hz):
        at = _LEFT + (WIDTH - _LEFT - _RIGHT) * hz / highest_hz
        drawn.append(
            Markup(
                '<path class="rule" d="M{0} {1}V{2}"/><text class="mid" x="{0}" y="{3}">{4}</text>'
            ).format(
                f"{at:.1f}", f"{_TOP:g}", f"{HEIGHT - _BOTTOM:g}", f"{HEIGHT - _BOTTOM + 16:g}", hz
            )
        )
    for power in range(low, high + 1, max(1, (high - low) // 6)):
        at = _TOP + (HEIGHT - _TOP - _BOTTOM) * (high - power) / (high - low)
        drawn.append(
            Markup(
                '<path class="rule" d="M{0} {1}H{2}"/><text class="end" x="{3}" y="{4}">{5}</text>'
            ).format(
                f"{_LEFT:g}",
                f"{at:.1f}",
                f"{WIDTH - _RIGHT:g}",
                f"{_LEFT - 7:g}",
                f"{at + 4:.1f}",
                f"{10.0**power:g}",
            )
        )
    drawn.append(
        Markup(
            '<text class="mid" x="{}" y="{}">Frequency, Hz</text>'
            '<text class="mid" transform="translate(13 {}) rotate(-90)">Density, µV²/Hz</text>'
        ).format(
            f"{(WIDTH - _RIGHT + _LEFT) / 2:g}",
            f"{HEIGHT - 6:g}",
            f"{(HEIGHT - _BOTTOM + _TOP) / 2:g}",
        )
    )
    return Markup("").join(drawn)
