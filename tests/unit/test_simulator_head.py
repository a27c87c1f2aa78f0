"""The spherical head against theory, a published closed form's limits, and mne's electrodes."""

import numpy as np
import pytest
from scipy.special import eval_legendre

from cleanspan.training.simulator.cap import make_cap
from cleanspan.training.simulator.eyes import eye_patterns, lid_pulse
from cleanspan.training.simulator.head import (
    dipole_potentials,
    electrode_directions,
    positions,
)
from cleanspan.training.simulator.scenario import SYSTEM_10_20


def test_dipole_at_the_centre_gives_three_cosine():
    # Wilson & Bayley 1950: a central dipole in a sphere shows three times the potential it
    # would show in an unbounded medium.
    electrodes = electrode_directions(SYSTEM_10_20)
    moment = np.array([[0.3, -0.5, 0.8]])
    got = dipole_potentials(electrodes, np.zeros((1, 3)), moment)[:, 0]
    np.testing.assert_allclose(got, 3 * electrodes @ moment[0], rtol=1e-12)


@pytest.mark.parametrize("eccentricity", [0.1, 0.4, 0.75])
def test_radial_dipole_agrees_with_the_legendre_series(eccentricity):
    # V = q Σ (2n+1) b^(n-1) P_n(cos γ) for a radial dipole in a homogeneous sphere (textbook).
    angles = np.linspace(0, np.pi, 25)
    electrodes = np.stack([np.sin(angles), 0 * angles, np.cos(angles)], axis=1)
    order = np.arange(1, 200)
    series = ((2 * order + 1) * eccentricity ** (order - 1)) @ eval_legendre(
        order[:, None], np.cos(angles)
    )
    up = np.array([[0.0, 0.0, 1.0]])
    got = dipole_potentials(electrodes, eccentricity * up, up)[:, 0]
    np.testing.assert_allclose(got, series, rtol=1e-6, atol=1e-6)


def test_tangential_dipole_has_no_net_potential_and_the_right_sign():
    electrodes = electrode_directions(("T7", "Cz", "T8"))
    seen = dipole_potentials(electrodes, np.array([[0, 0, 0.5]]), np.array([[1.0, 0, 0]]))[:, 0]
    assert seen[2] > 0 > seen[0]
    assert seen[1] == pytest.approx(0, abs=1e-12)


def test_electrodes_lie_where_mne_has_them():
    mne = pytest.importorskip("mne")
    known = mne.channels.get_builtin_montages()
    name = "colin27_1005" if "colin27_1005" in known else "standard_1005"
    montage = mne.channels.make_standard_montage(name).get_positions()["ch_pos"]
    places = positions()
    names = [name for name in places if name in montage and name not in ("A1", "A2", "M1", "M2")]
    theirs = np.array([montage[name] for name in names])
    # mne's head is not a sphere around the origin: centre and scale it, compare directions.
    centre = np.linalg.lstsq(
        np.c_[2 * theirs, np.ones(len(names))], (theirs**2).sum(axis=1), rcond=None
    )[0][:3]
    theirs = (theirs - centre) / np.linalg.norm(theirs - centre, axis=1, keepdims=True)
    ours = electrode_directions(tuple(names))
    # Turn theirs onto ours (their horizontal plane is tilted against 10-20's).
    u, _, vt = np.linalg.svd(theirs.T @ ours)
    angle = np.degrees(np.arccos(np.clip(np.sum((theirs @ (u @ vt)) * ours, axis=1), -1, 1)))
    assert len(names) > 60
    assert np.median(angle) < 6
    assert angle.max() < 18, dict(zip(names, angle.round(), strict=True))


def test_unknown_electrode_is_named():
    with pytest.raises(ValueError, match="10-10 names, got Foo"):
        electrode_directions(("Fz", "Foo"))


@pytest.mark.parametrize(
    ("electrodes", "reference"), [(("Fz", "Fz"), "ears"), (("Fz", "Cz"), "Cz")]
)
def test_cap_refuses_contradictions(electrodes, reference):
    with pytest.raises(ValueError, match="must differ"):
        make_cap(electrodes, reference)


def test_average_reference_sums_to_zero():
    cap = make_cap(SYSTEM_10_20, "average")
    np.testing.assert_allclose(cap.referencing.sum(axis=0), 0, atol=1e-12)


def test_blinks_are_positive_in_front_and_fall_off_sharply_backwards():
    cap = make_cap(SYSTEM_10_20, "ears")
    for seed in range(20):
        seen = cap.referencing @ eye_patterns(np.random.default_rng(seed), cap).upward
        size = dict(zip(cap.channels, seen, strict=True))
        front = (size["Fp1"] + size["Fp2"]) / 2
        assert front == pytest.approx(1.0)
        assert front > size["F3"] > size["C3"] > size["P3"]
        # Cz: about 9 % of the eye channel, which itself sees more than Fp1/Fp2 do.
        assert 0.09 < size["Cz"] < 0.4
        assert abs(size["O1"]) < 0.2


def test_lateral_gaze_has_opposite_signs_on_the_two_sides():
    cap = make_cap(SYSTEM_10_20, "ears")
    seen = cap.referencing @ eye_patterns(np.random.default_rng(3), cap).rightward
    size = dict(zip(cap.channels, seen, strict=True))
    assert size["F8"] > 0.7 > -0.7 > size["F7"]
    assert size["T8"] > 0 > size["T7"]


def test_lid_closes_faster_than_it_opens():
    rate_hz = 1000.0
    pulse = lid_pulse(rate_hz, closing_s=0.07, held_s=0.02, opening_s=0.15)
    top = int(np.argmax(pulse))
    above = np.flatnonzero(pulse > 0.1)
    assert 0.04 < (top - above[0]) / rate_hz < 0.08  # closing 50-80 ms
    assert (above[-1] - top) > 1.5 * (top - above[0])
    assert pulse[-1] == pytest.approx(0, abs=0.02)
