"""The page 'Days' in a real browser: no script, every span has its own address, nothing sticks out."""

import json
from contextlib import closing
from datetime import timedelta

import pytest
from playwright.sync_api import expect

from dashboard.day_pictures import SCALE_WIDTH
from monitor.clock import CLOCK_NOTE
from monitor.day_book import note_key
from monitor.records import AlarmState, Reading, to_datetime
from monitor.store.embedded import open_writer
from tests.browser.test_manners import BEYOND, CONTRAST

SKIES = ("clear", "broken", "overcast", "dark", "snow")


@pytest.fixture(scope="module")
def fortnight(shared_hide):
    """Sixteen days with an entry of the weather book, and readings of the last three (invented)."""
    hide = shared_hide
    now = hide.now_ms()
    today = to_datetime(now).date()
    with closing(open_writer(hide.store_file, "Europe/London")) as writer:
        writer.put_note(CLOCK_NOTE, hide._clock.note())
        for back in range(16, 0, -1):
            day = today - timedelta(days=back)
            entry = {
                "date": day.isoformat(),
                "sky": SKIES[back % len(SKIES)],
                "harvest_Wh": 100.0 * (back % 7),
                "clear_sky_Wh": 1200.0,
                "unused_Wh": 150.0 if back % 5 == 0 else 0.0,
                "used_Wh": 280.0,
                "battery_voltage_min_V": 12.1,
                "full": back % 5 == 0,
                "lowest_soc": 0.5 + back / 40,
            }
            writer.put_note(note_key(day), json.dumps(entry))
        for back in range(3 * 144, 0, -1):
            hour = to_datetime(now - back * 600_000).hour
            power = 300.0 if 10 <= hour < 15 else 0.0
            writer.append([Reading(now - back * 600_000, "charger", "array_power_W", power)])
        writer.commit()
    hide.serve()
    return hide


@pytest.fixture
def still(chromium):
    """A phone with scripts switched off."""
    context = chromium.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=False)
    yield context.new_page()
    context.close()


def test_the_days_are_told_and_drawn_without_a_script(fortnight, still):
    still.goto(f"{fortnight.url}days")
    expect(still.locator("#days-told")).to_contain_text("The array gave")
    assert still.locator(".picture.days").count() == 2
    assert still.locator(".picture.hour-map rect").count() > 10
    assert still.locator("script:not([src^='/assets/phone.js'])").count() == 0


def test_links_lead_to_other_days_and_back_comes_back(fortnight, still):
    still.goto(f"{fortnight.url}days")
    heading = still.get_by_role("heading", level=2).first
    first = heading.text_content()
    still.get_by_role("link", name="Earlier").click()
    assert "days?to=" in still.url
    assert heading.text_content() != first
    still.get_by_role("link", name="a year").click()
    expect(still.get_by_role("heading", name="What the array gave by week, in kWh")).to_be_visible()
    still.go_back()
    still.go_back()
    assert heading.text_content() == first


def test_the_pages_lead_to_each_other(fortnight, visit):
    page = visit.open(fortnight)
    page.get_by_role("navigation").get_by_role("link", name="Days").click()
    expect(page.get_by_role("heading", name="What the array gave by day, in kWh")).to_be_visible()
    assert page.locator("nav a[aria-current=page]").text_content() == "Days"
    page.get_by_role("link", name="Tonight").click()
    page.wait_for_selector("#react-entry-point.alive", state="attached")


def test_a_tap_on_a_day_and_a_row_of_the_table_look_closer_at_it(fortnight, still):
    still.goto(f"{fortnight.url}days")
    picture = still.locator(".picture.days").first
    picture.evaluate("picture => picture.scrollIntoView({ block: 'center' })")  # clear of the bar below
    box = picture.bounding_box()
    scale = SCALE_WIDTH / 100
    share = scale + (1 - scale) * 12.5 / 14  # the last but one of fourteen
    still.mouse.click(box["x"] + box["width"] * share, box["y"] + 20)
    expect(still.locator("#closer-told h2")).to_have_text("Tuesday 24 November 2026")
    expect(still.locator("#closer-told")).to_contain_text("Array power: lowest 0 W")
    still.go_back()
    still.locator("summary").click()
    still.get_by_role("link", name="Mon 23 Nov").click()
    expect(still.locator("#closer-told h2")).to_have_text("Monday 23 November 2026")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
def test_it_is_large_enough_stands_out_and_fits(fortnight, chromium, scheme, width):
    context = chromium.new_context(viewport={"width": width, "height": 844}, color_scheme=scheme)
    page = context.new_page()
    said = []
    page.on("console", lambda message: said.append(message.text))
    page.goto(f"{fortnight.url}days")
    page.locator("summary").click()
    beyond = page.evaluate(BEYOND, width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width, beyond
    texts = page.evaluate(CONTRAST)
    # WCAG 2.1, success criterion 1.4.3 (AA): at least 4.5 : 1 (from memory)
    assert [text for text in texts if text[1] < 4.5] == []
    assert [text for text in texts if text[2] < 16] == []
    # 44 CSS px: WCAG 2.1, success criterion 2.5.5 (from memory); rows of a picture are in the table, too
    small = [link for link in page.locator("a:not(svg a)").all() if link.bounding_box()["height"] < 44]
    assert small == []
    assert said == []
    context.close()


@pytest.mark.parametrize("query", ["to=x&days=y", "to=9999-99-99", "days=365&to=0001-01-01", "<script>"])
def test_a_garbled_address_shows_the_usual_days(fortnight, query):
    with fortnight.get(f"/days?{query}") as answer:
        text = answer.read().decode()
        assert answer.status == 200
    assert "What the array gave" in text
    assert "<script>" not in text


def test_without_a_store_it_says_so(hide, still):
    hide.serve()
    still.goto(f"{hide.url}days")
    expect(still.locator("#lead")).to_contain_text("The store cannot be read")


def test_the_alarms_have_a_page_of_their_own(hide, still):
    alarm = AlarmState(
        "Low voltage", "unacknowledged", hide.now_ms() - 60_000, "high", 11.5, "Low voltage: 11.5 V is low"
    )
    hide.store(hide.present({"battery_voltage_V": 11.5}), alarms=[alarm])
    hide.serve()
    still.goto(f"{hide.url}alarms")
    standing = still.locator("[data-alarm='Low voltage']")
    expect(standing).to_contain_text("Low voltage: 11.5 V is low")
    expect(standing).to_contain_text("First: Switch off")
    assert still.evaluate("document.documentElement.scrollWidth") <= 390
    with hide.get("/alarms") as answer:
        assert "<script>" not in answer.read().decode()
