"""Random scenarios: where every parameter's range comes from stands beside it."""

import numpy as np

from cleanspan.training.simulator.head import positions
from cleanspan.training.simulator.muscle import GROUPS
from cleanspan.training.simulator.noise import log_uniform
from cleanspan.training.simulator.scenario import (
    SYSTEM_10_20,
    Amplifier,
    Brain,
    Burst,
    Eyes,
    Fault,
    FaultKind,
    Mains,
    Muscle,
    ReferenceKind,
    Scenario,
    Spans,
)

_SIXTY_FOUR = tuple(
    name
    for name in positions()
    if name
    not in (
        "A1",
        "A2",
        "M1",
        "M2",
        "F9",
        "F10",
        "TP9",
        "TP10",
        "P9",
        "P10",
        "FT9",
        "FT10",
        "AF1",
        "AF2",
        "AF5",
        "AF6",
        "PO1",
        "PO2",
        "PO5",
        "PO6",
    )
)
_THIRTEEN_MORE = (
    *("FC5", "FC1", "FC2", "FC6", "CP5", "CP1", "CP2", "CP6"),
    *("PO7", "PO8", "Oz", "FT9", "FT10"),
)
MONTAGES: tuple[tuple[float, tuple[str, ...]], ...] = (
    (0.60, SYSTEM_10_20),
    (0.05, ("F3", "F4", "C3", "C4", "P3", "P4", "O1", "O2")),
    (0.04, ("Fz", "Cz", "Pz", "C3", "C4", "P3", "P4", "Oz")),
    (0.04, ("Fp2", "F3", "F4", "T7", "T8", "Pz", "O1", "O2")),
    (0.05, (*SYSTEM_10_20[:2], "Fpz", *SYSTEM_10_20[2:], "Oz")),
    (0.06, tuple(name for name in SYSTEM_10_20 if name not in ("Fz", "Cz", "Pz"))),
    (0.10, (*SYSTEM_10_20, *_THIRTEEN_MORE)),
    (0.06, _SIXTY_FOUR),
)
"""Share of each montage; 19 electrodes of the 10-20 system are commonest (common practice)."""

FOCAL_SITES = ("Cz", "Cz", "Pz", "Fz", "C3", "C4", "P3", "P4", "O1", "O2", "T7", "T8")

RATES_HZ = (125, 128, 160, 200, 250, 256, 500, 512, 1000, 2000)
RATE_SHARES = (0.05, 0.09, 0.10, 0.09, 0.24, 0.19, 0.15, 0.05, 0.03, 0.01)


def _log_normal(
    rng: np.random.Generator, median: float, *, spread: float, low: float, high: float
) -> float:
    return float(np.clip(median * rng.lognormal(0, spread), low, high))


def random_scenario(rng: np.random.Generator, *, duration_s: float = 60.0) -> Scenario:
    """Draw a person, a cap, an amplifier and what goes wrong.

    Parameters
    ----------
    rng : numpy.random.Generator
    duration_s : float
        Length of the recording, at least 5 s.

    Returns
    -------
    Scenario
    """
    shares = np.array([share for share, _ in MONTAGES])
    electrodes = MONTAGES[int(rng.choice(len(MONTAGES), p=shares / shares.sum()))][1]
    # Ear references are commonest with caps for technologists, then average exports, mastoids
    # and Cz (common practice).
    kinds: tuple[ReferenceKind, ...] = ("ears", "average", "mastoids", "Cz")
    reference = kinds[int(rng.choice(4, p=(0.64, 0.12, 0.12, 0.12)))]
    if reference == "Cz":
        electrodes = tuple(name for name in electrodes if name != "Cz")
    mains_hz = float(rng.choice([50.0, 60.0]))
    amplifier = _amplifier(rng, mains_hz)
    brain = _brain(rng)
    eyes = _eyes(rng, duration_s)
    return Scenario(
        duration_s=duration_s,
        electrodes=electrodes,
        reference=reference,
        amplifier=amplifier,
        brain=brain,
        eyes=eyes,
        muscle=_muscle(rng, duration_s),
        mains=_mains(rng, mains_hz, electrodes, duration_s, background_uv=brain.background_uv),
        faults=_faults(rng, duration_s, electrodes, reference, brain.background_uv),
        # R spike in scalp channels against the ears: a few to some tens of µV (from memory).
        heart_uv=_log_normal(rng, 5, spread=0.9, low=0, high=45),
        heart_per_minute=float(rng.uniform(48, 105)),
        sweat_uv=log_uniform(rng, 10, 200) if rng.random() < 0.15 else 0.0,
        movements=_movements(rng, duration_s),
        bridge=_bridge(rng, electrodes),
    )


def _amplifier(rng: np.random.Generator, mains_hz: float) -> Amplifier:
    """Rates, bits and steps of clinical and laboratory amplifiers (common practice)."""
    rate_hz = float(rng.choice(RATES_HZ, p=RATE_SHARES))
    low_pass = (30, 35, 40, 45, 50, 70, 70, 70, 80, 100, 120, 150, 200)
    low_pass_hz = min(float(rng.choice(low_pass)), 0.44 * rate_hz)
    bits = int(rng.choice([12, 14, 16, 16, 16, 22, 24, 24]))
    lsb_uv = {12: (0.25, 1.2), 14: (0.1, 0.5), 16: (0.03, 0.5)}.get(bits, (0.01, 0.05))
    step_uv = log_uniform(rng, *lsb_uv)
    range_uv = min(step_uv * 2 ** (bits - 1), 400_000.0)
    if rng.random() < 0.1:
        # Exports that clip early: blinks lose their tops.
        range_uv = min(range_uv, float(rng.uniform(180, 700)))
    return Amplifier(
        rate_hz=rate_hz,
        bits=bits,
        lsb_uv=step_uv,
        range_uv=range_uv,
        high_pass_hz=float(rng.choice([0.01, 0.05, 0.1, 0.16, 0.3, 0.5, 0.5, 1.0, 1.6, 3.0])),
        high_pass_order=int(rng.choice([1, 1, 1, 2, 4])),
        low_pass_hz=low_pass_hz,
        low_pass_order=int(rng.choice([1, 2, 4, 4, 8])),
        notch_hz=mains_hz if rng.random() < 0.3 else None,
        # Thermal noise of tens of kΩ and the amplifier's own: 0.3-2 µV rms (from memory).
        noise_uv=log_uniform(rng, 0.25, 2.2),
    )


def _brain(rng: np.random.Generator) -> Brain:
    """Background 7-50 µV rms; alpha usually below 50 µV, up to 100 µV peak with eyes closed."""
    background_uv = _log_normal(rng, 18, spread=0.5, low=6, high=50)
    return Brain(
        background_uv=background_uv,
        # 1/f exponents of resting EEG mostly 0.8-2 (from memory).
        slope=float(rng.uniform(1.0, 2.1)),
        knee_hz=log_uniform(rng, 0.3, 2.5),
        shared=float(rng.uniform(0.3, 0.85)),
        alpha_uv=_log_normal(rng, 0.9 * background_uv, spread=0.7, low=1.5, high=45),
        alpha_hz=float(np.clip(rng.normal(10, 0.9), 8, 12.8)),
        alpha_open=float(rng.beta(1.5, 4)),
        alpha_forward=float(rng.uniform(0.1, 0.7)),
        mu_uv=background_uv * log_uniform(rng, 0.05, 0.5),
        theta_uv=background_uv * log_uniform(rng, 0.05, 0.45),
        beta_uv=background_uv * log_uniform(rng, 0.05, 0.45),
        drowsy=float(rng.uniform(0.1, 1)) if rng.random() < 0.3 else 0.0,
        frontal_slow_uv=background_uv * float(rng.uniform(1, 4)) if rng.random() < 0.35 else 0.0,
        # In one of the open recordings 7-11 Hz at Cz alone doubles its rms.
        focal_uv=background_uv * log_uniform(rng, 0.5, 2.5) if rng.random() < 0.3 else 0.0,
        focal_hz=float(rng.uniform(6, 12)),
        focal_at=str(rng.choice(FOCAL_SITES)),
    )


def _eyes(rng: np.random.Generator, duration_s: float) -> Eyes:
    """Open, closed, or alternating. Blink rates: rest 17, reading 4.5, talking 26 a minute.

    Rates after Bentivoglio et al. 1997; heights at Fp1/Fp2 50-300 µV, some people more
    (from memory; medians of 16 recordings of an open data set: 130-690 µV).
    """
    state = rng.choice(["open", "closed", "alternating"], p=[0.45, 0.33, 0.22])
    closed: Spans = ()
    if state == "closed":
        closed = ((0.0, duration_s),)
    elif state == "alternating":
        length_s = float(rng.uniform(0.2, 0.5)) * duration_s
        closed = ((float(rng.uniform(0, duration_s - length_s)), length_s),)
    return Eyes(
        closed=closed,
        blinks_per_minute=_log_normal(rng, 14, spread=0.7, low=1, high=60),
        blink_uv=_log_normal(rng, 170, spread=0.65, low=40, high=750),
        lateral_per_minute=log_uniform(rng, 0.5, 25),
        lateral_uv=_log_normal(rng, 45, spread=0.5, low=12, high=180),
        vertical_per_minute=log_uniform(rng, 0.2, 5),
        rolling_uv=log_uniform(rng, 5, 60) if rng.random() < 0.4 else 0.0,
        flutter_per_minute=2.0 if rng.random() < 0.15 else 0.0,
    )


def _muscle(rng: np.random.Generator, duration_s: float) -> Muscle:
    """Lasting tension in most people, bursts, jaw, chewing, swallowing (common practice)."""
    names = list(GROUPS)
    lasting: list[tuple[str, float]] = []
    if rng.random() < 0.6:
        typical_uv = log_uniform(rng, 2, 30)
        lasting += [
            (str(group), typical_uv * float(rng.lognormal(0, 0.4)))
            for group in rng.choice(names, size=int(rng.integers(1, 6)), replace=False)
        ]
    bursts: list[Burst] = []
    per_minute = log_uniform(rng, 0.3, 14)
    for _ in range(int(rng.poisson(per_minute * duration_s / 60))):
        onset_s = float(rng.uniform(0, duration_s))
        length_s = log_uniform(rng, 0.2, 6)
        height_uv = _log_normal(rng, 35, spread=0.8, low=5, high=250)
        for group in rng.choice(names, size=int(rng.choice([1, 1, 2, 2, 4])), replace=False):
            share = float(rng.uniform(0.4, 1))
            bursts.append(Burst(str(group), onset_s, length_s, height_uv * share))
    if rng.random() < 0.15:
        bursts += _chewing(rng, duration_s)
    return Muscle(tuple(lasting), tuple(bursts))


def _chewing(rng: np.random.Generator, duration_s: float) -> list[Burst]:
    """Jaw bursts at the rhythm of chewing, 1-2 a second (from memory)."""
    now_s = float(rng.uniform(0, max(duration_s - 4, 1)))
    gap_s = 1 / float(rng.uniform(1, 2))
    height_uv = log_uniform(rng, 20, 200)
    bursts = []
    for _ in range(int(rng.integers(3, 14))):
        for side in ("left", "right"):
            share = float(rng.uniform(0.5, 1))
            bursts += [
                Burst(f"{side} {place}", now_s, 0.55 * gap_s, height_uv * share)
                for place in ("jaw", "temple")
            ]
        now_s += gap_s * float(rng.normal(1, 0.08))
    return bursts


def _mains(
    rng: np.random.Generator,
    mains_hz: float,
    electrodes: tuple[str, ...],
    duration_s: float,
    *,
    background_uv: float,
) -> Mains:
    """Line noise on none, one, several or all channels, negligible to dominating.

    In a third of the recordings an appliance is switched on and off again (common practice).
    """
    reach = rng.choice(["none", "one", "several", "all"], p=[0.4, 0.17, 0.18, 0.25])
    level_uv = background_uv * log_uniform(rng, 0.15, 6)
    count = {"none": 0, "one": 1, "several": int(rng.integers(2, max(3, len(electrodes) // 2)))}
    chosen = rng.choice(
        electrodes, size=min(count.get(str(reach), 0), len(electrodes)), replace=False
    )
    return Mains(
        frequency_hz=mains_hz,
        common_uv=level_uv if reach == "all" else log_uniform(rng, 0.02, 1.5),
        channels=tuple((str(name), level_uv * float(rng.lognormal(0, 0.5))) for name in chosen),
        harmonics=log_uniform(rng, 0.02, 0.6),
        drift=float(rng.uniform(0.02, 0.5)),
        spans=_switched(rng, duration_s) if rng.random() < 0.33 else (),
    )


def _switched(rng: np.random.Generator, duration_s: float) -> Spans:
    """One or two spans of five seconds to most of the recording."""
    spans = []
    for _ in range(int(rng.integers(1, 3))):
        length_s = min(log_uniform(rng, 5, 60), 0.8 * duration_s)
        spans.append((float(rng.uniform(0, duration_s - length_s)), length_s))
    return tuple(spans)


def _faults(
    rng: np.random.Generator,
    duration_s: float,
    electrodes: tuple[str, ...],
    reference: str,
    background_uv: float,
) -> tuple[Fault, ...]:
    """Contact faults: none in a third of the recordings, else a few electrodes at most."""
    if rng.random() < 0.35:
        return ()
    most = max(1, len(electrodes) // 5)
    number = int(np.clip(1 + rng.poisson(1.0), 1, most))
    kinds: tuple[FaultKind, ...] = ("floating", "popping", "drying", "flat", "railed")
    faults = []
    for channel in rng.choice(electrodes, size=number, replace=False):
        kind = kinds[int(rng.choice(5, p=(0.38, 0.26, 0.10, 0.15, 0.11)))]
        faults.append(_one_fault(rng, kind, str(channel), duration_s, background_uv))
    if reference != "average" and rng.random() < 0.15:
        length_s = min(log_uniform(rng, 1, 40), 0.8 * duration_s)
        onset_s = float(rng.uniform(0, duration_s - length_s))
        strength = background_uv * log_uniform(rng, 3, 50)
        faults.append(Fault("reference lost", "", onset_s, length_s, strength))
    return tuple(faults)


def _one_fault(
    rng: np.random.Generator,
    kind: FaultKind,
    channel: str,
    duration_s: float,
    background_uv: float,
) -> Fault:
    """Draw when and how strong. Pops are 50-1000 µV (common practice)."""
    whole = rng.random() < {"floating": 0.35, "flat": 0.3, "railed": 0.25}.get(kind, 0.0)
    shortest_s = 8.0 if kind == "drying" else 0.7
    length_s = duration_s if whole else min(log_uniform(rng, shortest_s, 45), 0.9 * duration_s)
    onset_s = 0.0 if whole else float(rng.uniform(0, duration_s - length_s))
    if kind == "popping":
        strength = log_uniform(rng, 40, 1000)
    elif kind == "flat":
        strength = float(rng.choice([0.0, 0.0, rng.uniform(0.05, 0.8)]))
    elif kind == "railed":
        strength = float(rng.choice([0.0, log_uniform(rng, 50, 4000)]))
    elif rng.random() < 0.3:
        strength = log_uniform(rng, 0.3, 5.5)
    else:
        strength = background_uv * log_uniform(rng, 0.4, 60)
    return Fault(kind, channel, onset_s, length_s, strength)


def _movements(rng: np.random.Generator, duration_s: float) -> Spans:
    """Seldom: the head turns or a cable sways for one to five seconds (common practice)."""
    number = int(rng.poisson(0.25 * duration_s / 60))
    return tuple(
        (float(rng.uniform(0, duration_s)), float(rng.uniform(0.8, 5))) for _ in range(number)
    )


def _bridge(rng: np.random.Generator, electrodes: tuple[str, ...]) -> tuple[str, ...]:
    """Two neighbouring electrodes joined by salt water, in one recording out of twenty."""
    if rng.random() > 0.05:
        return ()
    first = str(rng.choice(electrodes))
    here = positions()[first]
    others = [name for name in electrodes if name != first]
    return (first, min(others, key=lambda name: -float(positions()[name] @ here)))
