import csv
import io
import time

import pytest

from cleanspan.review.page import Item, PageFacts, PageRecording, write_page
from cleanspan.review.samples import packed, thinned
from cleanspan.training.hand_labels import read_hand_labels
from cleanspan.types import LABELS

TOP, BOTTOM, LEFT, RIGHT = 26, 30, 126, 14  # the board's margins, px


def make(invented, path, count=4, labels=LABELS):
    screened = invented.invented_screened(duration_s=4000)
    recording = screened.recording
    items = []
    for number in range(count):
        onset_s = 130.0 + 10 * number
        read = recording.span(range(19), onset_s - 1.5, 13)
        shown = thinned(read, rate_hz=250, to_hz=125)[:, 62 : 62 + 1500]
        reason = "doubt" if number else "control"
        items.append(Item(0, onset_s, 10.0, onset_s - 1, 125.0, packed(shown), reason))
    channels = tuple(channel.label for channel in screened.eeg)
    written = tuple(channel.electrode for channel in screened.eeg)
    source = PageRecording("ward-b_2031-03-04_rest.edf", channels, written)
    write_page(items, [source], PageFacts(labels, 0.25, 0, screened.model), path)
    return path


@pytest.fixture
def page(invented, tmp_path):
    return make(invented, tmp_path / "review.html")


class Desk:
    """A reader at the page."""

    def __init__(self, browser, path, **options):
        self.browser = browser
        self.path = path
        browser.open(path, **options)
        if browser.ask("byId('sheet').open"):
            browser.driver.find_element("css selector", "#sheet button").click()
        browser.ask("above.focus()")

    def keys(self, *keys):
        from selenium.webdriver.common.action_chains import ActionChains

        for key in keys:
            chain = ActionChains(self.browser.driver)
            *held, last = key if isinstance(key, tuple) else (key,)
            for one in held:
                chain = chain.key_down(one)
            chain = chain.send_keys(last)
            for one in held:
                chain = chain.key_up(one)
            chain.perform()

    def point(self, channel, seconds):
        width, height = self.browser.ask("[above.clientWidth, above.clientHeight]")
        x = LEFT + (seconds + 1) * (width - LEFT - RIGHT) / 12
        y = TOP + (channel + 0.5) * (height - TOP - BOTTOM) / 19
        return round(x - width / 2), round(y - height / 2)

    def drag(self, start, end):
        from selenium.webdriver.common.action_chains import ActionChains

        board = self.browser.driver.find_element("id", "marks")
        chain = ActionChains(self.browser.driver, duration=20)
        chain.move_to_element_with_offset(board, *self.point(*start)).click_and_hold()
        if end != start:
            chain.move_to_element_with_offset(board, *self.point(*end))
        chain.release().perform()

    def click(self, name):
        self.browser.driver.find_element("id", name).click()

    def label(self, name):
        self.browser.driver.find_element("css selector", f'[data-label="{name}"]').click()

    @property
    def marks(self):
        return [
            (one["label"], one["channel"], round(one["from"], 1), round(one["to"], 1))
            for one in self.browser.ask("marks()")
        ]

    def save(self, reader="QX"):
        field = self.browser.driver.find_element("id", "reader")
        if not field.get_attribute("value"):
            field.send_keys(reader)
        self.click("save")
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline:
            files = [one for one in self.browser.downloads.iterdir() if one.suffix == ".csv"]
            if files:
                return files[0]
            time.sleep(0.05)
        raise AssertionError("nothing was saved")


@pytest.fixture
def desk(browser, page):
    return Desk(browser, page)


def test_opens_without_complaint_or_request(browser, desk):
    assert browser.complaints() == []
    assert [url for url in browser.requests() if not url.startswith(("file:", "data:"))] == []


def test_a_letter_labels_the_channel_and_takes_it_back(desk):
    from selenium.webdriver.common.keys import Keys

    desk.keys("b", Keys.ARROW_DOWN, "m")
    assert desk.marks == [("blink", 0, 0, 10), ("muscle", 1, 0, 10)]
    desk.keys("m")
    assert desk.marks == [("blink", 0, 0, 10)]


def test_shift_labels_all_channels(desk):
    from selenium.webdriver.common.keys import Keys

    desk.keys((Keys.SHIFT, "C"))
    assert desk.marks == [("contact loss", -1, 0, 10)]


def test_a_span_by_keyboard_alone(desk):
    from selenium.webdriver.common.keys import Keys

    desk.keys(Keys.ARROW_DOWN, (Keys.SHIFT, Keys.ARROW_RIGHT), (Keys.SHIFT, Keys.ARROW_RIGHT), "[")
    desk.keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, "]", "b")
    assert desk.marks == [("blink", 1, 2, 2.3)]


def test_a_span_by_mouse_alone(desk):
    desk.drag((7, 3.0), (7, 5.0))
    desk.label("contact loss")
    assert desk.marks == [("contact loss", 7, 3.0, 5.0)]


def test_a_span_over_several_channels(desk):
    desk.drag((2, 6.0), (4, 4.0))
    desk.keys("m")
    assert desk.marks == [("muscle", row, 4.0, 6.0) for row in (2, 3, 4)]


def test_marks_that_touch_become_one_and_others_stay(desk):
    desk.drag((0, 1.0), (0, 3.0))
    desk.keys("b")
    desk.drag((0, 2.0), (0, 4.0))
    desk.keys("b")
    desk.drag((0, 6.0), (0, 7.0))
    desk.keys("b")
    assert desk.marks == [("blink", 0, 1.0, 4.0), ("blink", 0, 6.0, 7.0)]


def test_a_clicked_mark_is_relabelled_or_removed(desk):
    from selenium.webdriver.common.keys import Keys

    desk.drag((0, 1.0), (0, 3.0))
    desk.keys("b")
    desk.drag((0, 2.0), (0, 2.0))
    desk.keys("u")
    assert desk.marks == [("unsure", 0, 1.0, 3.0)]
    desk.drag((0, 2.0), (0, 2.0))
    desk.keys(Keys.DELETE)
    assert desk.marks == []


def test_undo_and_redo_over_items(desk):
    from selenium.webdriver.common.keys import Keys

    desk.keys("b", Keys.ENTER, "m")
    assert desk.browser.ask("kept.at") == 1
    desk.keys((Keys.CONTROL, "z"))
    assert desk.marks == []
    desk.keys((Keys.CONTROL, "z"))
    assert desk.browser.ask("kept.at") == 0
    assert desk.browser.ask("record(0).done") is False
    desk.click("undo")
    assert desk.marks == []
    assert desk.browser.ask("byId('undo').disabled") is True
    desk.keys((Keys.CONTROL, Keys.SHIFT, "z"), (Keys.CONTROL, "y"))
    assert desk.browser.ask("record(0)")["done"] is True
    desk.click("redo")
    assert desk.marks == [("muscle", 0, 0, 10)]
    assert desk.browser.ask("kept.at") == 1


def test_reload_keeps_progress(desk):
    from selenium.webdriver.common.keys import Keys

    desk.browser.driver.find_element("id", "reader").send_keys("QX")
    desk.browser.ask("above.focus()")
    desk.keys("b", Keys.ENTER, Keys.ARROW_DOWN, "m", "+")
    desk.browser.driver.refresh()
    assert desk.browser.ask("byId('sheet').open") is False
    assert desk.browser.ask("kept.at") == 1
    assert desk.marks == [("muscle", 1, 0, 10)]
    assert desk.browser.ask("record(0).done") is True
    assert desk.browser.ask("byId('reader').value") == "QX"
    assert desk.browser.ask("byId('done').textContent") == "1 finished"


def test_saved_labels_follow_the_contract(desk):
    from selenium.webdriver.common.keys import Keys

    desk.keys("b", Keys.ARROW_DOWN, "b")  # item 0: both, whole item
    desk.drag((7, 3.0), (7, 5.0))
    desk.keys("c")
    desk.keys((Keys.SHIFT, "L"), Keys.ENTER)
    desk.keys(Keys.ENTER)  # item 1: clean
    desk.keys("m")  # item 2: not finished
    path = desk.save()
    assert "1 with marks are not finished" in desk.browser.ask("byId('notice').textContent")
    labels = read_hand_labels([path])
    told = {
        (one.label, round(one.onset_s, 1), round(one.duration_s, 1), one.channels)
        for one in labels
    }
    assert told == {
        ("reviewed", 130.0, 10.0, ("all",)),
        ("reviewed", 140.0, 10.0, ("all",)),
        ("blink", 130.0, 10.0, ("Fp1", "Fp2")),
        ("contact loss", 133.0, 2.0, ("T7",)),
        ("line noise", 130.0, 10.0, ("all",)),
    }
    assert {one.reader for one in labels} == {"QX"}
    assert {one.recording for one in labels} == {"ward-b_2031-03-04_rest.edf"}
    notes = {one.onset_s: one.note for one in labels if one.label == "reviewed"}
    assert notes[130.0].startswith("control, control share 0.25, seed 0; read for: blink")
    assert notes[140.0].startswith("doubt, control share 0.25")
    rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
    assert rows[0] == ["recording", "label", "onset_s", "duration_s", "channels", "reader", "note"]


def test_nothing_is_saved_without_initials(desk):
    from selenium.webdriver.common.keys import Keys

    desk.keys(Keys.ENTER)
    desk.click("save")
    assert "initials" in desk.browser.ask("byId('notice').textContent")
    assert desk.browser.ask("document.activeElement.id") == "reader"
    assert list(desk.browser.downloads.iterdir()) == []


def test_initials_take_no_comma_or_formula(desk):
    desk.browser.driver.find_element("id", "reader").send_keys('=Q,"X')
    assert desk.browser.ask("kept.reader") == "QX"


def test_typing_initials_labels_nothing(desk):
    desk.browser.driver.find_element("id", "reader").send_keys("BMC")
    assert desk.marks == []


def test_a_labs_own_label_has_its_key(browser, invented, tmp_path):
    desk = Desk(browser, make(invented, tmp_path / "own.html", labels=("blink", "sweat")))
    desk.keys("s")
    assert desk.marks == [("sweat", 0, 0, 10)]


COUNT_POINTS = """((layer) => {
  const pens = CanvasRenderingContext2D.prototype, plain = pens.lineTo;
  let points = 0;
  pens.lineTo = function (...where) { points += 1; plain.apply(this, where); };
  layer();
  pens.lineTo = plain;
  return points;
})"""


def test_two_hundred_items_cost_no_more_to_draw_than_the_one_that_is_shown(
    browser, invented, tmp_path
):
    from selenium.webdriver.common.keys import Keys

    path = make(invented, tmp_path / "many.html", count=200)
    assert path.stat().st_size < 25_000_000
    desk = Desk(browser, path)
    desk.keys(*[Keys.PAGE_DOWN] * 15)
    assert browser.ask("kept.at") == 15
    samples = browser.ask("names().length * item().count")
    browser.ask("chosen = {first: 0, last: 18, from: 1, to: 9}")
    # The traces are drawn once, besides the grid and the scales, and not again with the marks.
    assert 0.5 * samples < browser.ask(f"{COUNT_POINTS}(draw)") < 1.1 * samples
    assert browser.ask(f"{COUNT_POINTS}(show)") < 0.01 * samples


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [800, 1280])
def test_everything_is_within_the_window(browser, page, width, scheme):
    desk = Desk(browser, page, width=width, scheme=scheme)
    desk.keys("b")
    desk.drag((7, 3.0), (9, 5.0))
    browser.picture(f"review-{scheme}-{width}")
    assert browser.ask("document.documentElement.scrollWidth") <= width
    assert browser.ask("above.clientHeight") > 450
    outside = browser.ask(
        "[...document.querySelectorAll('button, input')].filter((one) => { const box ="
        " one.getBoundingClientRect(); return box.width && !one.closest('dialog') && (box.right >"
        " innerWidth || box.bottom > innerHeight || box.left < 0 || box.top < 0); }).length"
    )
    assert outside == 0


def test_a_change_of_scheme_repaints_the_traces(browser, desk):
    def corner():
        return browser.ask("[...below.getContext('2d').getImageData(2, 2, 1, 1).data]")

    light = corner()
    browser.emulate({"prefers-color-scheme": "dark"})
    time.sleep(0.2)
    assert corner() != light
