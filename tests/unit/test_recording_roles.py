"""What a label says about its channel."""

import pytest

from cleanspan.recording.roles import assign_roles, guess_role, unique_labels, why_no_scalp
from cleanspan.types import Role


@pytest.mark.parametrize(
    ("label", "electrode"),
    [
        ("Fp1", "Fp1"),
        ("FP1", "Fp1"),
        ("fp2", "Fp2"),
        ("FPZ", "Fpz"),
        ("Fp1.", "Fp1"),
        ("C3..", "C3"),
        ("T3", "T7"),
        ("T4", "T8"),
        ("EEG T5-A1", "P7"),
        ("T6", "P8"),
        ("T7", "T7"),
        ("EEG Fp1", "Fp1"),
        ("EEG-Fp1", "Fp1"),
        ("EEG_Fp1", "Fp1"),
        ("EEGFp1", "Fp1"),
        ("POL Fp1", "Fp1"),
        ("EEG Fp1-A1A2", "Fp1"),
        ("F7-A1", "F7"),
        ("F8-A2", "F8"),
        ("C3-M2", "C3"),
        ("C3-M1M2", "C3"),
        ("EEG O1-LE", "O1"),
        ("EEG O2-RE", "O2"),
        ("EEG O2-REF", "O2"),
        ("O2-Ref", "O2"),
        ("Pz-AVG", "Pz"),
        ("Pz-CAR", "Pz"),
        ("Pz-AR", "Pz"),
        ("C3:A2", "C3"),
        ("C3 - A2", "C3"),
        ("C3-(A1+A2)", "C3"),
        ("C3-A1/A2", "C3"),
        ("Fc5.", "FC5"),
        ("AFZ", "AFz"),
        ("TP10", "TP10"),
        ("Iz..", "Iz"),
        ("PO7", "PO7"),
    ],
)
def test_scalp_electrodes_are_found(label, electrode):
    guess = guess_role(label)
    assert (guess.role, guess.electrode) == (Role.EEG, electrode)


@pytest.mark.parametrize(
    ("label", "role"),
    [
        ("EOG", Role.EYE),
        ("HEOG", Role.EYE),
        ("VEOG-A1", Role.EYE),
        ("EOG horizontal", Role.EYE),
        ("LOC", Role.EYE),
        ("ROC-A2", Role.EYE),
        ("E1-M2", Role.EYE),
        ("E2", Role.EYE),
        ("ECG", Role.HEART),
        ("ECG ECG", Role.HEART),
        ("EKG1-EKG2", Role.HEART),
        ("EMG submental", Role.MUSCLE),
        ("Chin1-Chin2", Role.MUSCLE),
        ("Status", Role.TRIGGER),
        ("stAtUs", Role.TRIGGER),
        ("tRigGer", Role.TRIGGER),
        ("STI 014", Role.TRIGGER),
        ("Event", Role.TRIGGER),
        ("Event marker", Role.TRIGGER),
        ("Photic", Role.TRIGGER),
        ("marker button", Role.BUTTON),
        ("MARK", Role.BUTTON),
        ("BUTTON", Role.BUTTON),
        ("PATIENT EVENT", Role.BUTTON),
        ("DC01", Role.BUTTON),
        ("A1", Role.REFERENCE),
        ("A2", Role.REFERENCE),
        ("M1", Role.REFERENCE),
        ("EAR", Role.REFERENCE),
        ("A2-A1", Role.REFERENCE),
        ("EEG A2-A1", Role.REFERENCE),
        ("EEG A1-REF", Role.REFERENCE),
        ("X1", Role.UNUSED),
        ("EEG X1-REF", Role.UNUSED),
        ("EEG 20", Role.UNUSED),
        ("EEG 20-REF", Role.UNUSED),
        ("Input 21", Role.UNUSED),
        ("unused", Role.UNUSED),
        ("NC", Role.UNUSED),
        ("-", Role.UNUSED),
        ("", Role.UNUSED),
        ("Resp oro-nasal", Role.OTHER),
        ("Temp rectal", Role.OTHER),
        ("SpO2", Role.OTHER),
        ("sine 5Hz", Role.OTHER),
        ("Airflow", Role.OTHER),
        ("Position", Role.OTHER),
    ],
)
def test_other_channels_are_told_apart(label, role):
    assert guess_role(label).role is role


def test_a_bipolar_montage_is_not_screened_and_says_why():
    guesses = assign_roles(["Fp1-F7", "F7-T3", "T3-T5", "T5-O1"])
    assert {guess.role for guess in guesses} == {Role.OTHER}
    assert all("derivation" in guess.reason for guess in guesses)
    assert all(guess.electrode is None for guess in guesses)


def test_two_derivations_without_a_shared_electrode_are_bipolar():
    assert {guess.role for guess in assign_roles(["EEG Fpz-Cz", "EEG Pz-Oz"])} == {Role.OTHER}


def test_one_derivation_alone_does_not_make_a_common_reference():
    assert assign_roles(["EEG Fpz-Cz", "EOG"])[0].role is Role.OTHER


def test_an_electrode_shared_by_all_derivations_is_the_reference():
    guesses = assign_roles(["EEG F3-Cz", "EEG F4-Cz", "EEG O1-Cz", "ECG"])
    assert [guess.electrode for guess in guesses] == ["F3", "F4", "O1", None]
    assert [guess.role for guess in guesses[:3]] == [Role.EEG] * 3


def test_numbered_nets_have_no_eye_channels():
    roles = [guess.role for guess in assign_roles([f"E{i}" for i in range(1, 6)])]
    assert roles == [Role.OTHER] * 5


def test_repeated_labels_become_unique_without_taking_one_that_exists():
    assert unique_labels(["Fp1", "Fp1", "Fp1 #2", "Fp1"]) == ("Fp1", "Fp1 #3", "Fp1 #2", "Fp1 #4")
    assert unique_labels(["", "", "C3"]) == ("unnamed", "unnamed #2", "C3")


def test_what_to_do_where_no_channel_is_scalp_eeg():
    """Renaming helps where names are unknown, and not where the montage is bipolar."""
    unknown = why_no_scalp(["ch one", "ch two"])
    assert unknown.endswith("got: ch one, ch two; rename the channels")
    assert "rename" not in why_no_scalp([])
    pairs = ["Fp1-F3", "F3-C3", "C3-P3", "P3-O1", "Fp2-F4", "F4-C4", "C4-P4", "P4-O2", "Fz-Cz"]
    chain = why_no_scalp(["ECG", *pairs])
    assert "must be recorded against one common reference" in chain
    assert "P4-O2 and 1 more; export the recording with its reference montage" in chain
    assert "rename the channels" not in chain
