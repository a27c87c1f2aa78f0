"""What each channel is for, by its label.

Screening is for recordings against one reference. A derivation between two scalp electrodes
(``Fp1-F7``) holds both electrodes' artefacts with opposite signs and has no place of its own, so
it gets `Role.OTHER` with a reason, unless every derivation of the recording shares the second
electrode: then that one is the common reference (``F3-Cz``, ``F4-Cz``, ...).

The patterns are common practice: labels as EEG recorders and converters write them.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from cleanspan.recording.electrodes import electrode_name
from cleanspan.recording.odd import listed
from cleanspan.types import Role

_PREFIX = re.compile(r"^(?:EEG|POL)(?:[\s_:.-]+|(?=[A-Z]))", re.IGNORECASE)
_REFERENCE = re.compile(
    r"\(?(?:A[12]|M[12]|A1[+/]?A2|A2[+/]?A1|M1[+/]?M2|M2[+/]?M1|AA|AVG|AV|AR|CAR|LE|RE|LER|LM"
    r"|R?REF\d?|EAR|EARS|MAST|GND|G[12]|ORG|NZ|NOSE)\)?",
    re.IGNORECASE,
)
_PATTERNS = (
    (Role.UNUSED, r"|-+|NC|N/?C|UNUSED.*|NOT[ _]?USED.*|EMPTY.*|SPARE.*|OFF|E"),
    (Role.UNUSED, r"(X|INPUT|IN|AUX|BIP)?[ _-]?\d+(-.*)?"),
    (Role.TRIGGER, r"(STATUS|TRIG(GER)?S?|STIM?|EVENTS?|EVT|TTL|DIN|PHOTIC|PHO)([ _-]?\d+)?"),
    (Role.TRIGGER, r"STI ?\d*|EVENT[ _-]MARKER|TRIG.*"),
    (Role.BUTTON, r"(MARK(ER)?|BUTTON|MARKER[ _]BUTTON|PATIENT[ _]?EVENT|PATIENT[ _]BUTTON)\d*"),
    (Role.BUTTON, r"DC[ _-]?\d*|PUSH.*|RESPONSE"),
    (Role.EYE, r"([HV]?EOG|[RL]?[HV]EOG[RLUD]?)\b.*|(LOC|ROC|LEOG|REOG|LIO|RIO|LSO|RSO|EYE)\b.*"),
    (Role.EYE, r"(E[12]|PG[12])([-/].*)?"),
    (Role.HEART, r"(ECG|EKG|CARD|HEART)[LR]?\d?\b.*"),
    (Role.MUSCLE, r"(EMG|CHIN|SUBMENTAL|MASSETER|LEG|TIB|RAT|LAT|RLEG|LLEG|ARM)\d?\b.*"),
    (Role.REFERENCE, r"(A|M)[12]([-/+ ]?(A|M)[12])?(-.*)?"),
    (Role.REFERENCE, r"(L|R|LINKED)?[ _]?(REF(ERENCE)?|EARS?|MASTOIDS?|GND|GROUND|CMS|DRL)\d?"),
)
_COMPILED = tuple((role, re.compile(text, re.IGNORECASE)) for role, text in _PATTERNS)

_NAMED = 8
"""How many channels an error names."""


@dataclass(frozen=True, slots=True)
class Guess:
    """What a label says.

    Attributes
    ----------
    role : Role
    electrode : str or None
        Newer 10-10 name of the (first) electrode for scalp EEG.
    against : str or None
        10-10 name of the second electrode of a derivation.
    reason : str
        Why a channel that looks like EEG is not screened, else empty.
    """

    role: Role
    electrode: str | None = None
    against: str | None = None
    reason: str = ""


def guess_role(label: str) -> Guess:
    """Tell what one label says, without looking at the others.

    Parameters
    ----------
    label : str
        Channel label as recorded, e.g. ``EEG Fp1-A1A2``, ``Fp1.``, ``T3``.

    Returns
    -------
    Guess
    """
    text = label.strip()
    bare = _PREFIX.sub("", text).strip(" .")
    first, _, second = _split(bare)
    electrode = electrode_name(first)
    if electrode is not None:
        if not second or _REFERENCE.fullmatch(second):
            return Guess(Role.EEG, electrode)
        against = electrode_name(second)
        if against is not None:
            return Guess(Role.OTHER, electrode, against, "a derivation between scalp electrodes")
    for candidate in dict.fromkeys((text, bare)):
        for role, pattern in _COMPILED:
            if pattern.fullmatch(candidate):
                return Guess(role)
    return Guess(Role.OTHER)


def assign_roles(labels: Sequence[str]) -> tuple[Guess, ...]:
    """Tell what each channel of a recording is for.

    Parameters
    ----------
    labels : sequence of str
        All labels of the recording, annotation signals left out.

    Returns
    -------
    tuple of Guess
        One for each label, in order; the same electrode twice keeps its role both times.
    """
    guesses = [guess_role(label) for label in labels]
    derivations = [guess for guess in guesses if guess.against is not None]
    common = {guess.against for guess in derivations}
    referential = any(guess.role is Role.EEG for guess in guesses)
    if len(derivations) >= 2 and len(common) == 1 and not referential:
        guesses = [
            replace(guess, role=Role.EEG, reason="") if guess.against is not None else guess
            for guess in guesses
        ]
    return tuple(
        guess if guess.role is Role.EEG else replace(guess, electrode=None)
        for guess in _nets_have_no_eyes(labels, guesses)
    )


def why_no_scalp(labels: Sequence[str], warnings: Sequence[str] = ()) -> str:
    """Say what must hold where no channel of a recording is scalp EEG, what was got, what to do.

    Parameters
    ----------
    labels : sequence of str
        All labels of the recording.
    warnings : sequence of str
        What reading it found: why channels that are named after electrodes are of no use.
    """
    if not labels:
        return (
            "a recording must hold signals, got none, annotations alone perhaps; screen the "
            "recording that they belong to"
        )
    guesses = list(zip(labels, assign_roles(labels), strict=True))
    if warnings and any(guess.role is Role.EEG for _, guess in guesses):
        return (
            f"at least one scalp channel must be of use, got none, {'; '.join(warnings)}; export "
            "the recording again, renaming does not help"
        )
    derived = [label for label, guess in guesses if guess.against and guess.role is not Role.EEG]
    if derived:
        return (
            "EEG channels must be recorded against one common reference, such as the ears, got "
            f"derivations between two scalp electrodes (a bipolar montage): "
            f"{listed(derived, _NAMED)}; "
            "export the recording with its reference montage and screen that, renaming does not "
            "help"
        )
    return (
        "at least one channel must carry a 10-20 or 10-10 electrode name, got: "
        f"{listed(labels, _NAMED)}; rename the channels"
    )


def unique_labels(labels: Sequence[str]) -> tuple[str, ...]:
    """Make labels unique: the second ``Fp1`` becomes ``Fp1 #2``; an empty one ``unnamed``."""
    taken = set(labels)
    seen: Counter[str] = Counter()
    result = []
    for label in labels:
        label = label or "unnamed"
        seen[label] += 1
        name = label
        while seen[label] > 1 and (name == label or name in taken):
            name = f"{label} #{seen[label]}"
            seen[label] += name in taken
        taken.add(name)
        result.append(name)
    return tuple(result)


def _split(bare: str) -> tuple[str, str, str]:
    """Split ``C3-A2`` (also ``C3:A2``, ``C3/A2``, ``C3 - A2``) into its two ends."""
    first, mark, second = re.fullmatch(r"([^-:/]*)([-:/]?)(.*)", bare, re.DOTALL).groups()  # type: ignore[union-attr]
    return first.strip(" ."), mark, second.strip(" .")


def _nets_have_no_eyes(labels: Sequence[str], guesses: Sequence[Guess]) -> list[Guess]:
    """In a net whose electrodes are numbered E1, E2, E3 ... the first two are not eye channels."""
    stripped = [label.strip().upper() for label in labels]
    numbered = {label for label in stripped if re.fullmatch(r"E\d+", label)}
    if not numbered - {"E1", "E2"}:
        return list(guesses)
    return [
        Guess(Role.OTHER, reason="a numbered net electrode has no 10-10 name")
        if label in numbered
        else guess
        for label, guess in zip(stripped, guesses, strict=True)
    ]
