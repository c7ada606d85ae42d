"""How the page is lit: by the hour, as the phone, night, day; right from the first byte, on every page."""

import re
from datetime import UTC, datetime

import pytest
from playwright.sync_api import expect

from monitor.records import iso_utc
from tests.browser.test_tonight import NOW, outlook_of

HOUR = 3_600_000
PAGES = ("/", "/days", "/alarms", "/plan")
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


@pytest.mark.parametrize("path", PAGES)
def test_at_night_the_first_answer_of_every_page_is_already_red(evening, phone, path):
    phone.goto(evening.url.rstrip("/") + path)
    assert phone.evaluate(GROUND) == NIGHT
    assert phone.locator("meta[name=theme-color]").get_attribute("content") == "#0c0303"
    assert phone.locator("meta[name=color-scheme]").get_attribute("content") == "dark"


def test_a_person_chooses_the_light_without_scripts_and_it_stays(evening, phone):
    phone.goto(evening.url + "days?days=7")
    phone.get_by_role("link", name="as the phone").click()
    assert phone.url == evening.url + "days?days=7", "back where it stood"
    assert phone.evaluate(GROUND) == DARK
    (cookie,) = phone.context.cookies()
    assert (cookie["name"], cookie["value"], cookie["sameSite"]) == ("look", "phone", "Strict")
    assert cookie["expires"] > datetime.now(UTC).timestamp() + 300 * 24 * 3600
    phone.get_by_role("link", name="Alarms").click()
    assert phone.evaluate(GROUND) == DARK
    phone.get_by_role("link", name="day", exact=True).click()
    assert phone.evaluate(GROUND) == LIGHT, "the phone's own dark is overruled"
    expect(phone.locator("#looks [aria-current]")).to_have_text("day")


@pytest.mark.parametrize(
    "back", ["//elsewhere.example/", "http://elsewhere.example/", "/\\elsewhere", "/a//b"]
)
def test_the_links_lead_nowhere_else(evening, phone, back):
    answer = phone.request.get(f"{evening.url}look", params={"as": "day", "back": back}, max_redirects=0)
    assert (answer.status, answer.headers["location"]) == (303, "/")


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
    now = hide.now_ms()
    soon = outlook_of(hide, sunset=iso_utc(now + 9000), sunrise=iso_utc(now + 12 * HOUR))
    hide.store(hide.present(NOW), outlook=soon)
    hide.serve()
    live, still = visit.open(hide, look=None), visit.open(hide, look=None, path="/alarms")
    assert (live.evaluate(GROUND), still.evaluate(GROUND)) == (LIGHT, LIGHT)
    looks = "() => document.documentElement.dataset.look === "
    for page in (live, still):
        page.wait_for_function(f"{looks}'night'", timeout=25_000)
        assert page.locator("meta[name=theme-color]").first.get_attribute("content") == "#0c0303"
    dawn = outlook_of(hide, sunset=iso_utc(now - 12 * HOUR), sunrise=iso_utc(hide.now_ms() - 1000))
    hide.store([], outlook=dawn)
    live.wait_for_function(f"{looks}'phone'", timeout=15_000)


COLOURS = """
() => {
  const found = new Set();
  const names = ['color', 'backgroundColor', 'borderTopColor', 'fill', 'stroke', 'outlineColor',
    'textDecorationColor'];
  for (const e of document.querySelectorAll('body, body *')) {
    if (!e.checkVisibility() || e.closest('script, noscript, style')) continue;
    const style = getComputedStyle(e);
    const drawn = names.filter(name => name !== 'stroke' || parseFloat(style.strokeWidth) > 0);
    for (const name of drawn) found.add(style[name]);
  }
  return [...found];
}
"""


@pytest.mark.parametrize("path", PAGES)
def test_at_night_nothing_on_the_page_is_of_another_colour_than_red(evening, visit, path):
    page = visit.open(evening, look="night", path=path)
    if path == "/":
        page.get_by_role("button", name="Look closer").click()
        page.wait_for_selector("#history-chart .main-svg")
    colours = [[float(n) for n in re.findall(r"[\d.]+", text)] for text in page.evaluate(COLOURS)]
    seen = [colour for colour in colours if len(colour) == 3 or (len(colour) == 4 and colour[3] > 0)]
    assert len(seen) >= 5
    foreign = [colour for colour in seen if max(colour[1:3]) > 0.55 * colour[0] and max(colour[:3]) > 12]
    assert foreign == []
