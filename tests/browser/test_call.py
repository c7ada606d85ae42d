"""An alarm at night: it covers the page, sounds after one tap, ends when it is answered, over or silenced."""

from dataclasses import replace

import pytest
from playwright.sync_api import expect

from monitor.records import AlarmState
from tests.browser.test_manners import CONTRAST
from tests.browser.test_tonight import NOW

COUNT_NOTES = """
window.notes = [];
const start = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (...when) {
  window.notes.push(Date.now());
  return start.apply(this, when);
};
const ramp = AudioParam.prototype.exponentialRampToValueAtTime;
window.loudest = [];
AudioParam.prototype.exponentialRampToValueAtTime = function (value, at) {
  if (value > 0.001) window.loudest.push(value);
  return ramp.call(this, value, at);
};
"""
"""Counts what the page plays; set into the browser by the test alone."""


@pytest.fixture
def night(hide):
    """An evening without an alarm."""
    hide.store(hide.present(NOW), health=[hide.healthy()])
    hide.serve()
    return hide


def low_voltage(hide, priority, state="unacknowledged", age_ms=60_000):
    since_ms = hide.now_ms() - age_ms
    text = "Low voltage: 11.5 V is below 11.7 V"
    return AlarmState("Low voltage", state, since_ms, priority, 11.5, text, since_ms)


def faint(page):
    """Texts with too little contrast: 4.5 : 1 is WCAG 2.1's success criterion 1.4.3 (AA; from memory)."""
    texts = page.evaluate(CONTRAST)
    assert any("Low voltage" in text for text, _, _ in texts)
    return [text for text in texts if text[1] < 4.5]


def beat(hide, page, *alarms):
    """The daemon goes on and writes how the alarms stand; the page looks at once, as when it comes back into
    sight, instead of within five seconds."""
    hide.store(alarms=alarms)
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")


def test_the_page_sounds_until_the_alarm_is_silenced_or_answered(night, visit):
    page = visit.open(night, init=COUNT_NOTES)
    page.get_by_role("button", name="Let this page sound").click()
    expect(page.get_by_role("button", name="Sound is on")).to_have_attribute("aria-pressed", "true")
    assert page.evaluate("notes.length") == 3, "the tap itself is answered, softly"
    beat(night, page, low_voltage(night, "high"))
    page.wait_for_function("() => notes.length >= 9")
    louder = page.evaluate("loudest.filter((_, at) => at % 3 === 0)")
    assert louder == sorted(louder), "softly first"
    assert louder[2] > louder[1] == louder[0]
    assert not page.locator("#call").evaluate("e => e.open"), "only the urgent cover the page"
    bar = page.locator("#sound-bar")
    expect(bar).to_contain_text("Low voltage")
    bar.get_by_role("button", name="Be quiet").click()
    expect(bar).to_be_hidden()
    heard = page.evaluate("notes.length")
    page.wait_for_timeout(4500)  # longer than from ring to ring
    assert page.evaluate("notes.length") == heard
    again = low_voltage(night, "high", age_ms=1000)  # it was over for a while, and is raised anew
    beat(night, page, again)
    page.wait_for_function("heard => notes.length > heard", arg=heard)
    expect(bar).to_be_visible()
    beat(night, page, replace(again, state="acknowledged"))
    expect(bar).to_be_hidden()


def test_an_urgent_alarm_covers_the_page_until_it_is_put_aside_or_over(night, visit):
    page = visit.open(night, init=COUNT_NOTES, look="night")
    page.get_by_text("All values").focus()
    alarm = low_voltage(night, "urgent")
    beat(night, page, alarm)
    cover = page.get_by_role("dialog", name="Urgent alarm")
    expect(cover).to_be_visible()
    box = cover.bounding_box()
    assert (box["x"], box["y"], box["width"], box["height"]) == (0, 0, 390, 844)
    expect(cover).to_contain_text("Low voltage: 11.5 V is below 11.7 V")
    expect(cover).to_contain_text("Active since 19:5")
    expect(cover).to_contain_text("First: Switch off")
    assert cover.get_attribute("aria-modal") == "true"
    assert faint(page) == []
    inside = "document.activeElement === document.body || document.activeElement.closest('#call') !== null"
    for _ in range(4):  # the focus goes round inside, or to the browser's own bars, never behind the cover
        assert page.evaluate(inside)
        page.keyboard.press("Tab")
    expect(cover.get_by_role("button", name="Be quiet")).to_be_hidden()
    page.keyboard.press("Escape")
    expect(cover).to_be_hidden()
    assert "All values" in page.evaluate("document.activeElement.textContent"), "back where it was"
    bar = page.locator("#call-bar")
    expect(bar).to_contain_text("Urgent: Low voltage")
    below = page.locator("nav").bounding_box()["y"]
    assert bar.bounding_box()["y"] + bar.bounding_box()["height"] <= below + 1, "the links stay in sight"
    assert faint(page) == []
    beat(night, page, alarm)
    page.wait_for_timeout(1500)  # a look goes by, and it stays aside
    expect(cover).to_be_hidden()
    bar.get_by_role("button", name="Look").click()
    expect(cover).to_be_visible()
    cover.get_by_role("button", name="Put aside").click()
    expect(cover).to_be_hidden()
    again = low_voltage(night, "urgent", age_ms=1000)
    beat(night, page, again)
    expect(cover).to_be_visible()
    beat(night, page, replace(again, state="normal"))
    expect(cover).to_be_hidden()
    expect(bar).to_be_hidden()
    assert page.evaluate("notes.length") == 0, "nothing sounds without the tap"
