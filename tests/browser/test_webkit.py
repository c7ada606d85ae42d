"""The pages in the other engine, WebKit, on which an iPhone's browsers build: looked at and tapped."""

from contextlib import ExitStack

import pytest
from selenium.common.exceptions import WebDriverException

from dashboard.pages import PAGES
from tests.browser.test_tonight import well_known_evening
from tests.browser.webkit import PHONE, webkit_phone
from tests.waiting import wait_for

PIN = "518207"

UNSEEN = """
return [...document.querySelectorAll('main *, .foot *')]
  .filter(e => e.checkVisibility({ contentVisibilityAuto: false }) && e.getBoundingClientRect().height > 0)
  .filter(e => !e.checkVisibility({ opacityProperty: true, visibilityProperty: true }))
  .map(e => e.outerHTML.slice(0, 100))
"""
"""What has its place on the page, and yet is not shown."""

WITHOUT_A_PICTURE = """
return [...document.querySelectorAll('svg.picture')]
  .filter(e => { const box = e.getBoundingClientRect(); return box.width < 4 || box.height < 4; })
  .map(e => e.outerHTML.slice(0, 100))
"""

TAKES_ENTRIES = "return [...document.forms].some(form => form.action.endsWith('/care/write'))"
IS_OPEN = "return arguments[0].parentElement.open"


@pytest.fixture(scope="module")
def phone():
    window = ExitStack()
    try:
        phone = window.enter_context(webkit_phone())
    except WebDriverException as refused:
        pytest.skip(f"WebKit does not start on this computer: {refused.msg}")
    with window:
        yield phone


@pytest.fixture(scope="module")
def evening(shared_hide):
    return well_known_evening(shared_hide, PIN)


def at(hide, path):
    return hide.url.rstrip("/") + path


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.path)
def test_every_page_shows_all_of_itself_on_a_phone(phone, evening, page):
    phone.open(at(evening, page.path))
    wide, needed = phone.asked("return [innerWidth, document.documentElement.scrollWidth]")
    assert wide < 1.1 * PHONE[0]
    assert needed <= wide
    wait_for(lambda: phone.asked(UNSEEN) == [], lambda: str(phone.asked(UNSEEN)))
    assert phone.asked(WITHOUT_A_PICTURE) == []
    assert phone.asked("return document.querySelector('h1').innerText")


def test_the_answer_is_read_at_once_and_the_night_is_drawn(phone, evening):
    phone.open(evening.url)
    assert "Lasts until morning: lowest about 54 %" in phone.text().replace("\N{NO-BREAK SPACE}", " ")
    assert phone.asked("return document.querySelectorAll('main svg path').length") > 2


def test_a_page_left_open_renews_itself_and_keeps_what_was_opened(phone, evening):
    phone.open(evening.url)
    wait_for(lambda: phone.asked("return !!document.querySelector('#react-entry-point.alive')"))
    phone.tap(phone.find("summary", "All values"))
    wait_for(lambda: phone.asked(IS_OPEN, phone.find("summary", "All values")))
    evening.store(evening.present({"battery_voltage_V": 13.37}, age_s=0))
    wait_for(lambda: "13.4" in phone.text() or "13.37" in phone.text(), phone.text)
    assert phone.asked(IS_OPEN, phone.find("summary", "All values"))


def test_a_tap_on_a_day_shows_it_closer(phone, evening):
    phone.open(at(evening, "/days"))
    phone.tap(phone.find("svg a"))
    wait_for(lambda: "/days/closer" in phone.url, lambda: phone.url)
    phone.tap(phone.find("a", "Wider"))
    wait_for(lambda: "from=" in phone.url and phone.find("svg"), lambda: phone.url)


def test_the_pin_opens_what_is_written_and_a_locked_page_takes_nothing(phone, evening):
    phone.open(at(evening, "/care"))
    assert not phone.asked(TAKES_ENTRIES)
    phone.tap(phone.find("a", "Unlock with the PIN"))
    phone.type(phone.find("input[name=pin]"), PIN)
    phone.tap(phone.find("button", "Unlock"))
    wait_for(lambda: phone.url.startswith(at(evening, "/care")), lambda: phone.url)
    assert phone.asked(TAKES_ENTRIES)
