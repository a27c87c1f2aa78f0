"""The page on which a reader labels spans: one file, no server, no network."""

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from cleanspan.atomic import output_error, replacing_file
from cleanspan.errors import UsageError
from cleanspan.export.report import palette as looks
from cleanspan.export.report.page import environment, inline, policy
from cleanspan.export.report.palette import plain
from cleanspan.review.samples import Packed

_PAGE_ID = re.compile(rb'{"page":"([0-9a-f]{12})"')
TEMPLATES = Path(__file__).parent / "templates"
UNSURE, OTHER = "unsure", "other"
RESERVED = {UNSURE: "U", OTHER: "O"}
"""What a reader may always say, and the keys for it (contract of hand labels)."""


@dataclass(frozen=True, slots=True)
class PageRecording:
    """A recording that items come from.

    Attributes
    ----------
    name : str
        As it shall stand in the hand labels.
    channels : tuple of str
        The recording's own labels.
    written : tuple of str
        The same channels as the hand labels name them: no blanks.
    """

    name: str
    channels: tuple[str, ...]
    written: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Item:
    """One span to label.

    Attributes
    ----------
    recording : int
        Index into the page's recordings.
    onset_s, duration_s : float
        The span to label.
    shown_from_s : float
        When the traces begin: a little before the span.
    rate_hz : float
    traces : Packed
    reason : str
        Why it is on the page; goes into the note of the `reviewed` row, hidden on the page.
    """

    recording: int
    onset_s: float
    duration_s: float
    shown_from_s: float
    rate_hz: float
    traces: Packed
    reason: str


@dataclass(frozen=True, slots=True)
class PageFacts:
    """What the page says of itself.

    Attributes
    ----------
    labels : tuple of str
        The model's labels.
    control_share : float
        Which share of the items was drawn at random.
    seed : int
    model : str
    """

    labels: tuple[str, ...]
    control_share: float
    seed: int
    model: str


def write_page(
    items: Sequence[Item], recordings: Sequence[PageRecording], facts: PageFacts, path: Path
) -> str:
    """Write the page.

    Parameters
    ----------
    items : sequence of Item
    recordings : sequence of PageRecording
    facts : PageFacts
    path : Path

    Returns
    -------
    str
        The page's id: progress in the browser is kept under it.

    Raises
    ------
    UsageError
        If a page with other spans stands there.
    OutputError
        If the page cannot be written.
    """
    swatches = looks.palette((*facts.labels, *RESERVED), fixed=RESERVED)
    about = {
        "labels": [
            {"name": one.label, "shown": plain(one.label), "key": one.letter, "slot": one.slot}
            for one in swatches
        ],
        "share": facts.control_share,
        "seed": facts.seed,
        "recordings": [
            {
                "name": one.name,
                "shown": plain(one.name),
                "channels": [plain(name) for name in one.channels],
                "written": one.written,
            }
            for one in recordings
        ],
        "items": [_item(item, facts) for item in items],
    }
    page_id = hashlib.sha256(json.dumps(about, sort_keys=True).encode()).hexdigest()[:12]
    if path.exists() and _page_at(path) != page_id:
        raise UsageError(
            f"{path}: --out must be a new page, got one with other spans, on which somebody may "
            "have labels that are not saved yet; give another --out, or delete it"
        )
    script = inline("review.js", TEMPLATES)
    text = (
        environment(TEMPLATES)
        .get_template("review.html.jinja")
        .render(
            policy=policy(script),
            look=inline("look.css"),
            own_look=inline("review.css", TEMPLATES),
            colours=looks.colour_rules(swatches),
            script=script,
            about=embedded({"page": page_id, **about}),
            traces=[Markup(item.traces.text) for item in items],  # noqa: S704 - base64
            swatches=swatches,
            count=len(items),
            share=facts.control_share,
            model=facts.model,
        )
    )
    with replacing_file(path) as beside:
        beside.write_text(text, encoding="utf-8")
    return page_id


def check_place(path: Path) -> None:
    """Refuse to replace what is no page of ours, before any work.

    Raises
    ------
    UsageError
    """
    if path.exists() and not _page_at(path):
        raise UsageError(
            f"{path}: --out must be a new file or an earlier page of `cleanspan review`, got "
            "something else; give another name"
        )


def _page_at(path: Path) -> str:
    """Read the id of the page in a file; empty where it is none.

    Raises
    ------
    OutputError
        If it cannot be read: then it cannot be replaced either.
    """
    try:
        found = _PAGE_ID.search(path.read_bytes())
    except OSError as error:
        raise output_error(path, error) from error
    return found[1].decode() if found else ""


def _item(item: Item, facts: PageFacts) -> dict[str, object]:
    """Describe one item to the script."""
    return {
        "recording": item.recording,
        "onset": round(item.onset_s, 6),
        "duration": round(item.duration_s, 6),
        "from": round(item.shown_from_s, 6),
        "rate": item.rate_hz,
        "count": item.traces.count,
        "scale": item.traces.scale_uv,
        "note": note(item.reason, facts),
    }


def note(reason: str, facts: PageFacts) -> str:
    """Write the note of a `reviewed` row.

    It says whether the span belongs to the random control share, and names the labels that the
    reader could choose from: unmarked means absent for these and for no others.
    """
    drawn = f"{reason}, control share {facts.control_share:.2f}, seed {facts.seed}"
    return f"{drawn}; read for: {', '.join(facts.labels)}"


def embedded(value: object) -> Markup:
    """Write JSON that cannot end the element it stands in."""
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)  # noqa: S704 - no markup is left in it
