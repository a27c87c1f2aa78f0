"""Every feature the classifier may see: its name, unit, meaning and source, in one table.

Window features describe one channel-window; event features describe one possible blink as seen
on one channel. A feature that a recording cannot show is NaN, never zero.
"""

from dataclasses import dataclass

FEATURE_VERSION = 9
"""Raised when a feature's value changes for the same samples: models name the one they know."""

FEWEST_COMPARED = 6
"""Of fewer channels none is told from the rest: a blink at the one frontal electrode of three is
explained by nothing, and passed for lost contact (four open recordings cut down to 2-5 channels).
How many are missing is told instead, or a model takes so small a cap for a large one.
"""

COMMON = "common practice"
HJORTH = "Hjorth 1970, Electroencephalogr Clin Neurophysiol 29:306"
WELCH = "Welch 1967, IEEE Trans Audio Electroacoust 15:70; Hann window as in Harris 1978"
MUSCLE = "muscle 20-300 Hz: Muthukumaraswamy 2013, Front Hum Neurosci 7:138"
MULTIPLE = "1 - R²: Marquardt 1970, Technometrics 12:591; ridge: Hoerl & Kennard 1970, 12:55"
DISTANCE = "electrical distance: Tenke & Kayser 2001, Clin Neurophysiol 112:545"


@dataclass(frozen=True, slots=True)
class Feature:
    """One named column of the feature table."""

    name: str
    unit: str
    meaning: str
    source: str


SPECTRAL = (
    Feature("band_1_4", "log10 µV²/Hz", "mean density 1-4 Hz", WELCH),
    Feature("band_4_8", "log10 µV²/Hz", "mean density 4-8 Hz", WELCH),
    Feature("band_8_13", "log10 µV²/Hz", "mean density 8-13 Hz", WELCH),
    Feature("band_13_20", "log10 µV²/Hz", "mean density 13-20 Hz", WELCH),
    Feature("band_20_30", "log10 µV²/Hz", "mean density 20-30 Hz", MUSCLE),
    Feature("band_30_45", "log10 µV²/Hz", "mean density 30-45 Hz", MUSCLE),
    Feature("band_65_78", "log10 µV²/Hz", "mean density 65-78 Hz", MUSCLE),
    Feature(
        "mains_50", "log10 ratio", "rms at 50 ± 2 Hz above the floor, against 1-40 Hz rms", COMMON
    ),
    Feature(
        "mains_60", "log10 ratio", "rms at 60 ± 2 Hz above the floor, against 1-40 Hz rms", COMMON
    ),
    Feature("mains_50_rms", "log10 µV", "rms at 50 ± 2 Hz above the floor", COMMON),
    Feature("mains_60_rms", "log10 µV", "rms at 60 ± 2 Hz above the floor", COMMON),
    Feature("slope_low", "log10 per octave", "fall of density from 1-4 to 20-30 Hz", COMMON),
    Feature("slope_high", "log10 per octave", "fall of density from 20-30 to 65-78 Hz", MUSCLE),
    Feature("edge", "Hz", "frequency below which 90 % of the 1-45 Hz power lies", COMMON),
    Feature(
        "flatness", "log10 ratio", "geometric against arithmetic mean density, 20-45 Hz", COMMON
    ),
)

STATISTICAL = (
    Feature("rms", "log10 µV", "standard deviation", COMMON),
    Feature("peak_to_peak", "log10 µV", "largest minus smallest sample", COMMON),
    Feature("skewness", "cube root", "third standardised moment", COMMON),
    Feature("kurtosis", "log10", "fourth standardised moment", COMMON),
    Feature("line_length", "log10 µV/s", "sum of absolute steps in a second", COMMON),
    Feature("mobility", "Hz", "Hjorth's mobility as a frequency", HJORTH),
    Feature("complexity", "ratio", "Hjorth's complexity", HJORTH),
    Feature("busiest_length", "log10 µV/s", "line length of the busiest quarter-second", COMMON),
    Feature("step", "log10 µV", "largest change within 40 ms", COMMON),
    Feature(
        "lasting_step", "log10 µV", "largest change between neighbouring quarter-seconds", COMMON
    ),
    Feature("flat_share", "share", "eighths of a second whose samples are all equal", COMMON),
    Feature(
        "railed_share", "share", "eighths of a second that touch the amplifier's limits", COMMON
    ),
)

SPATIAL = (
    Feature("neighbour_r", "r", "median correlation with the nearest electrodes", COMMON),
    Feature("neighbour_r_best", "r", "best correlation with one of them", COMMON),
    Feature(
        "neighbour_r_fast", "r", "the same median after differencing (weights 4-20 Hz)", COMMON
    ),
    Feature("neighbour_r_fast_best", "r", "the same best after differencing", COMMON),
    Feature("neighbour_r_slowest", "r", "the same median of what lies below 6 Hz", MUSCLE),
    Feature("neighbour_r_slowest_best", "r", "the same best of what lies below 6 Hz", MUSCLE),
    Feature(
        "distance_best", "log10 µV", "rms of the difference to the most alike neighbour", DISTANCE
    ),
    Feature(
        "distance_mid", "log10 µV", "median rms of the difference to the neighbours", DISTANCE
    ),
    Feature("slow_size", "log10 ratio", "rms below 25 Hz against the median channel", COMMON),
    Feature(
        "step_alone",
        "log10 µV",
        "largest change in 40 ms after the neighbours' mean is taken away",
        COMMON,
    ),
    Feature(
        "step_lead", "log10 ratio", "that change against the largest among the neighbours", COMMON
    ),
    Feature(
        "jump_crest",
        "log10 ratio",
        "largest change in 20 ms against the rms change, the neighbours' mean taken away",
        COMMON,
    ),
    Feature(
        "jump_balance",
        "share",
        "how much of that change is not taken back as fast: 0 for a spike, near 1 for a step",
        COMMON,
    ),
    Feature(
        "common_r", "r", "median over channels of the correlation with the mean of all", COMMON
    ),
    Feature("others_r", "r", "median of neighbour_r over the channels", COMMON),
    Feature("others_r_slowest", "r", "median of neighbour_r_slowest over the channels", COMMON),
    Feature("common_rms", "log10 µV", "median rms over the channels", COMMON),
    Feature(
        "common_share",
        "log10 ratio",
        "rms of the mean of all channels against the median rms after it is taken away",
        COMMON,
    ),
    Feature(
        "level_alone",
        "log10 µV",
        "mean after the neighbours' is taken away, as far as it stands out from before and after",
        COMMON,
    ),
    Feature(
        "fast_size",
        "log10 ratio",
        "30-45 Hz density against the quiet quarter of the channels",
        MUSCLE,
    ),
    Feature(
        "faster_size",
        "log10 ratio",
        "65-78 Hz density against the quiet quarter of the channels",
        MUSCLE,
    ),
)

WHOLE_HEAD = (
    Feature(
        "unexplained",
        "log10 share",
        "variance that no mixture of the other channels explains, over 5 s",
        MULTIPLE,
    ),
    Feature("unexplained_fast", "log10 share", "the same after differencing", MULTIPLE),
    Feature("unexplained_slowest", "log10 share", "the same of what lies below 6 Hz", MULTIPLE),
    Feature("others_unexplained", "log10 share", "its median over the channels", COMMON),
    Feature("others_unexplained_fast", "log10 share", "the same after differencing", COMMON),
    Feature(
        "others_unexplained_slowest", "log10 share", "the same of what lies below 6 Hz", COMMON
    ),
    Feature(
        "shared",
        "log10 ratio",
        "rms of the median over all channels against what the median channel has besides, 5 s",
        COMMON,
    ),
    Feature("shared_fast", "log10 ratio", "the same after differencing", COMMON),
    Feature(
        "uneven",
        "log10",
        "median distance from 1 of the gains with which the channels have that median, 5 s",
        COMMON,
    ),
    Feature("uneven_fast", "log10", "the same after differencing", COMMON),
    Feature(
        "few_channels", "log2 ratio", "six against the channels there are; 0 from six on", COMMON
    ),
)


def _sudden(rest: str) -> tuple[Feature, Feature]:
    """Describe what is sudden in one view of the channels."""
    meaning = (
        f"snap_{rest} less the larger change just before or just after: a step's, not a slope's"
    )
    return (
        Feature(f"sudden_{rest}", "log10 µV", meaning, COMMON),
        Feature(f"sudden_{rest}_crest", "log10 ratio", "that against the median change", COMMON),
    )


SNAPS = (
    Feature(
        "snap_alone",
        "log10 µV",
        "largest change in 12 ms after the neighbours' mean is taken away",
        COMMON,
    ),
    Feature("snap_alone_crest", "log10 ratio", "that change against the median change", COMMON),
    Feature(
        "snap_alone_lead",
        "log10 ratio",
        "that change against the largest among the neighbours",
        COMMON,
    ),
    Feature(
        "snap_alone_balance",
        "share",
        "how much of it is not taken back as fast: 0 for a spike, near 1 for a step",
        COMMON,
    ),
    Feature(
        "snap_apart",
        "log10 µV",
        "largest change in 12 ms after the median over all channels is taken away",
        COMMON,
    ),
    Feature("snap_apart_crest", "log10 ratio", "that change against the median change", COMMON),
    Feature("snap_apart_balance", "share", "how much of it is not taken back as fast", COMMON),
    *_sudden("alone"),
    *_sudden("apart"),
    Feature(
        "level_apart",
        "log10 µV",
        "mean after the median over all channels is taken away, as far as it stands out from "
        "before and after",
        COMMON,
    ),
    Feature(
        "snap_common",
        "log10 µV",
        "largest change in 12 ms of the median of all channels",
        COMMON,
    ),
    Feature("snap_common_crest", "log10 ratio", "that change against the median change", COMMON),
    Feature("snap_common_balance", "share", "how much of it is not taken back as fast", COMMON),
    *_sudden("common"),
    Feature(
        "level_common",
        "log10 µV",
        "mean of the median over all channels, as far as it stands out from before and after",
        COMMON,
    ),
)

RAW_FEATURES = SPECTRAL + STATISTICAL + SPATIAL + WHOLE_HEAD + SNAPS
RAW_NAMES = tuple(feature.name for feature in RAW_FEATURES)

AMONG_QUIET = ("fast_size", "faster_size")
"""Features that compare a channel with the quiet ones, itself included: 0 where it is alone."""
COMPARED = tuple(
    feature.name
    for feature in SPATIAL + WHOLE_HEAD + SNAPS
    if feature.name not in (*AMONG_QUIET, "few_channels")
)
"""Features that compare a channel with others: unknown where there is nothing to compare with."""

BASELINED = (
    "rms", "band_1_4", "band_8_13", "band_20_30", "band_30_45", "band_65_78", "step",
    "distance_mid", "step_alone", "busiest_length", "common_share", "shared", "shared_fast",
    "uneven_fast",
)  # fmt: skip
"""Features of which the distance to the channel's own middle is a feature too."""

MIDDLES = (
    "band_20_30", "band_30_45", "band_65_78", "slope_high", "rms", "fast_size", "faster_size",
    "neighbour_r", "neighbour_r_best", "neighbour_r_fast", "neighbour_r_fast_best",
    "distance_best", "slow_size", "mobility", "unexplained", "unexplained_fast",
    "unexplained_slowest",
)  # fmt: skip
"""Features of which the channel's middle over the whole recording is a feature too."""

SMOOTHED = (
    "band_20_30", "band_30_45", "band_65_78", "fast_size", "faster_size", "neighbour_r",
    "neighbour_r_best", "neighbour_r_fast", "neighbour_r_fast_best", "neighbour_r_slowest",
    "neighbour_r_slowest_best", "rms", "distance_best", "slow_size", "common_r",
    "others_r", "others_r_slowest",
)  # fmt: skip
"""Features of which the mean over the surrounding seconds is a feature too."""

SMOOTH_S = 8.0
"""Length of those surroundings, s."""

OUTSTANDING = ("level_alone", "level_apart", "level_common")
"""Features that are measured in µV and turned into what stands out when context is known: what
creeps back after a pop lies off the seconds before and the seconds after, drift lies between."""

OUTSTANDING_S = (1.0, 4.0)
"""How far away those seconds begin and end, s."""

NEAR = (
    "step_alone", "step_lead", "jump_crest", "snap_alone", "snap_alone_crest", "snap_alone_lead",
    "snap_apart", "snap_apart_crest", "sudden_alone", "sudden_apart", "sudden_apart_crest",
    "sudden_common", "sudden_common_crest",
)  # fmt: skip
"""Features of which the largest value just before, and just before and after, are features too:
what creeps back after a pop is told from drift by the jump before it."""

NEAR_S = 2.0
"""How far that reaches, s."""

_BY_NAME = {feature.name: feature for feature in RAW_FEATURES}


def _of_each(names: tuple[str, ...], ending: str, meaning: str) -> tuple[Feature, ...]:
    """Features made of others: `{}` in the meaning stands for the other's name."""
    return tuple(
        Feature(f"{name}_{ending}", _BY_NAME[name].unit, meaning.format(name), COMMON)
        for name in names
    )


CONTEXT = (
    tuple(
        Feature(f"{name}_above", "log10 ratio", f"{name} above the channel's own middle", COMMON)
        for name in BASELINED
    )
    + _of_each(MIDDLES, "middle", "{}, the channel's middle")
    + _of_each(SMOOTHED, "around", f"{{}}, mean over {SMOOTH_S:g} s")
    + _of_each(NEAR, "before", f"{{}}, largest of this and the windows of {NEAR_S:g} s before")
    + _of_each(NEAR, "near", f"{{}}, largest of the windows within {NEAR_S:g} s")
    + (
        Feature(
            "mains", "log10 ratio", "mains_50 or mains_60, whichever the recording shows", COMMON
        ),
        Feature("mains_around", "log10 ratio", f"the same over {SMOOTH_S:g} s", COMMON),
        Feature("mains_middle", "log10 ratio", "the same, the channel's middle", COMMON),
        Feature("mains_rms", "log10 µV", "its rms", COMMON),
        Feature(
            "hum_above",
            "log10 ratio",
            "mains above the channel's own middle, both taken as 35 % at least",
            COMMON,
        ),
    )
)

WINDOW_FEATURES = RAW_FEATURES + CONTEXT
WINDOW_NAMES = tuple(feature.name for feature in WINDOW_FEATURES)

BLINK = "blink shape and topography: Bentivoglio et al. 1997, Mov Disord 12:1028; common practice"

EVENT_FEATURES = (
    Feature("lead_height", "log10 µV", "prominence on the most frontal channels", BLINK),
    Feature(
        "lead_height_above", "log10 ratio", "that against the channel's own slow activity", BLINK
    ),
    Feature("lead_width", "log10 s", "width at half prominence", BLINK),
    Feature("lead_rise", "log10 s", "from 20 % of the height to the peak", BLINK),
    Feature("lead_fall", "log10 s", "from the peak to 20 % of the height", BLINK),
    Feature(
        "lead_balance",
        "log10 ratio",
        "smaller against larger height of the left and right lead",
        BLINK,
    ),
    Feature("lead_alike", "r", "correlation of the left and right lead during the event", BLINK),
    Feature(
        "after_swing", "ratio", "lowest point in the half second after, against the height", BLINK
    ),
    Feature(
        "before_swing",
        "ratio",
        "lowest point in the half second before, against the height",
        BLINK,
    ),
    Feature(
        "stays_up", "ratio", "level half a second after minus before, against the height", BLINK
    ),
    Feature(
        "busy", "log10 ratio", "slow activity in the seconds around, against the height", COMMON
    ),
    Feature("alpha_share", "share", "8-13 Hz part of the slow activity around", COMMON),
    Feature("frontal_share", "ratio", "projection on the frontal row behind the leads", BLINK),
    Feature("central_share", "ratio", "projection on the central row", BLINK),
    Feature("posterior_share", "ratio", "projection on the parietal and occipital rows", BLINK),
    Feature("lateral_turn", "ratio", "difference of the projections on F7 and F8", BLINK),
    Feature(
        "shape_match", "r", "correlation with a half-sine lid closure of the same width", BLINK
    ),
    Feature("crowd", "count", "other candidates of half the height within 0.6 s", COMMON),
    Feature("own_height", "log10 µV", "height on this channel by projection", BLINK),
    Feature("own_share", "ratio", "projection of the lead on this channel", BLINK),
    Feature("own_alike", "r", "correlation of this channel with the lead", BLINK),
    Feature(
        "own_height_above",
        "log10 ratio",
        "height on this channel against its slow activity",
        BLINK,
    ),
    Feature("own_frontness", "unit sphere", "how far forward this electrode sits", COMMON),
    Feature("is_lead", "0 or 1", "whether this channel is one of the leads", COMMON),
)
EVENT_NAMES = tuple(feature.name for feature in EVENT_FEATURES)
