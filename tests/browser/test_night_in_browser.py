"""The night's page after a real night over the demo recordings and one that is broken."""

import os
import shutil
import time
from pathlib import Path

import pytest

from cleanspan.cli import main

DEMO = Path(__file__).parents[2] / "demo_data"


@pytest.fixture(scope="module")
def night_page(tmp_path_factory):
    root = tmp_path_factory.mktemp("night")
    (root / "in").mkdir()
    for source in sorted(DEMO.glob("*.edf")):
        shutil.copy(source, root / "in")
    (root / "in" / "broken.edf").write_text("no recording")
    long_ago = time.time() - 7200
    for path in (root / "in").iterdir():
        os.utime(path, (long_ago, long_ago))
    (root / "night.toml").write_text('inbox = ["in"]\noutput = "out"\n')
    with pytest.raises(SystemExit) as caught:
        main(["night", "--config", str(root / "night.toml"), "--quiet"])
    assert caught.value.code == 1
    return root / "out" / "night.html"


def test_opens_without_complaint_or_request(browser, night_page):
    browser.open(night_page)
    assert browser.complaints() == []
    assert [url for url in browser.requests() if not url.startswith(("file:", "data:"))] == []


def test_failures_stand_above_what_to_mend_and_what_came_in(browser, night_page):
    browser.open(night_page)
    headings = browser.ask("[...document.querySelectorAll('h2')].map((h) => h.textContent)")
    assert headings[0] == "What went wrong"
    assert headings.index("Mend these first") < headings.index("What came in")
    assert "broken.edf" in browser.ask("document.body.innerText")


def test_links_lead_to_each_recordings_page(browser, night_page):
    browser.open(night_page)
    links = browser.ask("[...document.querySelectorAll('a[href]')].map((a) => a.href)")
    reports = [link for link in links if link.endswith("_report.html")]
    assert len(set(reports)) == 3
    browser.driver.get(reports[0])
    assert "usable" in browser.ask("document.querySelector('h1').textContent")


@pytest.mark.parametrize("width", [800, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_fits_the_window(browser, night_page, width, scheme):
    browser.open(night_page, width=width, scheme=scheme)
    browser.picture(f"night-{scheme}-{width}")
    assert browser.ask("document.documentElement.scrollWidth") <= width


def test_prints_in_light_colours(browser, night_page):
    browser.open(night_page, scheme="dark")
    assert browser.paper().startswith(b"%PDF")
    browser.emulate({"prefers-color-scheme": "dark"}, media="print")
    assert browser.ask("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
