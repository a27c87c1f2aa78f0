"""The model card: what the shipped recipe is made of, and what it reached on people left out."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from cleanspan.training.evaluation import Score, by_person, pooled
from cleanspan.training.open_recordings import (
    CLEANED,
    CLEANED_S,
    CLEANED_SOURCE,
    RECORDINGS,
    SOURCE,
)
from cleanspan.training.verdicts import TEST_SEEDS, Verdicts
from cleanspan.types import BLINK, CONTACT_LOSS, LABELS, MUSCLE


def figures(verdicts: Verdicts) -> dict[str, object]:
    """Plain numbers for the manifest."""
    whole = pooled(verdicts.read)
    return {
        "people": len({score.person for score in verdicts.read}),
        "read": {
            "blink_event_f1": _round(whole.events[BLINK].f1),
            "muscle_second_f1": _round(whole.cells[MUSCLE].f1),
            "contact_loss_second_f1": _round(whole.cells[CONTACT_LOSS].f1),
            "clean_seconds_marked": _round(whole.false_share),
        },
        "injected_f1": {
            kind: _round(score.cells[CONTACT_LOSS].f1) for kind, score in verdicts.injected.items()
        },
        "injected_elsewhere_f1": {
            kind: _round(score.cells[CONTACT_LOSS].f1)
            for kind, score in verdicts.elsewhere.items()
        },
        "small_caps_blink_event_f1": {
            cap: _round(score.events[BLINK].f1) for cap, score in verdicts.small.items()
        },
        "simulated_f1": {label: _round(verdicts.simulated.cells[label].f1) for label in LABELS},
        "expected_calibration_error": {
            label: _round(found.expected_error) for label, found in verdicts.calibrations.items()
        },
    }


def _round(value: float) -> float:
    return round(float(value), 4)


def shipped_card(name: str, verdicts: Verdicts | None, *, learned_from_readers: bool) -> str:
    """Write the card of the shipped model as Markdown."""
    lines = [
        f"# {name}",
        "",
        "Marks artefacts in scalp EEG. Not a medical device and not for diagnosis; local policy",
        "decides what is done with the marks. A missing mark proves nothing.",
        "",
        "## Made of",
        "",
        "- Simulated recordings (`cleanspan guide simulation`). The simulator's amplitudes,",
        "  blink topography and limits of visibility were fitted to the open recordings below,",
        "  so simulation and recordings are not independent.",
    ]
    if learned_from_readers:
        lines += [
            f"- {len(RECORDINGS)} open recordings, first minute each, with readers' marks:",
            f"  {SOURCE}. The recordings are not part of the project; their SHA-256 stand in the",
            "  manifest.",
            "- The same minutes, varied in size, reference and pass band, with contact faults",
            "  injected; and both once more cut down to caps of one to eight electrodes.",
            f"- {len(CLEANED)} recordings that another laboratory cleaned, the first",
            f"  {CLEANED_S:.0f} s varied and injected alike; nobody marked them, so outside",
            f"  the faults they count as having contact: {CLEANED_SOURCE}.",
        ]
    else:
        lines += [
            "- No recording that people read. What is lost: on people left out, models made so",
            "  marked muscle much worse than models that learned from readers.",
        ]
    if verdicts is not None:
        lines += _judged(verdicts)
    return "\n".join([*lines, *LIMITS])


LIMITS = [
    "",
    "## Limits",
    "",
    "- Readers, recordings and simulator come from few sources: another amplifier, cap or reader",
    "  will differ. Label some of your own recordings and retrain (`cleanspan guide teaching`).",
    "- Features, views and rules were chosen on the same people by leaving them out in turn, so",
    "  the figures are somewhat kind; no recording was kept back from that choice.",
    "- Readers share conventions, which flatters agreement; which channels carry mild lasting",
    "  muscle is a matter of taste even among them.",
    "- Children, sleep deeper than drowsiness, seizures and other pathology were not looked at.",
    "",
]


def _judged(verdicts: Verdicts) -> list[str]:
    """Tables of figures on people left out."""
    whole = pooled(verdicts.read)
    people = by_person(verdicts.read)
    return [
        "",
        "## Judged on people left out",
        "",
        f"{len(people)} people, and those of the other laboratory, left out in {verdicts.groups}",
        "groups in turn; each was judged by a fit that had not seen that person. Whole caps as",
        "recorded, 19 channels judged, finished segments. Truth: at least two readers where",
        "several read, else the one. Who has few true seconds of a label, or none, scores 0 as",
        "soon as one is marked.",
        "",
        "| figure | all | middle half of people | worst person |",
        "|---|---|---|---|",
        _spread("blink events, F1", whole.events[BLINK].f1, [p.events[BLINK].f1 for p in people]),
        _spread(
            "muscle seconds, F1", whole.cells[MUSCLE].f1, [p.cells[MUSCLE].f1 for p in people]
        ),
        _spread(
            "contact loss seconds, F1",
            whole.cells[CONTACT_LOSS].f1,
            [p.cells[CONTACT_LOSS].f1 for p in people],
        ),
        _spread(
            "clean seconds marked",
            whole.false_share,
            [p.false_share for p in people],
            high_is_bad=True,
        ),
        "",
        "| recording | blink F1 | muscle F1 | contact loss F1 | clean marked |",
        "|---|---|---|---|---|",
        *(_recording_row(score) for score in verdicts.read),
        "",
        "Line noise is defined by its measure. Channels whose 50/60 Hz rms exceeds their 1-40 Hz",
        f"rms: {verdicts.mains.found} of {verdicts.mains.must} marked nearly throughout; below a",
        f"quarter: {verdicts.mains.marked} of {verdicts.mains.must_not} with any mark.",
        "",
        "Contact faults injected into the recordings as they are, seconds by channel. What lies",
        "between two pops up to 1.5 s apart is marked, but not judged.",
        "",
        "| injected into people left out | F1 | precision | recall |",
        "|---|---|---|---|",
        *(_kind_row(kind, score) for kind, score in verdicts.injected.items()),
        *(
            _kind_row(f"{kind}, other laboratory", score)
            for kind, score in verdicts.elsewhere.items()
        ),
        "",
        "The same recordings cut down to a few electrodes:",
        "",
        "| electrodes | blink F1 | muscle F1 | clean marked | called contact loss |",
        "|---|---|---|---|---|",
        *(_small_row(cap, score) for cap, score in verdicts.small.items()),
        "",
        f"Fresh simulated recordings ({len(TEST_SEEDS)}), seconds by channel: "
        + ", ".join(f"{label} F1 {verdicts.simulated.cells[label].f1:.3f}" for label in LABELS)
        + f"; clean seconds marked {verdicts.simulated.false_share:.2%}.",
        "",
        "| calibration on readers' marks | expected error | Brier |",
        "|---|---|---|",
        *(
            f"| {label} | {found.expected_error:.3f} | {found.brier:.3f} |"
            for label, found in verdicts.calibrations.items()
        ),
    ]


def _spread(name: str, whole: float, people: Sequence[float], *, high_is_bad: bool = False) -> str:
    """One figure over all, its quartiles over people, and the worst."""
    known = np.array([value for value in people if np.isfinite(value)])
    low, high = np.quantile(known, (0.25, 0.75))
    worst = known.max() if high_is_bad else known.min()
    return f"| {name} | {whole:.3f} | {low:.3f} to {high:.3f} | {worst:.3f} |"


def _recording_row(score: Score) -> str:
    cells = [score.events[BLINK].f1, score.cells[MUSCLE].f1, score.cells[CONTACT_LOSS].f1]
    shown = " | ".join("-" if np.isnan(value) else f"{value:.2f}" for value in cells)
    return f"| {Path(score.name).stem} | {shown} | {score.false_share:.3f} |"


def _small_row(cap: str, score: Score) -> str:
    """Figures of a small cap; the last one is the share of the seconds with contact."""
    found = [score.events[BLINK].f1, score.cells[MUSCLE].f1]
    shown = " | ".join(f"{value:.3f}" for value in found)
    return f"| {cap} | {shown} | {score.false_share:.3f} | {_wrongly_lost(score):.3f} |"


def _wrongly_lost(score: Score) -> float:
    """Share of the seconds in which contact is not lost that were marked as lost."""
    row = score.classes.index(CONTACT_LOSS)
    others = np.delete(score.confusion, row, axis=0)
    return float(others[:, row].sum() / max(others.sum(), 1))


def _kind_row(kind: str, score: Score) -> str:
    counts = score.cells[CONTACT_LOSS]
    return f"| {kind} | {counts.f1:.3f} | {counts.precision:.3f} | {counts.recall:.3f} |"
