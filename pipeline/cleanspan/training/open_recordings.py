"""The open recordings and readers' marks that the shipped model learns from.

Recordings are not part of the project: whoever fetches them can repeat the recipe, and the
SHA-256 of each makes sure that they are the same ones.
"""

import hashlib
from pathlib import Path

from cleanspan.errors import LabelsError

SOURCE = (
    "EEG Motor Movement/Imagery Dataset 1.0.0, PhysioNet: Schalk et al. 2004, "
    "IEEE Trans Biomed Eng 51:1034; Goldberger et al. 2000, Circulation 101:e215"
)
RECORDINGS = {
    "S001R01.edf": "4743b736131a7e147c150e8b37711029b6cda5e356c4b3e8261a03cdcaaf8b0c",
    "S001R02.edf": "31a95e0a880e6c3d89960d9d62c144f24cc4e9f5d7e93c7f864ef61cd49e847e",
    "S002R03.edf": "cbabe29620b19978454bc429f59976f6ee8f32f6392e4fcdf7e463981248072c",
    "S003R01.edf": "2af68afa8d4f158a7ae7f3903b66f0947925880639b7a8b5b6bb13b0c6c50f96",
    "S003R02.edf": "41044fea497e05650c4b1f4009011b44a50a6cefd55d5afa9e1d1b7988afd6e5",
    "S005R03.edf": "3bf2695b66661a274bb099dd093c8f2eb4ede8a7068ec4bfd0a1fe9f4bfc0e18",
    "S006R03.edf": "1bedb6634f28af44942c14901aa82f420858bc367fd5830482b4e8cf7a28bbf1",
    "S008R03.edf": "ab3ea90d829e1e2e10bb6e551e828e66ac6262ec7bc24e2e17db6e1e350088fe",
    "S010R03.edf": "49016ed40a1c17164b7b56031d567ee96b00b0b3755fab072c1d78db9ccdab73",
    "S011R03.edf": "369bc902a59bf9a9d480c2bad2a4b165b83716c7cba5760c2ce0e6500f120443",
    "S014R03.edf": "670c197481bd1761f1393c3f33e7c286f5966f483493cb6d2e05ff23de93c6a9",
    "S015R03.edf": "9de915e373fc372b372cbe9c59692c7c961dc9d2ff12cbffcdc99190a1bac99d",
    "S016R03.edf": "976bcc77f002affd1833ecf5adbe73eca86d1d1b9e2ccaa0d8712095498cea4a",
    "S017R03.edf": "19911c4a9a693eaed4addcee0ffd78589dc3fe35724079081079ad29e56c911b",
    "S018R03.edf": "6538d4a1fe7df53296897dc6efb2274e78429346086c6383db9c58af16c46251",
    "S020R03.edf": "4660edd9962577ceac6e35db1a5c0756fbdfa954a77f479dc8aa3e3b3819f453",
}
"""File name and SHA-256."""

CLEANED_SOURCE = (
    "EEG During Mental Arithmetic Tasks 1.0.0, PhysioNet (ODC-By 1.0): Zyma et al. 2019, "
    "Data 4:14; Goldberger et al. 2000"
)
CLEANED = {
    "Subject02_1.edf": "02da547be13c67b310a020d48be83be6a1faad72b26519e8084038aea1aa30f8",
    "Subject03_1.edf": "8f22c7eb40e2d2b2f61dadd874172f395fed9ca83c843e9d92b492ec2b3d4f41",
    "Subject04_1.edf": "0c96ec8a36767673772d35c1c8e8328c6a51f18e83b806f5776d02f388c65a73",
    "Subject05_1.edf": "844f7c4c0868f64003f50d02ecd9db3a7e60cd51df66f9ad2a460e279001eaf8",
}
"""Recordings from another laboratory that its authors cleaned: nobody marked them, but contact is
lost only where a fault is injected. File name and SHA-256."""
CLEANED_S = 120.0
"""How much of each is used; their last second is one constant value."""

LABEL_FILES = {
    "reader-a-more.csv": "edd249e35cddfb767b41f3232380eae8023fbefdc8693dae5c57e52dbcd4d6a3",
    "reader-a.csv": "a8b6c141834a710657756de7e2177ab5a5769f23aa810def789fc2a10340d26a",
    "reader-b.csv": "cfbb7cac06910ef1474d339e9e219f11f0035bd23d37c897a1422646b8b1999e",
    "reader-c.csv": "22ceaac567a6092e37c64d3d1b507f03398de4e60ece524eaf097c74823e0d34",
    "reader-d.csv": "328931870b6de6b3245a41a8ea9c98b7a50f4dafaff3e275131dfaed78f2480e",
}
"""Readers' marks of the first minute of each recording: file name and SHA-256."""

SYSTEM_10_20 = (
    *("Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8", "T7", "C3", "Cz"),
    *("C4", "T8", "P7", "P3", "Pz", "P4", "P8", "O1", "O2"),
)
"""The channels that the readers saw."""

READ_S = 60.0
"""How much of each recording they read."""


def mains_hz(path: Path) -> float:
    """Mains frequency where an open recording was made: the read ones show 60 Hz, others 50."""
    return 60.0 if path.name in RECORDINGS else 50.0


def verified(folder: Path, expected: dict[str, str]) -> list[Path]:
    """Find files whose content is the expected one.

    Raises
    ------
    LabelsError
        With one line for each file that is missing or differs.
    """
    problems, found = [], []
    for name, digest in expected.items():
        path = folder / name
        if not path.is_file():
            problems.append(f"{path}: must exist, got no such file; fetch it from its source")
        elif hashlib.sha256(path.read_bytes()).hexdigest() != digest:
            problems.append(f"{path}: must have SHA-256 {digest}, got another; fetch it again")
        else:
            found.append(path)
    if problems:
        raise LabelsError(problems)
    return found
