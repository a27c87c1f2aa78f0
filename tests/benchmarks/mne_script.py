"""What a competent analyst writes today with mne alone: one recording in, annotations out.

Reads the whole recording, takes 1-s spectra (hop 0.5 s) for line noise, the muscle z-score, flat
and very large stretches, and blinks on Fp1; writes one table of annotations. It has no learned
classifier, no marks by channel for muscle and blinks, no marked copy and no page.

    python mne_script.py RECORDING.edf OUT.csv
"""

import sys

import mne
import numpy as np
from mne.preprocessing import annotate_amplitude, annotate_muscle_zscore, find_eog_events

LINE_RATIO = 4.0


def line_noise(raw: mne.io.BaseRaw) -> mne.Annotations:
    """Seconds of a channel in which 50 Hz stands out of its surroundings."""
    epochs = mne.make_fixed_length_epochs(raw, duration=1.0, overlap=0.5, verbose="error")
    spectra = epochs.compute_psd("welch", fmin=1, fmax=80, n_fft=500, verbose="error")
    density, frequency_hz = spectra.get_data(return_freqs=True)
    away_hz = np.abs(frequency_hz - 50)
    peak = density[..., away_hz <= 1].mean(axis=-1)
    floor = density[..., (away_hz >= 4) & (away_hz <= 6)].mean(axis=-1)
    window, channel = np.nonzero(peak > LINE_RATIO * floor)
    names = [[spectra.ch_names[row]] for row in channel]
    date = raw.info["meas_date"]
    return mne.Annotations(0.5 * window, 1.0, "line noise", date, ch_names=names)


def main(source: str, target: str) -> None:
    raw = mne.io.read_raw_edf(source, preload=True, verbose="error")
    raw.rename_channels(lambda name: name.removeprefix("EEG ").removesuffix("-A1A2"))
    muscle, _ = annotate_muscle_zscore(
        raw, threshold=4, ch_type="eeg", min_length_good=0.2, filter_freq=(110, 140)
    )
    loud, _ = annotate_amplitude(raw, peak=500e-6, flat=0.5e-6, min_duration=0.1)
    blinks = find_eog_events(raw, ch_name="Fp1")
    blink_s = (blinks[:, 0] - raw.first_samp) / raw.info["sfreq"]
    blink = mne.Annotations(blink_s - 0.15, 0.4, "blink", raw.info["meas_date"])
    found = muscle + loud + blink + line_noise(raw)
    found.save(target, overwrite=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
