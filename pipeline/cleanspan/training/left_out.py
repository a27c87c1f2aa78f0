"""What a model's fits said of people they had not seen, kept for comparing later models.

A retrained model has learned from everybody the lab labelled, so it cannot be asked about them
any more. Its left-out figures can stand in for it, as long as the recordings and their labels
are the same.
"""

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from cleanspan.config import read_toml
from cleanspan.errors import ConfigError, ModelError, damage
from cleanspan.training.judging import PersonCounts, person_code
from cleanspan.training.lessons import Lesson
from cleanspan.training.scores import Counts

LEFT_OUT = "left-out.toml"
"""File in a model folder."""


def lessons_codes(lessons: Sequence[Lesson]) -> dict[str, str]:
    """Hash everything each person's recordings and labels say."""
    keys: dict[str, list[str]] = {}
    for lesson in lessons:
        keys.setdefault(lesson.person, []).append(lesson.key)
    return {
        person: hashlib.sha256(" ".join(sorted(own)).encode()).hexdigest()[:16]
        for person, own in keys.items()
    }


def write_left_out(folder: Path, counts: PersonCounts, codes: Mapping[str, str]) -> None:
    """Write left-out counts into a model folder that is being made; people as codes only."""
    import tomli_w

    content = {
        person_code(person): {
            "lessons": codes[person],
            "labels": {
                label: [count.hit, count.false, count.missed, count.clear]
                for label, count in by_label.items()
            },
        }
        for person, by_label in counts.items()
    }
    (folder / LEFT_OUT).write_text(tomli_w.dumps(content), encoding="utf-8")


def read_left_out(folder: Path, codes: Mapping[str, str]) -> PersonCounts:
    """Read a model's left-out counts of the people whose recordings and labels are unchanged.

    Parameters
    ----------
    folder : Path
        Of the older model.
    codes : mapping of str to str
        The present `lessons_codes`.

    Raises
    ------
    ModelError
        If the file is damaged.
    """
    path = folder / LEFT_OUT
    if not path.is_file():
        return {}
    try:
        content = read_toml(path)
        return {
            person: {
                str(label): Counts(*(int(number) for number in numbers))
                for label, numbers in content[person_code(person)]["labels"].items()
            }
            for person, code in codes.items()
            if content.get(person_code(person), {}).get("lessons") == code
        }
    except (ConfigError, KeyError, TypeError, ValueError, AttributeError) as error:
        raise ModelError(
            f"{path}: left-out figures must be whole, got {damage(error)}; retrain"
        ) from error
