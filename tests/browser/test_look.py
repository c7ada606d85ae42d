"""How the page is lit: by the hour, as the phone, night, day; right from the first byte, on every page."""

from datetime import UTC, datetime
from http.client import HTTPConnection
from urllib.parse import urlencode

import pytest
from playwright.sync_api import expect

from dashboard.pages import PAGES
from monitor.records import iso_utc
from tests.browser.test_tonight import NOW, outlook_of

HOUR = 3_600_000
COME_BACK = "() => document.dispatchEvent(new Event('visibilitychange')) && false"
"""The page asks for what is new when it comes back into sight, not only every five seconds."""

GROUND = "() => getComputedStyle(document.body).backgroundColor"
NIGHT, LIGHT, DARK = "rgb(12, 3, 3)", "rgb(251, 250, 247)", "rgb(16, 20, 23)"


@pytest.fixture(scope="module")
def evening(shared_hide):
    """Eight o'clock on a November evening: the sun set four hours ago."""
    hide = shared_hide
    hide.store(hide.present(NOW), health=[hide.healthy()], outlook=outlook_of(hide))
    hide.serve()
    return hide


@pytest.fixture
def phone(chromium):
    """A phone that comes for the first time, with scripts off: what it shows is the server's doing alone."""
    context = chromium.new_context(java_script_enabled=False, color_scheme="dark")
    yield context.new_page()
    context.close()


def test_at_night_the_first_answer_of_every_page_is_already_red(evening, phone):
    for path in (page.path for page in PAGES):
        phone.goto(evening.url.rstrip("/") + path)
        assert phone.evaluate(GROUND) == NIGHT, path
        assert phone.locator("meta[name=theme-color]").get_attribute("content") == "#0c0303"
        assert phone.locator("meta[name=color-scheme]").get_attribute("content") == "dark"


def test_a_person_chooses_the_light_without_scripts_and_it_stays(evening, phone):
    phone.goto(evening.url + "days?days=7")
    with phone.expect_navigation():
        phone.get_by_role("link", name="as the phone").click()
    assert phone.url == evening.url + "days?days=7", "back where it stood"
    assert phone.evaluate(GROUND) == DARK
    (cookie,) = phone.context.cookies()
    assert (cookie["name"], cookie["value"], cookie["sameSite"]) == ("look", "phone", "Strict")
    assert cookie["expires"] > datetime.now(UTC).timestamp() + 300 * 24 * 3600
    with phone.expect_navigation():
        phone.get_by_role("link", name="Alarms").click()
    assert phone.evaluate(GROUND) == DARK
    with phone.expect_navigation():
        phone.get_by_role("link", name="day", exact=True).click()
    assert phone.evaluate(GROUND) == LIGHT, "the phone's own dark is overruled"
    expect(phone.locator("#looks [aria-current]")).to_have_text("day")


@pytest.mark.parametrize(
    "back", ["//elsewhere.example/", "http://elsewhere.example/", "/\\elsewhere", "/a//b"]
)
def test_the_links_lead_nowhere_else(evening, back):
    connection = HTTPConnection("127.0.0.1", evening.port, timeout=60)
    connection.request("GET", f"/look?{urlencode({'as': 'day', 'back': back})}")
    answer = connection.getresponse()
    assert (answer.status, answer.headers["Location"]) == (303, "/")
    connection.close()


def test_a_choice_takes_effect_at_once_and_keeps_the_page(evening, visit):
    page = visit.open(evening, look=None)
    assert page.evaluate(GROUND) == NIGHT
    page.evaluate("document.body.kept = true")
    page.get_by_role("link", name="day", exact=True).click()
    assert page.evaluate(GROUND) == LIGHT
    page.get_by_role("link", name="night", exact=True).click()
    assert page.evaluate(GROUND) == NIGHT
    expect(page.locator("#looks [aria-current]")).to_have_text("night")
    assert page.evaluate("document.body.kept") is True, "nothing was loaded anew"
    other = page.context.new_page()
    other.goto(evening.url + "alarms")
    assert other.evaluate("document.documentElement.dataset.look") == "night"


def test_a_page_that_lies_open_turns_at_sunset_and_at_sunrise(hide, visit):
    hide.store(hide.present(NOW))
    hide.serve()
    sunset = hide.now_ms() + 12_000  # both pages must have opened by then
    hide.store([], outlook=outlook_of(hide, sunset=iso_utc(sunset)))
    live, still = visit.open(hide, look=None), visit.open(hide, look=None, path="/alarms")
    assert (live.evaluate(GROUND), still.evaluate(GROUND)) == (LIGHT, LIGHT)
    for page in (live, still):
        page.wait_for_function("() => document.documentElement.dataset.look === 'night'", timeout=40_000)
        assert page.evaluate(GROUND) == NIGHT
        assert page.locator("meta[name=theme-color]").first.get_attribute("content") == "#0c0303"
    assert hide.now_ms() >= sunset, "not before"
    dawn = iso_utc(hide.now_ms() - 1000)
    hide.store([], outlook=outlook_of(hide, sunset=iso_utc(sunset - 12 * HOUR), sunrise=dawn))
    live.wait_for_function(f"{COME_BACK} || document.documentElement.dataset.look === 'phone'")
    assert live.evaluate(GROUND) == LIGHT
