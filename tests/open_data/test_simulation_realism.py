"""Simulated recordings beside open ones: spectra, amplitudes, correlations, blinks.

Run this file as a program for the table in the guide:
``python tests/open_data/test_simulation_realism.py``.
"""

import csv
import os
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import edfio
import numpy as np
import pytest
from scipy import signal, stats

from cleanspan.training.simulator import random_scenario, simulate
from cleanspan.training.simulator.scenario import SYSTEM_10_20

_NAMED = os.environ.get("CLEANSPAN_OPEN_DATA")
OPEN_DATA = Path(_NAMED) if _NAMED else Path(__file__).parents[3] / "shared" / "open-data"
pytestmark = pytest.mark.skipif(
    not (OPEN_DATA / "eegmmidb").is_dir(), reason="the open recordings are not here"
)

N_SIMULATED = 60
BANDS_HZ = {
    "0.5-1 Hz": (0.5, 1),
    "1-4 Hz": (1, 4),
    "4-8 Hz": (4, 8),
    "8-13 Hz": (8, 13),
    "13-30 Hz": (13, 30),
    "30-45 Hz": (30, 45),
}
PAIRS = (("F3", "C3"), ("O1", "O2"), ("Fp1", "Fp2"), ("Fp1", "O1"), ("C3", "C4"), ("P3", "P4"))
OLD = {"T3": "T7", "T4": "T8", "T5": "P7", "T6": "P8"}
BY_CAPITALS = {name.upper(): name for name in SYSTEM_10_20}


def read_19(path):
    """(19, n) µV of the first minute and the rate."""
    edf = edfio.read_edf(path)
    rows = {}
    for item in edf.signals:
        label = item.label.upper().removeprefix("EEG ").strip(". ")
        name = BY_CAPITALS.get(OLD.get(label, label))
        if name:
            rows[name] = item
    rate_hz = rows["Cz"].sampling_frequency
    samples = np.array([rows[name].data for name in SYSTEM_10_20])
    return samples[:, : int(60 * rate_hz)], rate_hz


def measure(samples, rate_hz):
    """Amplitudes by band, their spread over the head, correlations, peakedness."""
    samples = signal.detrend(np.asarray(samples, dtype=float), axis=1)
    frequency, density = signal.welch(samples, rate_hz, nperseg=int(2 * rate_hz), axis=1)
    step_hz = frequency[1]
    values = {}
    for name, (low_hz, high_hz) in BANDS_HZ.items():
        inside = (frequency >= low_hz) & (frequency < high_hz)
        rms = np.sqrt(density[:, inside].sum(axis=1) * step_hz)
        values[f"rms {name}, median channel (µV)"] = np.median(rms)
        values[f"rms {name}, 9th decile / median"] = np.quantile(rms, 0.9) / np.median(rms)
    sections = signal.butter(2, [1, 40], "bandpass", fs=rate_hz, output="sos")
    filtered = signal.sosfiltfilt(sections, samples, axis=1)
    likeness = np.corrcoef(filtered)
    for one, other in PAIRS:
        both = SYSTEM_10_20.index(one), SYSTEM_10_20.index(other)
        values[f"correlation {one}-{other}"] = likeness[both]
    values["correlation, median pair"] = np.median(likeness[np.triu_indices(19, 1)])
    values["kurtosis, median channel"] = np.median(stats.kurtosis(filtered, axis=1, fisher=False))
    return values


@cache
def opened(folder):
    return tuple(measure(*read_19(path)) for path in sorted((OPEN_DATA / folder).glob("*.edf")))


@cache
def simulated_recordings():
    """Simulated recordings of the open ones' kind: 19 channels, ears, wide band, no fault."""
    found = []
    seed = 0
    while len(found) < N_SIMULATED:
        rng = np.random.default_rng(seed)
        scenario = random_scenario(rng)
        seed += 1
        amplifier = scenario.amplifier
        alike = (
            set(SYSTEM_10_20) <= set(scenario.electrodes)
            and scenario.reference in ("ears", "mastoids")
            and amplifier.high_pass_hz <= 0.5
            and amplifier.low_pass_hz >= 45
            and amplifier.rate_hz <= 512
        )
        if alike:
            plain = replace(scenario, faults=(), movements=(), bridge=())
            found.append(simulate(rng, scenario=plain))
    return tuple(found)


@cache
def simulated():
    rows = []
    for recording in simulated_recordings():
        order = [recording.electrodes.index(name) for name in SYSTEM_10_20]
        rows.append(measure(recording.samples_uv[order], recording.rate_hz))
    return tuple(rows)


def quantiles(rows, name):
    return np.quantile([row[name] for row in rows], [0.1, 0.5, 0.9])


def names():
    return list(simulated()[0])


def test_open_medians_lie_within_what_is_simulated():
    outside = []
    for name in names():
        low, high = np.quantile([row[name] for row in simulated()], [0.025, 0.975])
        for folder in ("eegmmidb", "eegmat"):
            middle = float(np.median([row[name] for row in opened(folder)]))
            if not low <= middle <= high:
                outside.append(f"{name}: {folder} {middle:.2f}, simulated {low:.2f}-{high:.2f}")
    # One data set was cleaned by its authors: its frontal channels lost what they had in common.
    cleaned = [line for line in outside if "eegmat" in line]
    assert len(outside) == len(cleaned), outside
    assert len(cleaned) <= 3, cleaned


@pytest.mark.parametrize("band", BANDS_HZ)
def test_simulated_amplitudes_are_of_the_same_size(band):
    name = f"rms {band}, median channel (µV)"
    middle = np.median([row[name] for row in simulated()])
    medians = [np.median([row[name] for row in opened(f)]) for f in ("eegmmidb", "eegmat")]
    assert min(medians) / 1.3 < middle < max(medians) * 1.3


def test_simulated_correlations_are_of_the_same_size():
    for name in (name for name in names() if name.startswith("correlation")):
        middle = np.median([row[name] for row in simulated()])
        medians = [np.median([row[name] for row in opened(f)]) for f in ("eegmmidb", "eegmat")]
        assert min(medians) - 0.15 < middle < max(medians) + 0.15, name


def read_blinks():
    """Lengths and numbers of channels of the blinks that one reader marked."""
    found = []
    for path in ("reader-a.csv", "reader-a-more.csv"):
        with (OPEN_DATA / "labels" / path).open(encoding="utf-8", newline="") as file:
            found += [
                (float(row["duration_s"]), len(row["channels"].split()))
                for row in csv.DictReader(file)
                if row["label"] == "blink"
            ]
    return np.array(found)


def simulated_blinks():
    return np.array(
        [
            (span.duration_s, len(set(span.channels) & set(SYSTEM_10_20)))
            for recording in simulated_recordings()
            for span in recording.labels
            if span.label == "blink"
        ]
    )


def test_blink_labels_are_as_long_and_wide_as_a_reader_makes_them():
    ours, theirs = np.median(simulated_blinks(), axis=0), np.median(read_blinks(), axis=0)
    assert ours[0] == pytest.approx(theirs[0], abs=0.1)
    assert ours[1] == pytest.approx(theirs[1], abs=4)


def table():
    lines = [
        "| measure (1st decile / median / 9th decile) | simulated | eegmmidb | eegmat |",
        "|---|---|---|---|",
    ]
    for name in names():
        cells = [
            " / ".join(f"{value:.2f}" for value in quantiles(rows, name))
            for rows in (simulated(), opened("eegmmidb"), opened("eegmat"))
        ]
        lines.append(f"| {name} | {' | '.join(cells)} |")
    for column, name in ((0, "blink, marked length (s)"), (1, "blink, marked channels")):
        cells = [
            " / ".join(f"{value:.2f}" for value in np.quantile(rows[:, column], [0.1, 0.5, 0.9]))
            for rows in (simulated_blinks(), read_blinks())
        ]
        lines.append(f"| {name} | {' | '.join(cells)} | |")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.stdout.write(table() + "\n")
