"""The printed sheet: Chromium's own PDF has one page, and its text holds the figures that the page shows."""

import json
from datetime import timedelta
from io import BytesIO

import pypdf
import pytest
from playwright.sync_api import expect

from monitor.clock import CLOCK_NOTE
from monitor.day_book import note_key
from monitor.records import LogEntry, Reading, Transition, to_datetime
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_writer
from monitor.sun.expected import supply_of
from monitor.sun.months import MONTHS_NOTE, ClearMonth, months_note

SKIES = ("clear", "broken", "overcast", "dark", "snow")
DAY = 86_400_000


def read(day_ms, back):
    """A day's invented readings: 5 A in and out by turns, a charge that is low every eleventh day."""
    for hour in range(0, 24, 2):
        at = day_ms + hour * 3_600_000
        yield Reading(at, "charger", "battery_voltage_V", 12.0 + back % 7 / 10)
        yield Reading(at, "charger", "battery_current_A", 5.0 if hour % 4 else -5.0)
        yield Reading(at, "charger", "battery_temperature_C", 4.0 + back % 20)
        yield Reading(at, "estimate", "state_of_charge", 0.45 if back % 11 == 0 else 0.8)
        yield Reading(at, "estimate", "state_of_charge_sd", 0.04)


@pytest.fixture(scope="module")
def year(shared_hide):
    """A year in which all that a sheet can tell of has happened, long texts and many alarms (invented)."""
    hide = shared_hide
    now = hide.now_ms()
    today = to_datetime(now).date()
    with open_writer(hide.store_file, "Europe/London") as writer:
        writer.put_note(CLOCK_NOTE, hide._clock.note())
        for back in range(370, 0, -1):
            day = today - timedelta(days=back)
            entry = {
                "sky": SKIES[back * 7 % 5],
                "harvest_Wh": 900.0 + back,
                "clear_sky_Wh": 2400.0,
                "unused_Wh": 120.0,
                "used_Wh": 1100.0,
                "battery_voltage_min_V": 11.9,
                "full": back % 11 == 0,
                "lowest_soc": 0.42 + back / 1000,
                "index": 0.3,
                "scale": 0.9,
                "reference_yield_h": 3.0,
                "array_yield_h": 2.1,
                "final_yield_h": 1.8,
            }
            writer.put_note(note_key(day), json.dumps(entry))
            at = now - back * DAY
            writer.append(read(at, back))
            name = f"An alarm of this site's own with a long name {back % 8}"
            writer.add_transition(Transition(at, name, "normal", "unacknowledged", "raised", "high", "x"))
            if back % 3 == 0:
                text = "Wiped the tops, looked at vents and terminals, " * 8
                writer.add_log_entry(LogEntry(at, "note", text, {}, "Ada", at))
        supply = supply_of(with_defaults(load_site(hide.site_file))[0])
        months = [ClearMonth(month, 3.0, 1200.0) for month in range(1, 13)]
        writer.put_note(MONTHS_NOTE, months_note(supply, months))
        writer.commit()
    hide.serve()
    return hide


@pytest.fixture(scope="module")
def page(chromium):
    page = chromium.new_page(viewport={"width": 390, "height": 844}, locale="en-GB")
    yield page
    page.close()


@pytest.mark.parametrize("days", [7, 30, 365])
def test_a_period_is_printed_on_one_sheet_with_its_figures(year, page, days):
    page.goto(f"{year.url}days/report?days={days}")
    rows = [row.inner_text().split("\t") for row in page.locator(".sheet tr").all()]
    assert len(rows) == 12
    paper = pypdf.PdfReader(BytesIO(page.pdf(prefer_css_page_size=True)))
    assert len(paper.pages) == 1
    # ISO 216: A4 is 210 x 297 mm
    assert [round(float(edge) / 72 * 25.4) for edge in paper.pages[0].mediabox[2:]] == [210, 297]
    text = " ".join(paper.pages[0].extract_text().split())
    for label, value in rows:
        assert f"{label} {value}".replace("\N{NO-BREAK SPACE}", " ") in text.replace(
            "\N{NO-BREAK SPACE}", " "
        )
    assert "more on the page Care" in text or days == 7
    assert "Look at the terminals and their torque: due now" in text
    assert "Made on 25 Nov 2026" in text
    assert not any(word in text for word in ("Tonight", "Earlier", "three months", "http"))


def test_paper_is_white_whatever_the_light(year, page):
    page.context.add_cookies([{"name": "look", "value": "night", "url": year.url}])
    page.goto(f"{year.url}days/report?days=30")
    ground = "getComputedStyle(document.body).backgroundColor"
    assert page.evaluate(ground) == "rgb(12, 3, 3)"
    page.emulate_media(media="print")
    assert page.evaluate(ground) == "rgb(255, 255, 255)"
    assert page.evaluate("getComputedStyle(document.querySelector('.told')).color") == "rgb(0, 0, 0)"
    expect(page.locator("nav")).to_be_hidden()
    page.emulate_media(media="screen")
    page.context.clear_cookies()


def test_days_leads_to_the_sheet_of_its_days_and_back(year, page):
    page.goto(f"{year.url}days?to=2026-11-20&days=30")
    page.get_by_role("link", name="On one sheet, to print").click()
    expect(page.get_by_role("heading", level=2).first).to_have_text("22 October to 20 November 2026")
    assert page.locator("nav a[aria-current=page]").text_content() == "Days"
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_role("link", name="← Days").click()
    expect(page.get_by_role("heading", level=2).first).to_have_text("22 October to 20 November 2026")


@pytest.mark.parametrize(
    "query", ["?to=x&days=y", "?to=9999-99-99", "?days=365&to=0001-01-01", "?%00=<script>"]
)
def test_a_garbled_address_shows_the_usual_days(year, query):
    with year.get(f"/days/report{query}") as answer:
        text = answer.read().decode()
        assert answer.status == 200
    assert "Days with readings" in text
    assert "<script>" not in text


def test_the_page_care_tells_of_the_winter_and_prints_it(year, page):
    page.goto(f"{year.url}care")
    winter = page.locator("#winter")
    expect(winter).to_contain_text("he array alone keeps it")
    expect(winter).to_contain_text("by 74 days of this site")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    text = " ".join(
        part.extract_text() for part in pypdf.PdfReader(BytesIO(page.pdf(prefer_css_page_size=True))).pages
    )
    assert "Winter" in text
