import re
import subprocess
import sys
import time
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from cleanspan.errors import OutputError
from cleanspan.export.report.page import policy, write_report
from cleanspan.types import LABELS, Finding, Spectra

HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(1)>\"'\x00\u202e"


@dataclass
class Use:
    usable_s: float
    excluded: pd.DataFrame
    shortfalls: tuple[str, ...] = field(default=())


def use(usable_s, *spans, shortfalls=()):
    return Use(usable_s, pd.DataFrame(list(spans), columns=["onset_s", "duration_s"]), shortfalls)


class Parsed(HTMLParser):
    VOID = frozenset({"meta", "link", "br", "img", "input"})

    def __init__(self, text):
        super().__init__()
        self.tags, self.open, self.attributes, self.texts = [], [], [], []
        self.feed(text)
        assert not self.open, self.open

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not self.open or self.open[-1] not in ("style", "script"):
            self.texts.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.texts).split())


@pytest.fixture
def screened(invented):
    return invented.invented_screened(duration_s=1200)


def write(screened, tmp_path, applied=None):
    path = tmp_path / "R_report.html"
    write_report(screened, {"resting": use(900.0)} if applied is None else applied, path)
    return path.read_text(encoding="utf-8")


def test_the_page_says_what_matters(screened, tmp_path):
    applied = {"events": 1100.0, "resting": use(900.0, (0, 300), shortfalls=("too short",))}
    page = Parsed(write(screened, tmp_path, applied))
    for words in (
        "15 min 00 s of 20 min 00 s (75 %) are usable under the plan “resting”.",
        "What to mend before the next session",
        "look for water running from one sponge to the other",
        "The recording does not meet this plan: too short.",
        "18 min 20 s",
        "ward-b_2031-03-04_rest.edf",
        "250 Hz",
        "sponge-cap-1 (3f9a2c71)",
        screened.config.fingerprint(),
        "Not a medical device, and not for diagnosis",
        "A missing mark proves nothing",
        "stays the reference",
        "mains 50 Hz",
        "0:00:00",
    ):
        assert words in page.text, words
    for channel in screened.recording.channels:
        assert channel.label in page.text
    assert page.tags.count("figure") == 8


def test_the_page_needs_nothing_else(screened, tmp_path):
    text = write(screened, tmp_path)
    page = Parsed(text)
    for name, value in page.attributes:
        if name in ("src", "href", "action", "data", "poster", "srcset"):
            assert value.startswith(("data:", "#")), (name, value)
    assert "http://" not in text
    assert "https://" not in text
    assert "@import" not in text
    assert not re.search(r"url\((?!#)", text)


def test_hostile_labels_stay_text(invented, tmp_path):
    names = [f"{HOSTILE}{number}" for number in range(19)]
    screened = invented.invented_screened(
        duration_s=600, names=names, labels=(*LABELS, HOSTILE),
        extra_segments=[(names[4], HOSTILE, HOSTILE, 100.0, 3.0, 0.9)],
    )  # fmt: skip
    screened = replace(
        screened,
        findings=(Finding("dead", (names[0],), HOSTILE),),
        model=HOSTILE,
        channels=screened.channels.assign(note=HOSTILE),
    )
    screened.recording.warnings = (HOSTILE,)
    text = write(screened, tmp_path, {HOSTILE: use(1.0, shortfalls=(HOSTILE,))})
    page = Parsed(text)
    assert page.tags.count("script") == 1
    assert "img" not in page.tags
    assert not [name for name, _ in page.attributes if name.startswith("on")]
    assert "\x00" not in text
    assert "\u202e" not in text
    assert "alert(1)" in page.text


def test_only_our_script_may_run(screened, tmp_path):
    text = write(screened, tmp_path)
    script = re.search(r"<script>(.*?)</script>", text, re.DOTALL)[1]
    assert policy(script).replace("'", "&#39;") in text
    assert "default-src 'none'" in policy(script)


def test_any_label_set_and_no_contact_label(invented, tmp_path):
    labels = ("sweat", "blink", "lateral eye movement")
    screened = invented.invented_screened(
        duration_s=600,
        labels=labels,
        extra_segments=[("EEG Fz-A1A2", "sweat", "", 50.0, 40.0, 0.7)],
    )
    page = Parsed(write(screened, tmp_path))
    assert "lateral eye movement" in page.text
    assert "Contact" not in page.text.split("Channels")[0].split("Traces")[1]


def test_an_empty_recording_still_gives_a_page(screened, tmp_path):
    bare = replace(
        screened,
        segments=screened.segments.iloc[:0],
        findings=(),
        spectra=None,
        mains_hz=None,
        channels=screened.channels.assign(verdict="good"),
    )
    page = Parsed(write(bare, tmp_path, {}))
    assert "Nothing stood out." in page.text
    assert "none found" in page.text


def test_broken_spectra_and_gaps_are_survived(invented, tmp_path):
    screened = invented.invented_screened(duration_s=1200, gap=(500.0, 620.0))
    density = screened.spectra.density_uv2_hz.copy()
    density[3] = np.nan
    density[4] = 0
    screened = replace(screened, spectra=Spectra(screened.spectra.frequency_hz, density))
    text = write(screened, tmp_path)
    assert "nan" not in re.sub(r"<style>.*?</style>", "", text, flags=re.DOTALL).replace(
        "resonan", ""
    )
    assert 'class="gap"' in text
    assert "2, with gaps between them" in text


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        ([{}], "none stated in the header"),
        (
            [{"high_pass_hz": 0.5, "low_pass_hz": 70.0, "notch_hz": 50.0}],
            "high-pass 0.5 Hz, low-pass 70 Hz, notch 50 Hz",
        ),
        ([{"low_pass_hz": 35.0}, {}], "low-pass 35 Hz; none stated"),
        (
            [{"low_pass_hz": 35.0}, {"low_pass_hz": 70.0}, {}],
            "low-pass 35 Hz; low-pass 70 Hz; others on other channels",
        ),
    ],
)
def test_the_recorders_filters_are_told_or_that_none_are_stated(screened, tmp_path, stated, said):
    none = {"high_pass_hz": None, "low_pass_hz": None, "notch_hz": None}
    eeg = tuple(
        replace(channel, **none | stated[number % len(stated)])
        for number, channel in enumerate(screened.eeg)
    )
    text = Parsed(write(replace(screened, eeg=eeg), tmp_path)).text
    assert f"Filters {said} Mains" in text


def test_nobody_is_named(screened, tmp_path):
    """Only the file's name says whose recording it is; the start of the recording is left out."""
    from datetime import datetime

    screened.recording.start = datetime(2031, 3, 4, 9, 12, 44)
    text = write(screened, tmp_path)
    assert "09:12" not in text
    assert "9:12:44" not in text


def test_a_failed_write_leaves_nothing(screened, tmp_path):
    with pytest.raises(OutputError, match="must be writable"):
        write_report(screened, {}, tmp_path / "missing" / "R_report.html")
    assert list(tmp_path.iterdir()) == []


def test_four_hours_are_small_and_quick(invented, tmp_path):
    screened = invented.invented_screened(duration_s=4 * 3600)
    write(screened, tmp_path)  # imports and template compilation
    started = time.process_time()
    text = write(screened, tmp_path)
    assert time.process_time() - started < 0.4
    assert len(text.encode()) < 1_500_000


def test_reads_only_short_stretches(screened, tmp_path):
    write(screened, tmp_path)
    assert len(screened.recording.spans_read) == 8
    assert max(duration_s for _, _, duration_s in screened.recording.spans_read) <= 12


def test_no_heavy_import():
    code = (
        "import sys, cleanspan.export.report.page as page; page.environment();"
        "heavy = 'mne', 'sklearn', 'matplotlib', 'scipy', 'pyarrow';"
        "print([name for name in heavy if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
