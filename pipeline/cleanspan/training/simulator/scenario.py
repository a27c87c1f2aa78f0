"""What is to be simulated: a person, a cap, an amplifier, and what goes wrong.

Amplitudes are as seen in the recording (against its reference) unless said otherwise.
"""

from dataclasses import dataclass, field
from typing import Literal

FaultKind = Literal["flat", "railed", "floating", "drying", "popping", "reference lost"]
ReferenceKind = Literal["ears", "mastoids", "Cz", "average"]
Spans = tuple[tuple[float, float], ...]
"""(onset_s, duration_s) pairs."""

SYSTEM_10_20 = (
    *("Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8"),
    *("T7", "C3", "Cz", "C4", "T8"),
    *("P7", "P3", "Pz", "P4", "P8", "O1", "O2"),
)


@dataclass(frozen=True, slots=True)
class Amplifier:
    """How potentials become numbers.

    Attributes
    ----------
    rate_hz : float
    bits : int
        Bits a sample, 12 to 24.
    lsb_uv : float
        Size of one step; 0 derives it from the range.
    range_uv : float
        Samples are clipped at plus and minus this.
    high_pass_hz, low_pass_hz : float
        Corners of the pass band (Butterworth).
    high_pass_order, low_pass_order : int
    notch_hz : float or None
    noise_uv : float
        White noise of the amplifier and the electrodes, rms.
    """

    rate_hz: float = 250.0
    bits: int = 16
    lsb_uv: float = 0.1
    range_uv: float = 3276.7
    high_pass_hz: float = 0.16
    high_pass_order: int = 1
    low_pass_hz: float = 70.0
    low_pass_order: int = 4
    notch_hz: float | None = None
    noise_uv: float = 0.8


@dataclass(frozen=True, slots=True)
class Brain:
    """Background and rhythms; amplitudes are rms at the site of most, in µV.

    Attributes
    ----------
    background_uv : float
        Median over the cap of the background's rms, 0.5-40 Hz.
    slope : float
        Exponent of the background's power density, 1/f^slope.
    knee_hz : float
        Below this the density is flat.
    shared : float
        0 to 1: how much of the background comes from broad sources seen all over the cap.
    alpha_uv, alpha_hz, alpha_open, alpha_forward : float
        Alpha with eyes closed; its frequency; its share with eyes open; its share at the front.
    mu_uv, theta_uv, beta_uv : float
        Central mu, frontal theta, frontal beta.
    drowsy : float
        0 (awake) to 1: how many spindles, vertex waves, K-complexes and slow waves.
    frontal_slow_uv : float
        Peak of slow frontal waves that resemble blinks.
    focal_uv, focal_hz, focal_at : float, float, str
        A rhythm of 6-12 Hz of one small place: it has no like beside it, yet is brain.
    """

    background_uv: float = 15.0
    slope: float = 1.4
    knee_hz: float = 0.7
    shared: float = 0.55
    alpha_uv: float = 20.0
    alpha_hz: float = 10.0
    alpha_open: float = 0.25
    alpha_forward: float = 0.25
    mu_uv: float = 4.0
    theta_uv: float = 4.0
    beta_uv: float = 3.0
    drowsy: float = 0.0
    frontal_slow_uv: float = 0.0
    focal_uv: float = 0.0
    focal_hz: float = 9.0
    focal_at: str = "Cz"


@dataclass(frozen=True, slots=True)
class Eyes:
    """Lids and eyes; amplitudes are peaks at Fp1/Fp2 (blinks) or F7/F8 (lateral), in µV.

    Attributes
    ----------
    closed : tuple of (onset_s, duration_s)
        When the eyes are closed: no ordinary blinks, much alpha.
    blinks_per_minute, blink_uv : float
    lateral_per_minute, lateral_uv : float
    vertical_per_minute : float
    rolling_uv : float
        Slow rolling of the eyes under closed lids.
    flutter_per_minute : float
        Bouts of fluttering lids with eyes closed.
    """

    closed: Spans = ()
    blinks_per_minute: float = 17.0
    blink_uv: float = 150.0
    lateral_per_minute: float = 4.0
    lateral_uv: float = 60.0
    vertical_per_minute: float = 1.0
    rolling_uv: float = 0.0
    flutter_per_minute: float = 0.0


@dataclass(frozen=True, slots=True)
class Burst:
    """One muscle burst: group of muscles, time, rms in µV where it is strongest."""

    group: str
    onset_s: float
    duration_s: float
    amplitude_uv: float


@dataclass(frozen=True, slots=True)
class Muscle:
    """Muscle activity.

    Attributes
    ----------
    lasting : tuple of (group, µV)
        Muscles that are tense all the time, rms where strongest.
    bursts : tuple of Burst
    """

    lasting: tuple[tuple[str, float], ...] = ()
    bursts: tuple[Burst, ...] = ()


@dataclass(frozen=True, slots=True)
class Mains:
    """Line noise; `channels` maps electrodes to the rms of the fundamental in µV.

    `spans` are the times (onset, duration in s) in which it is there; empty: always.
    """

    frequency_hz: float = 50.0
    common_uv: float = 0.3
    channels: tuple[tuple[str, float], ...] = ()
    harmonics: float = 0.15
    drift: float = 0.2
    spans: Spans = ()


@dataclass(frozen=True, slots=True)
class Fault:
    """One contact fault.

    Attributes
    ----------
    kind : str
        ``flat``, ``railed``, ``floating``, ``drying`` (ends floating), ``popping``,
        ``reference lost``.
    channel : str
        Electrode; ``A1``, ``A2`` or both for ``reference lost`` are chosen by the reference.
    onset_s, duration_s : float
    strength : float
        Amplitude in µV of what replaces the brain's signal (noise, steps); 0 for an exact
        constant.
    """

    kind: FaultKind
    channel: str
    onset_s: float
    duration_s: float
    strength: float


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything one simulated recording is drawn from.

    Attributes
    ----------
    heart_uv : float
        Height of the R spike against the reference.
    sweat_uv : float
        Rms of slow swings (below 0.5 Hz) at the electrodes that sweat.
    movements : tuple of (onset_s, duration_s)
        Movements of head and cables.
    bridge : tuple of str
        Two electrodes joined by a salt bridge, or none.
    """

    duration_s: float = 60.0
    electrodes: tuple[str, ...] = SYSTEM_10_20
    reference: ReferenceKind = "ears"
    amplifier: Amplifier = field(default_factory=Amplifier)
    brain: Brain = field(default_factory=Brain)
    eyes: Eyes = field(default_factory=Eyes)
    muscle: Muscle = field(default_factory=Muscle)
    mains: Mains = field(default_factory=Mains)
    faults: tuple[Fault, ...] = ()
    heart_uv: float = 5.0
    heart_per_minute: float = 68.0
    sweat_uv: float = 0.0
    movements: Spans = ()
    bridge: tuple[str, ...] = ()
