"""What phone and page tell each other: how numbers and times are written, a place on the home screen."""

import json
import re
import struct
from urllib.request import Request, urlopen

import pytest
from playwright.sync_api import expect

from dashboard.languages import FORMS, usual
from tests.browser.test_tonight import NOW, outlook_of

INTL = """
() => {
  const told = (options, moment) => new Intl.DateTimeFormat(undefined, options).format(moment);
  const at = hour => new Date(2026, 10, 25, hour, 0);
  return {
    watts: new Intl.NumberFormat().format(1240),
    volts: new Intl.NumberFormat(undefined, { minimumFractionDigits: 1 }).format(12.5),
    evening: told({ timeStyle: 'short' }, at(20)),
    morning: told({ timeStyle: 'short' }, at(8)),
    order: new Intl.DateTimeFormat(undefined).formatToParts(at(8)).map(part => part.type),
  };
}
"""


@pytest.fixture(scope="module")
def evening(shared_hide):
    hide = shared_hide
    now = {**NOW, "array_power_W": 1240.0}
    hide.store([*hide.yesterday(), *hide.present(now)], health=[hide.healthy()], outlook=outlook_of(hide))
    hide.serve()
    return hide


def alike(text):
    """A time as any phone writes it, whatever space and size it chooses for 'pm'."""
    return text.replace("\N{NARROW NO-BREAK SPACE}", " ").replace("\N{NO-BREAK SPACE}", " ").lower()


@pytest.mark.parametrize("locale", ["de-DE", "en-US", "fr-FR"])
def test_numbers_and_times_are_those_of_the_phone(evening, visit, locale):
    # Chromium's own formatting, after Unicode's CLDR, is the judge
    page = visit.open(evening, locale=locale)
    phone = page.evaluate(INTL)
    expect(page.locator("[data-quantity=array_power_W]")).to_have_text(f"{phone['watts']} W")
    expect(page.locator("[data-quantity=battery_voltage_V]")).to_have_text(f"{phone['volts']} V")
    assert page.locator("[data-quantity=battery_voltage_V]").get_attribute("data-value") == "12.47"
    as_of = alike(page.locator("#as-of").text_content())
    minute = re.search(r":(\d\d)", as_of)[1]  # some of the evening may be gone
    assert f"as of {alike(phone['evening']).replace(':00', f':{minute}')}," in as_of
    # the outlook's sentence came ready-made from the daemon
    assert alike(phone["morning"]) in alike(page.locator("#sentence").text_content())
    day_first = phone["order"].index("day") < phone["order"].index("month")
    page.goto(evening.url + "days")
    heading = page.locator("main h2").first.text_content()
    assert heading.endswith("25 November 2026" if day_first else "November 25, 2026")
    if locale != "de-DE":
        return
    page.get_by_role("link", name="Tonight").click()
    page.wait_for_selector("#react-entry-point.alive", state="attached")
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    page.wait_for_selector("#as-of[data-count]")  # what comes with a refresh is written so, too
    expect(page.locator("[data-quantity=battery_voltage_V]")).to_have_text(f"{phone['volts']} V")


WRITING = """
tag => {
  const clock = new Intl.DateTimeFormat(tag, { hour: 'numeric' }).resolvedOptions().hourCycle;
  const parts = new Intl.DateTimeFormat(tag, { calendar: 'gregory' }).formatToParts(new Date());
  return [
    new Intl.NumberFormat(tag, { numberingSystem: 'latn' }).format(1234567.5),
    ['h11', 'h12'].includes(clock) ? 12 : 24,
    parts.map(part => ({ day: 'd', month: 'm', year: 'y' })[part.type] ?? '').join(''),
  ];
}
"""


def test_a_new_phone_is_answered_in_its_languages_form(evening, visit):
    # Unicode's CLDR, as Chromium's Intl tells it, is the judge
    page = visit.open(evening, path="/days")
    for tag in FORMS:
        form = usual(tag)
        number, hours, order = page.evaluate(WRITING, tag)
        group = next(mark for mark in number if not mark.isdigit()).replace("'", "’")
        assert (form.decimal, form.hours, form.order) == (number[-2], hours, order), tag
        assert form.group == group or (form.group.isspace() and group.isspace()), tag


def first_told(hide, **headers):
    with urlopen(Request(hide.url, headers=headers), timeout=10) as answer:
        return answer.read().decode()


def test_the_language_counts_until_the_phone_has_told_its_form(evening):
    assert "1.240 W" in first_told(evening, **{"Accept-Language": "de-LU,en;q=0.5"})
    assert "1’240 W" in first_told(evening, **{"Accept-Language": "de-CH"})
    assert "1,240 W" in first_told(evening, **{"Accept-Language": "de-CH", "Cookie": "form=pc24dmy"})
    for unknown in ("tlh", "", ";;,q=", "*"):
        assert "1,240 W" in first_told(evening, **{"Accept-Language": unknown})


def test_a_page_in_another_form_than_the_phones_is_written_anew_at_once(evening, visit):
    page = visit.open(evening, locale="en-DK")  # not among the languages, answered as in American English
    assert page.evaluate(WRITING, "en-DK")[1] == 24
    assert usual("en-DK").hours == 12
    expect(page.locator("#as-of")).to_contain_text("As of 20")


def test_the_chart_has_the_phones_marks(evening, visit):
    page = visit.open(evening, locale="de-DE")
    page.get_by_role("button", name="Look closer").click()
    page.wait_for_selector("#history-chart .main-svg")
    ticks = page.locator("#history-chart .ytick text").all_text_contents()
    assert any("," in tick for tick in ticks)
    assert not any("." in tick for tick in ticks)


def test_documents_for_programs_never_wear_a_phones_marks(evening, phone_cookie):
    with evening.get("/api/v1/latest") as plain, phone_cookie("/api/v1/latest") as told:
        first, second = json.load(plain), json.load(told)
    assert first.keys() == second.keys()
    with phone_cookie("/metrics") as told:
        assert "12.47" in told.read().decode()


@pytest.fixture
def phone_cookie(evening):
    def get(path):
        request = Request(evening.url.rstrip("/") + path, headers={"Cookie": "form=cp24dmy"})
        return urlopen(request, timeout=60)

    return get


@pytest.mark.parametrize("path", ["/", "/alarms"])
def test_the_page_can_be_put_on_the_home_screen(evening, visit, path):
    page = visit.open(evening, path=path)
    browser = page.context.new_cdp_session(page)
    found = browser.send("Page.getAppManifest")  # Chromium reads it and tells what is wrong
    assert found["url"] == f"{evening.url}home.webmanifest"
    assert found["errors"] == []
    told = json.loads(found["data"])
    assert (told["name"], told["start_url"], told["display"]) == ("Marsh hide", "/", "standalone")
    for icon in told["icons"]:
        with evening.get(icon["src"]) as answer:
            assert answer.headers["Content-Type"] == "image/png"
            head = answer.read(24)
        # PNG, third edition, 11.2.1: width and height follow the signature and the name IHDR
        assert "{}x{}".format(*struct.unpack(">II", head[16:24])) == icon["sizes"]
    touch = page.locator("link[rel=apple-touch-icon]").get_attribute("href")
    assert page.request.get(evening.url.rstrip("/") + touch).headers["content-type"] == "image/png"
    with evening.get("/home.webmanifest") as answer:
        assert answer.headers["Content-Type"] == "application/manifest+json"
