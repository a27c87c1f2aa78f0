"""The amplifier: pass band, notch, range and the size of one step."""

import numpy as np
import numpy.typing as npt

from cleanspan.training.simulator.scenario import Amplifier

Samples = npt.NDArray[np.float32]


def pass_band(amplifier: Amplifier) -> npt.NDArray[np.float64]:
    """Second-order sections of high-pass, low-pass and notch, to run forward as an amplifier does.

    Raises
    ------
    ValueError
        If the corners do not lie in order below the Nyquist frequency.
    """
    from scipy import signal

    nyquist_hz = amplifier.rate_hz / 2
    if not 0 < amplifier.high_pass_hz < amplifier.low_pass_hz < nyquist_hz:
        raise ValueError(
            "the pass band must lie between 0 and half the rate, got "
            f"{amplifier.high_pass_hz:g}-{amplifier.low_pass_hz:g} Hz at {amplifier.rate_hz:g} Hz"
        )
    sections = [
        signal.butter(
            amplifier.high_pass_order,
            amplifier.high_pass_hz,
            "highpass",
            fs=amplifier.rate_hz,
            output="sos",
        ),
        signal.butter(
            amplifier.low_pass_order, amplifier.low_pass_hz, fs=amplifier.rate_hz, output="sos"
        ),
    ]
    if amplifier.notch_hz and amplifier.notch_hz < 0.95 * nyquist_hz:
        b, a = signal.iirnotch(amplifier.notch_hz, 20.0, fs=amplifier.rate_hz)
        sections.append(signal.tf2sos(b, a))
    return np.vstack(sections)


def apply_pass_band(
    sections: npt.NDArray[np.float64], samples: npt.NDArray[np.floating]
) -> Samples:
    """Filter channels, settled on their first sample so that nothing rings at the start."""
    from scipy import signal

    settled = signal.sosfilt_zi(sections)[:, None, :] * samples[None, :, :1].astype(np.float64)
    filtered, _ = signal.sosfilt(sections, samples.astype(np.float64), axis=1, zi=settled)
    return np.asarray(filtered, dtype=np.float32)


def step_uv(amplifier: Amplifier) -> float:
    """Size of one quantisation step."""
    return amplifier.lsb_uv or 2 * amplifier.range_uv / 2**amplifier.bits


def digitise(amplifier: Amplifier, samples: npt.NDArray[np.floating]) -> Samples:
    """Clip to the range and round to steps."""
    step = step_uv(amplifier)
    limit = np.floor(amplifier.range_uv / step) * step
    clipped = np.clip(samples, -limit, limit)
    return np.asarray(np.round(clipped / step) * step, dtype=np.float32)
