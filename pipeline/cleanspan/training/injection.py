"""Faults injected into real recordings: a second truth beside simulation.

The recording stays as it is around them, so a model meets real brains, real blinks and real
noise next to faults whose extent is known exactly.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from cleanspan.training.simulator.contact import floating, popping
from cleanspan.training.simulator.mains import mains_phase
from cleanspan.training.simulator.noise import gate, log_uniform, power_law, shaped_noise
from cleanspan.training.simulator.overlay import (
    Samples,
    Target,
    add_blink,
    add_mains,
    add_muscle,
    nearest_first,
)
from cleanspan.training.simulator.truth import POP_GAP_S, UNSURE, Span
from cleanspan.types import BLINK, CONTACT_LOSS, LINE_NOISE, MUSCLE

CONTACT_KINDS = ("flat", "railed", "floating", "popping", "reference lost")
PULLS = ("pulling", "reference pulled")
"""Pops the other way round: it creeps away, as a cable tightens or a sponge peels off, and snaps
back (common practice)."""
KINDS = (*CONTACT_KINDS, *PULLS, MUSCLE, BLINK, LINE_NOISE)
WHOLE = {"flat": 0.3, "railed": 0.3, "floating": 0.45, "reference lost": 0.15, LINE_NOISE: 0.15}
"""How often a fault lasts from start to end: what never touched the skin."""
LENGTHS_S = {MUSCLE: (0.3, 6.0), BLINK: (0.3, 0.6), LINE_NOISE: (0.7, 25.0)}
"""How long they last; the others from 0.7 s on."""
MOST = 0.9
"""Share of the recording that a fault lasts at most where it begins or ends within: an electrode
that fell off early must not be taken for a good one that stood out at first."""
TOGETHER = {"flat": 0.1, "railed": 0.1, "floating": 0.2, "popping": 0.25, "pulling": 0.25}
"""How often neighbouring electrodes go at once: a pull at the cables, a cap that slides."""
TOGETHER_DEG = 50.0
"""How far apart such electrodes may sit: the nearest in a 10-20 cap are 30 to 45 degrees away."""
CLIP_POPS = 0.4
"""How often a loose ear clip pops rather than floats (common practice)."""
CLIP_HUMS = 0.4
"""How often mains come in through a clip that pops, from its first pop to its last (common
practice)."""
CLIP_HUM_RATIO = (1.5, 15.0)
"""Their rms against the median channel's (common practice)."""
AFTER_PULL = 0.15
"""Share of a pull's span that is left for what follows the snap."""
POP_CLEAR, POP_DOUBTFUL = (3.0, 25.0), (1.2, 10.0)
"""Height in robust rms of the channel, and in µV (common practice): what stands out, what may."""


def inject(
    samples_uv: npt.ArrayLike,
    rate_hz: float,
    electrodes: Sequence[str],
    rng: np.random.Generator,
    *,
    kinds: Sequence[str] = CONTACT_KINDS,
    per_minute: float = 3.0,
    together: Mapping[str, float] = TOGETHER,
    limit_uv: float | None = None,
    mains_hz: float = 50.0,
) -> tuple[Samples, list[Span]]:
    """Inject faults at random times and channels.

    Parameters
    ----------
    samples_uv : array_like of shape (n_channels, n_samples), µV
        A recording; it is not changed.
    rate_hz : float
    electrodes : sequence of str
        Names of the channels as they should stand in the spans; 10-10 names are needed for
        blinks and for muscles that reach neighbours (other names: one channel, no blinks).
    rng : numpy.random.Generator
    kinds : sequence of str
        Out of `KINDS`; every one is drawn equally often.
    per_minute : float
        How many faults, at least one.
    together : mapping of str to float
        By kind, how often neighbouring electrodes go at once.
    limit_uv : float or None
        Where a railed channel sits; None takes 1.5 times the largest sample, at least 500 µV.
    mains_hz : float

    Returns
    -------
    samples_uv : ndarray of shape (n_channels, n_samples), float32, µV
    spans : list of Span
        What was injected; ``unsure`` where it may not be seen. What the recording held before is
        for its own labels to say.

    Raises
    ------
    ValueError
        If shapes or kinds do not fit.
    """
    samples = np.array(samples_uv, dtype=np.float32)
    if samples.ndim != 2 or len(samples) != len(electrodes):
        raise ValueError(
            f"samples must have one row for each of {len(electrodes)} electrodes, "
            f"got shape {samples.shape}"
        )
    unknown = sorted(set(kinds) - set(KINDS))
    if unknown or not kinds:
        raise ValueError(f"kinds must be out of {', '.join(KINDS)}, got {', '.join(unknown)}")
    if limit_uv is None:
        limit_uv = max(500.0, 1.5 * float(np.nanmax(np.abs(samples), initial=0.0)))
    target = Target.of(samples, rate_hz, electrodes, limit_uv=limit_uv, mains_hz=mains_hz)
    spans: list[Span] = []
    taken: list[Span] = []
    number = max(1, int(rng.poisson(per_minute * target.duration_s / 60)))
    for kind in rng.choice(list(kinds), size=number):
        new = _inject_one(target, str(kind), rng, taken, together=together.get(str(kind), 0.0))
        spans += new
        taken += [span for span in new if span.label == CONTACT_LOSS]
    return samples, sorted(spans, key=lambda span: (span.onset_s, span.label, span.channels))


def _inject_one(
    target: Target,
    kind: str,
    rng: np.random.Generator,
    taken: Sequence[Span],
    *,
    together: float,
) -> list[Span]:
    """Inject one fault where no contact is lost yet; give up after some tries."""
    most_s = MOST * target.duration_s
    shortest_s, longest_s = LENGTHS_S.get(kind, (0.7, max(most_s, 0.7)))
    for _ in range(20):
        length_s = min(log_uniform(rng, shortest_s, longest_s), most_s)
        if rng.random() < WHOLE.get(kind, 0.0):
            length_s = target.duration_s
        onset_s = float(rng.uniform(0, target.duration_s - length_s))
        whole_head = kind in ("reference lost", "reference pulled", BLINK, LINE_NOISE, MUSCLE)
        row = int(rng.integers(len(target.electrodes)))
        rows = _going_together(target, rng, row, how_often=together)
        who = target.electrodes if whole_head else tuple(target.electrodes[row] for row in rows)
        if any(_overlap(span, onset_s, length_s, who) for span in taken):
            continue
        if len(rows) > 1:
            return _several(target, rng, kind, rows, onset_s, length_s)
        return _CARRY_OUT[kind](target, rng, kind, row, onset_s, length_s)
    return []


def _going_together(
    target: Target, rng: np.random.Generator, row: int, *, how_often: float
) -> tuple[int, ...]:
    """Choose the electrodes that one pull reaches: one, or up to three neighbours with it."""
    if rng.random() >= how_often:
        return (row,)
    near = nearest_first(target.electrodes, row, within_deg=TOGETHER_DEG)
    return (row, *near[: int(rng.integers(1, 4))])


def _several(
    target: Target,
    rng: np.random.Generator,
    kind: str,
    rows: Sequence[int],
    onset_s: float,
    duration_s: float,
) -> list[Span]:
    """Inject a fault into neighbours at once, in most cases the same disturbance in each.

    Of pops always: the pull is what they share. Sizes differ (common practice).
    """
    steps = kind in ("popping", "pulling")
    same = steps or (kind == "floating" and rng.random() < 0.5)
    seed = int(rng.integers(2**32))
    spans = []
    for row in rows:
        share = log_uniform(rng, 0.3, 1.5)
        own = np.random.default_rng(seed) if same else rng
        carry_out = _pop if steps else _replace
        spans += carry_out(target, own, kind, row, onset_s, duration_s, share=share)
    return spans


def _overlap(span: Span, onset_s: float, duration_s: float, channels: Sequence[str]) -> bool:
    together = span.onset_s < onset_s + duration_s and onset_s < span.onset_s + span.duration_s
    return together and bool(set(span.channels) & set(channels))


def _replace(
    target: Target,
    rng: np.random.Generator,
    kind: str,
    row: int,
    onset_s: float,
    duration_s: float,
    *,
    share: float = 1.0,
) -> list[Span]:
    """Replace one channel: flat, railed, floating; this share of a floating one's usual size."""
    piece = target.piece(onset_s, duration_s)
    length = piece.stop - piece.start
    own = target.samples[row, piece]
    if kind == "flat":
        level = rng.choice([0.0, float(own[0]), float(rng.normal(0, 20))])
        noise_uv = float(rng.choice([0.0, 0.0, rng.uniform(0.05, 0.8)]))
        new = level + noise_uv * rng.standard_normal(length, dtype=np.float32)
    elif kind == "railed":
        new = _railed(target, rng, length)
    else:
        own_uv = target.level_uv(row)
        amplitude_uv = (
            log_uniform(rng, 0.3, 5.5)
            if rng.random() < 0.3
            else own_uv * share * log_uniform(rng, 0.4, 60)
        )
        noise, hum = floating(
            rng,
            length,
            rate_hz=target.rate_hz,
            amplitude_uv=amplitude_uv,
            mains_hz=target.mains_hz,
        )
        # What is left of the head must stay well below the noise, or the electrode has contact.
        most = 0.06 if amplitude_uv < 1.2 * own_uv else 0.25
        left = float(rng.choice([0.0, rng.uniform(0, most)]))
        new = left * own + _high_passed(target, rng, noise + hum)
    target.samples[row, piece] = new
    return [Span(CONTACT_LOSS, kind, onset_s, duration_s, (target.electrodes[row],))]


def _high_passed(
    target: Target, rng: np.random.Generator, fault_uv: npt.NDArray[np.floating]
) -> npt.NDArray[np.floating]:
    """Pass a fault through an amplifier's high-pass, or not: a step then swings back beyond zero.

    0.05-1 Hz, of first order (common practice).
    """
    from scipy import signal

    if rng.random() < 0.5:
        return fault_uv
    corner_hz = log_uniform(rng, 0.05, 1.0)
    sections = signal.butter(1, corner_hz, "highpass", fs=target.rate_hz, output="sos")
    return np.asarray(signal.sosfilt(sections, fault_uv))


def _railed(target: Target, rng: np.random.Generator, length: int) -> npt.NDArray[np.floating]:
    side = float(rng.choice([-1, 1]))
    strength = float(rng.choice([0.0, rng.uniform(0.05, 1.0) * target.limit_uv]))
    noise = shaped_noise(
        rng, 1, n_samples=length, rate_hz=target.rate_hz, density=power_law(2.0, 0.5)
    )[0]
    if strength and rng.random() < 0.3:
        side, noise = 0.0, 2.5 * noise  # it swings between both limits
    bouncing = side * 1.1 * target.limit_uv + strength * noise
    return np.asarray(np.clip(bouncing, -target.limit_uv, target.limit_uv))


def _pop(
    target: Target,
    rng: np.random.Generator,
    kind: str,
    row: int,
    onset_s: float,
    duration_s: float,
    *,
    whole_head: bool = False,
    share: float = 1.0,
) -> list[Span]:
    """Add pops or pulls; marked while they stand out, doubtful while they may."""
    piece = target.piece(onset_s, duration_s)
    height_uv = share * log_uniform(rng, 60, 1000)
    draw = _pulling if kind in PULLS else popping
    pops = draw(rng, piece.stop - piece.start, rate_hz=target.rate_hz, height_uv=height_uv)
    pops = _high_passed(target, rng, pops)
    # The return must be over at the span's end, or a second step would stand there; a pull must
    # not begin with one either.
    begin_s = 0.0 if kind in PULLS else -1.0
    pops *= gate(
        ((begin_s, duration_s - begin_s),),
        n_samples=pops.size,
        rate_hz=target.rate_hz,
        edge_s=min(0.5, duration_s / 2),
    )
    rows = slice(None) if whole_head else slice(row, row + 1)
    target.samples[rows, piece] += pops
    own_uv = _middle_uv(target) if whole_head else target.level_uv(row)
    doubtful, seen = (
        np.abs(pops) >= max(ratio * own_uv, least_uv)
        for ratio, least_uv in (POP_DOUBTFUL, POP_CLEAR)
    )
    return [
        *_runs(target, seen, piece.start, rows, CONTACT_LOSS, kind, gap_s=1.0),
        # Where it is seen as well, the mark counts, not the doubt.
        *_runs(target, doubtful, piece.start, rows, UNSURE, CONTACT_LOSS, gap_s=POP_GAP_S),
    ]


def _pulling(
    rng: np.random.Generator, n_samples: int, *, rate_hz: float, height_uv: float
) -> npt.NDArray[np.float32]:
    """Creep away and snap back: pops read backwards, with time left to settle."""
    creeping = max(round((1 - AFTER_PULL) * n_samples), 1)
    pulls = np.zeros(n_samples, dtype=np.float32)
    pulls[:creeping] = popping(rng, creeping, rate_hz=rate_hz, height_uv=height_uv)[::-1]
    return pulls


def _runs(
    target: Target,
    seen: npt.NDArray[np.bool_],
    first: int,
    rows: slice,
    label: str,
    kind: str,
    *,
    gap_s: float,
) -> list[Span]:
    """Spans of the samples that are seen, those no further apart than `gap_s` joined."""
    index = np.flatnonzero(seen)
    if not index.size:
        return []
    cuts = np.flatnonzero(np.diff(index) > gap_s * target.rate_hz)
    starts = index[np.concatenate(([0], cuts + 1))]
    stops = index[np.concatenate((cuts, [index.size - 1]))] + 1
    return [
        Span(
            label,
            kind,
            float(first + start) / target.rate_hz,
            max(float(stop - start) / target.rate_hz, 0.1),
            target.electrodes[rows],
        )
        for start, stop in zip(starts, stops, strict=True)
    ]


def _lose_reference(
    target: Target,
    rng: np.random.Generator,
    kind: str,
    row: int,
    onset_s: float,
    duration_s: float,
) -> list[Span]:
    """Add one fault to every channel: an ear clip that floats, one that pops or is pulled."""
    if kind in PULLS:
        return _pop(target, rng, kind, row, onset_s, duration_s, whole_head=True)
    if rng.random() < CLIP_POPS:
        pops = _pop(target, rng, kind, row, onset_s, duration_s, whole_head=True)
        return _hummed_between(target, rng, pops) if rng.random() < CLIP_HUMS else pops
    piece = target.piece(onset_s, duration_s)
    noise, hum = floating(
        rng,
        piece.stop - piece.start,
        rate_hz=target.rate_hz,
        amplitude_uv=_middle_uv(target) * log_uniform(rng, 2, 50) + 6,
        mains_hz=target.mains_hz,
    )
    target.samples[:, piece] += _high_passed(target, rng, noise + hum)
    return [Span(CONTACT_LOSS, kind, onset_s, duration_s, target.electrodes)]


def _hummed_between(target: Target, rng: np.random.Generator, pops: list[Span]) -> list[Span]:
    """Add mains to every channel from the first pop that is seen to the last: one span now."""
    seen = [span for span in pops if span.label == CONTACT_LOSS]
    if not seen or not target.shows_mains:
        return pops
    first_s = min(span.onset_s for span in seen)
    last_s = max(span.onset_s + span.duration_s for span in seen)
    piece = target.piece(first_s, last_s - first_s)
    length = piece.stop - piece.start
    phase = mains_phase(rng, target.mains_hz, n_samples=length, rate_hz=target.rate_hz)
    height_uv = np.sqrt(2) * _middle_uv(target) * log_uniform(rng, *CLIP_HUM_RATIO)
    target.samples[:, piece] += (height_uv * np.sin(phase)).astype(np.float32)
    whole = replace(seen[0], onset_s=first_s, duration_s=last_s - first_s)
    return [whole, *(span for span in pops if span.label != CONTACT_LOSS)]


def _middle_uv(target: Target) -> float:
    """Robust rms of the median channel."""
    return float(np.median([target.level_uv(row) for row in range(len(target.electrodes))]))


_CARRY_OUT = {
    "flat": _replace,
    "railed": _replace,
    "floating": _replace,
    "popping": _pop,
    "reference lost": _lose_reference,
    "pulling": _pop,
    "reference pulled": _lose_reference,
    MUSCLE: add_muscle,
    BLINK: add_blink,
    LINE_NOISE: add_mains,
}
