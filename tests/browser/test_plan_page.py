"""The page Plan in a browser: the sentence first, what if by a form without a script, on paper. Invented."""

import json
from datetime import timedelta
from io import BytesIO

import pypdf
import pytest
from playwright.sync_api import expect

from monitor.clock import CLOCK_NOTE
from monitor.day_book import note_key
from monitor.records import to_datetime
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_writer
from monitor.sun.expected import supply_of
from monitor.sun.months import MONTHS_NOTE, ClearMonth, months_note

LOADS = '\n[[loads]]\nname = "lamps"\nbranch = "hide"\npower_W = 30\nhours_per_day = 24\n'


@pytest.fixture(scope="module")
def planned(shared_hide):
    """A hide whose weather book has a year: clear for a fortnight, then dark for a fortnight, and so on."""
    hide = shared_hide
    hide.site_file.write_text(hide.site_file.read_text(encoding="utf-8") + LOADS, encoding="utf-8")
    site = with_defaults(load_site(hide.site_file))[0]
    today = to_datetime(hide.now_ms()).date()
    hide.store(hide.present({"battery_voltage_V": 12.6}), health=[hide.healthy()])
    with open_writer(hide.store_file, "Europe/London") as writer:
        writer.put_note(CLOCK_NOTE, hide._clock.note())
        # six hours of 600 W/m² on the plane each clear day, of which come 250 W (invented)
        months = [ClearMonth(month, 3.6, 1500.0) for month in range(1, 13)]
        writer.put_note(MONTHS_NOTE, months_note(supply_of(site), months))
        for back in range(1, 366):
            index = 1.0 if back // 14 % 2 else 0.05
            entry = {"used_Wh": None, "reference_yield_h": 3.6 * index, "index": index, "scale": 0.9}
            writer.put_note(note_key(today - timedelta(days=back)), json.dumps(entry))
        writer.commit()
    hide.serve()
    return hide


def test_the_page_answers_first_and_says_what_if_without_a_script(planned, visit):
    page = visit.open(planned, path="/plan", java_script_enabled=False)
    # 768 Wh a day with this computer, at 12.43 V (the middle of the published rest voltages, full to half)
    # 61.8 Ah, with 1.6 Ah of standing 63.4: 225 Ah down to half of 450 last 3.5 nights (by hand)
    expect(page.locator("#lead .told")).to_have_text(
        "The full bank carries the loads for 3.5 nights without any sun, down to the reserve of 50 %."
    )
    months = page.locator(".months li")
    assert months.count() == 12
    # a fortnight without sun is longer than the bank lasts, and each month has days of one
    assert {text.split()[1] for text in months.all_inner_texts()} == {"100"}
    page.locator("#what-if summary").click()
    page.get_by_label("Another load").fill("2 x 15 W fans 24 h")
    page.get_by_label("More strings of batteries").fill("2")
    page.get_by_label("Month to plan for").select_option("December")
    page.get_by_role("button", name="Tell me").click()
    # 1488 Wh: 119.7 Ah, and 3.3 Ah of standing; 450 Ah down to half of 900
    expect(page.locator("#what-if-told")).to_contain_text("2 more strings of batteries")
    expect(page.locator("#what-if-told")).to_contain_text("Then: 3.7 nights.")
    expect(page.get_by_label("Another load")).to_have_value("2 x 15 W fans 24 h")
    expect(page.get_by_label("Month to plan for")).to_have_value("12")
    page.get_by_role("link", name="As it is").click()
    assert page.locator("#what-if-told").count() == 0


def test_what_cannot_be_asked_is_said_beside_what_is(planned, visit):
    page = visit.open(planned, path="/plan?add=lamps&batteries=1")
    expect(page.get_by_role("alert").last).to_contain_text("'lamps' is no load; write it like")
    expect(page.get_by_label("Another load")).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#lead .told")).to_contain_text("3.5 nights")


def test_on_paper_the_steps_are_unfolded_and_no_form_is_left(planned, visit):
    page = visit.open(planned, path="/plan")
    paper = pypdf.PdfReader(BytesIO(page.pdf(prefer_css_page_size=True)))
    text = " ".join(" ".join(sheet.extract_text() for sheet in paper.pages).split())
    assert "for 3.5 nights without any sun" in text
    assert "Bank, product of all factors" in text
    assert "IEEE 1562-2021" in text
    assert not any(word in text for word in ("Tell me", "Another load", "Tonight"))
