import re
from dataclasses import dataclass

import pandas as pd
import pytest

from cleanspan.export.report.page import write_report
from cleanspan.types import LABELS

HOSTILE = "</script><img src=x onerror=\"document.title='run'\">"


@dataclass
class Use:
    usable_s: float
    excluded: pd.DataFrame
    shortfalls: tuple[str, ...] = ()


def use(usable_s, *spans):
    return Use(usable_s, pd.DataFrame(list(spans), columns=["onset_s", "duration_s"]))


@pytest.fixture
def report(invented, tmp_path):
    path = tmp_path / "R_report.html"
    applied = {
        "resting": use(9800.0, (5700, 200), (8000, 4000)),
        "events": use(12900.0, (5760, 144)),
    }
    write_report(invented.invented_screened(), applied, path)
    return path


def test_opens_at_once_without_complaint_or_request(browser, report):
    browser.open(report)
    timing = browser.ask("performance.getEntriesByType('navigation')[0].loadEventEnd")
    assert timing < 1000
    assert browser.complaints() == []
    assert [url for url in browser.requests() if not url.startswith(("file:", "data:"))] == []


OVERLAPS = """(() => {
  const boxes = [...document.querySelectorAll(arguments[0])].map((one) => one.getBoundingClientRect());
  let found = 0;
  boxes.forEach((a, i) => boxes.slice(0, i).forEach((b) => {
    if (a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 1 && b.top < a.bottom - 1) found++;
  }));
  return [boxes.length, found];
})()"""  # noqa: E501


@pytest.mark.parametrize("width", [800, 1280])
def test_nothing_sticks_out_or_overlaps(browser, report, width):
    browser.open(report, width=width)
    assert browser.ask("document.documentElement.scrollWidth") <= width
    for selector in (
        ".axis span",
        ".head .gauge",
        ".names li",
        ".asides li",
        "h2",
        ".spectra text",
    ):
        count, overlaps = browser.ask(OVERLAPS, selector)
        assert count > 2, selector
        assert overlaps == 0, selector


def test_dark_and_light_differ_and_both_have_pictures(browser, report):
    browser.open(report, scheme="light")
    light = browser.ask("getComputedStyle(document.body).backgroundColor")
    browser.picture("report-light")
    browser.emulate({"prefers-color-scheme": "dark"})
    dark = browser.ask("getComputedStyle(document.body).backgroundColor")
    browser.picture("report-dark")
    assert light != dark
    assert (
        browser.ask("getComputedStyle(document.querySelector('.f0')).fill") == "rgb(242, 208, 96)"
    )


def test_prints_on_a_few_sheets_in_light_colours_even_in_the_dark(browser, report):
    browser.open(report, scheme="dark")
    paper = browser.paper()
    assert paper.startswith(b"%PDF")
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", paper)) <= 6
    browser.emulate({"prefers-color-scheme": "dark"}, media="print")
    assert browser.ask("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert (
        browser.ask("getComputedStyle(document.querySelector('.f0')).fill") == "rgb(148, 103, 0)"
    )


def test_pointer_reads_time_and_channel(browser, report):
    from selenium.webdriver.common.action_chains import ActionChains

    browser.open(report)
    plot = browser.driver.find_element("css selector", ".plot")
    browser.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", plot)
    ActionChains(browser.driver).move_to_element(plot).perform()
    told = browser.driver.find_element("css selector", ".here b").text
    hours, minutes, seconds, name = re.fullmatch(r"(\d):(\d\d):(\d\d)\s+(.*)", told).groups()
    assert int(hours) * 3600 + int(minutes) * 60 + int(seconds) == pytest.approx(7200, abs=30)
    assert name == "EEG Cz-A1A2"


def test_complete_without_scripts(browser, report):
    browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    browser.open(report)
    texts = browser.driver.find_element("tag name", "body").text
    assert "are usable under the plan" in texts
    assert len(browser.driver.find_elements("css selector", "svg.map path")) > 6


def test_hostile_names_run_nothing(browser, invented, tmp_path):
    names = [f"{HOSTILE}{number}" for number in range(19)]
    path = tmp_path / "hostile.html"
    screened = invented.invented_screened(duration_s=600, names=names, labels=(*LABELS, HOSTILE))
    write_report(screened, {HOSTILE: 1.0}, path)
    browser.open(path)
    assert browser.ask("document.images.length") == 0
    assert browser.ask("document.title") != "run"
    assert browser.complaints() == []
