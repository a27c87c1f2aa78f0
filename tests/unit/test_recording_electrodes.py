"""Names and places of the 10-10 system, against an independent library's montage."""

import numpy as np
import pytest

from cleanspan.recording.electrodes import (
    OLD_NAMES,
    angle_deg,
    electrode_name,
    neighbours,
    position,
    positions,
)

TEN_TWENTY = [*OLD_NAMES.values(), "Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8"]
TEN_TWENTY += ["C3", "Cz", "C4", "P3", "Pz", "P4", "O1", "O2"]


def measured_places():
    """Give directions of mne's 10-05 montage (a head template) from its best-fitting sphere."""
    import mne

    try:
        montage = mne.channels.make_standard_montage("colin27_1005")
    except ValueError:
        # The name until mne 1.12.
        montage = mne.channels.make_standard_montage("standard_1005")
    places = montage.get_positions()["ch_pos"]
    points = np.array(list(places.values()))
    system = np.c_[2 * points, np.ones(len(points))]
    centre = np.linalg.lstsq(system, (points**2).sum(axis=1), rcond=None)[0][:3]
    return {
        name: (place - centre) / np.linalg.norm(place - centre) for name, place in places.items()
    }


def test_places_agree_with_the_template_head():
    # The template is no sphere: 15° is the difference between neighbours' half distances.
    measured = measured_places()
    common = [name for name in positions() if name in measured]
    assert len(common) >= 82
    angles = np.degrees(
        [np.arccos(np.clip(measured[name] @ position(name), -1, 1)) for name in common]
    )
    assert angles.max() < 12
    assert angles.mean() < 6


def test_every_name_is_one_of_the_10_05_nomenclature():
    # Nz is the nasion itself, a fiducial and not an electrode of the montage.
    import mne

    try:
        known = set(mne.channels.make_standard_montage("colin27_1020").ch_names)
    except ValueError:
        known = set(mne.channels.make_standard_montage("standard_1020").ch_names)
    assert set(positions()) - known == {"Nz"}
    assert known - set(positions()) == {*OLD_NAMES, "A1", "A2", "M1", "M2"}


def test_places_lie_on_the_unit_sphere_and_mirror_each_other():
    for name, place in positions().items():
        assert np.linalg.norm(place) == pytest.approx(1)
        if name[-1].isdigit():
            number = int("".join(char for char in name if char.isdigit()))
            letters = name.rstrip("0123456789")
            other = f"{letters}{number + 1 if number % 2 else number - 1}"
            assert position(other) == pytest.approx((-place[0], place[1], place[2]))
            assert (place[0] < 0) == bool(number % 2), "odd numbers are on the left"
        else:
            assert place[0] == pytest.approx(0)


def test_axes_are_right_front_up():
    assert position("T8") == pytest.approx((1, 0, 0))
    assert position("Fpz") == pytest.approx((0, 1, 0))
    assert position("Cz") == pytest.approx((0, 0, 1))


@pytest.mark.parametrize(("old", "new"), OLD_NAMES.items())
def test_old_names_give_the_new_ones(old, new):
    assert electrode_name(old) == electrode_name(old.lower()) == new


@pytest.mark.parametrize("text", ["", "A1", "M2", "Q3", "Fp3", "T1", "C11"])
def test_what_is_no_scalp_electrode_has_no_name(text):
    assert electrode_name(text) is None


def test_neighbours_on_a_10_20_cap():
    assert set(neighbours("Cz", TEN_TWENTY)) == {"Fz", "Pz", "C3", "C4"}
    assert set(neighbours("C3", TEN_TWENTY)) == {"F3", "P3", "T7", "Cz"}
    assert set(neighbours("Fp1", TEN_TWENTY)[:3]) == {"Fp2", "F7", "F3"}
    assert neighbours("Cz", ["Cz", "O1"]) == ()


def test_neighbours_are_ordered_by_angle():
    found = neighbours("F3", positions(), count=10)
    angles = [angle_deg("F3", other) for other in found]
    assert angles == sorted(angles)
    assert len(found) == 10
