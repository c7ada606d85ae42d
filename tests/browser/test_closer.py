"""A closer look in a real browser: links without scripts, fingers and wheel with them, back, garbage."""

import math
from contextlib import closing

import pytest
from playwright.sync_api import expect

from dashboard.svg import SCALE_WIDTH
from monitor.clock import CLOCK_NOTE
from monitor.records import Reading
from monitor.store.embedded import open_writer
from tests.browser.conftest import HOUR
from tests.browser.test_manners import BEYOND, CONTRAST

DAY = 24 * HOUR


@pytest.fixture(scope="module")
def month(shared_hide):
    """A month of readings each ten minutes and an hour each 5 s (invented)."""
    hide = shared_hide
    now = hide.now_ms()
    times = [*range(now - 30 * DAY, now - HOUR, 600_000), *range(now - HOUR, now, 5000)]
    with closing(open_writer(hide.store_file, "Europe/London")) as writer:
        writer.rank_devices(["charger"])
        writer.put_note(CLOCK_NOTE, hide._clock.note())
        for at in times:
            sun = max(0.0, math.sin(((at / HOUR) % 24 - 7) / 10 * math.pi))
            writer.append(
                [
                    Reading(at, "charger", "battery_voltage_V", round(12.2 + sun, 2)),
                    Reading(at, "charger", "array_power_W", round(250 * sun, 1)),
                    Reading(at, "derived", "battery_current_A", round(15 * sun - 2, 2)),
                    Reading(at, "estimate", "state_of_charge", round(0.6 + 0.2 * sun, 3)),
                ]
            )
        writer.commit()
    hide.serve()
    return hide


@pytest.fixture
def look(month, chromium):
    """Opens a closer look on a phone and keeps what the browser complained of."""
    contexts, said = [], []

    def open_at(query="", scripts=True, width=390, scheme="light"):
        context = chromium.new_context(
            viewport={"width": width, "height": 844},
            has_touch=True,
            java_script_enabled=scripts,
            color_scheme=scheme,
        )
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.goto(f"{month.url}days/closer{query}")
        return page

    yield open_at
    for context in contexts:
        context.close()
    assert said == []


ONE_DAY = "?quantity=battery_voltage_V&from=2026-11-20&to=2026-11-21"


def edges(page):
    """The span that the pictures show, in ms."""
    data = page.locator("#closer-pictures").evaluate("box => [box.dataset.from, box.dataset.to]")
    return tuple(int(text) for text in data)


def wait_for_another(page, before):
    page.wait_for_function(
        "before => Number(document.getElementById('closer-pictures').dataset.from) !== before[0]"
        " || Number(document.getElementById('closer-pictures').dataset.to) !== before[1]",
        arg=list(before),
    )
    return edges(page)


def field(page):
    """Left edge, width and middle height of the part of the first picture that moves: all but its scale."""
    box = page.locator(".picture.strip").first.bounding_box()
    scale = box["width"] * SCALE_WIDTH / 100
    return box["x"] + scale, box["width"] - scale, box["y"] + box["height"] / 2


def test_without_scripts_every_step_is_a_link_and_back_comes_back(look):
    page = look(ONE_DAY, scripts=False)
    heading = page.locator("#closer-told h2")
    expect(heading).to_have_text("Friday 20 November 2026")
    expect(page.locator("#closer-told")).to_contain_text("Bank voltage: lowest 12.2 V")
    page.get_by_role("link", name="Earlier").click()
    expect(heading).to_have_text("Thursday 19 November 2026")
    page.get_by_role("link", name="Closer").click()
    expect(heading).to_have_text("Thursday 19 November 2026, 09:00 to 15:00")
    page.get_by_text("Other lengths").click()
    page.get_by_role("link", name="a week").click()
    expect(heading).to_have_text("16 to 22 November 2026")
    for _ in range(3):
        page.go_back()
    expect(heading).to_have_text("Friday 20 November 2026")


def test_before_the_first_reading_it_leads_to_that_day(look):
    page = look("?quantity=battery_voltage_V&from=2025-01-01&to=2025-01-08", scripts=False)
    expect(page.locator("#closer-told")).to_contain_text("Bank voltage: nothing was read in this time.")
    page.get_by_role("link", name="The first readings are of 26 Oct 2026").click()
    expect(page.locator("#closer-told h2")).to_have_text("Monday 26 October 2026")
    expect(page.locator("#closer-told")).to_contain_text("Bank voltage: 12.2 V")


def test_without_scripts_a_tap_on_the_picture_looks_closer_there(look):
    page = look(ONE_DAY, scripts=False)
    left, width, middle = field(page)
    page.mouse.click(left + width * 0.56, middle)  # 13:26 of the day: in the part from 12:00 to 15:00
    expect(page.locator("#closer-told h2")).to_have_text("Friday 20 November 2026, 12:00 to 15:00")


def test_a_second_quantity_is_shown_beside_the_first_and_taken_away(look):
    page = look(ONE_DAY)
    page.get_by_text("Show beside it").click()
    page.locator("#closer-second").get_by_role("link", name="Array power").click()
    expect(page.locator(".picture.strip")).to_have_count(2)
    expect(page.locator("#closer-told")).to_contain_text("Array power: lowest 0 W")
    page.locator("#closer-second").get_by_role("link", name="nothing").click()
    expect(page.locator(".picture.strip")).to_have_count(1)
    assert "beside" not in page.url


def test_a_mouse_that_drags_moves_the_time_and_back_comes_back(look):
    page = look(ONE_DAY)
    before = edges(page)
    left, width, middle = field(page)
    page.mouse.move(left + width * 0.25, middle)
    page.mouse.down()
    page.mouse.move(left + width * 0.75, middle, steps=5)
    moved = page.locator(".goes").first.evaluate("g => g.style.transform")
    assert "translateX" in moved  # under the finger at once
    page.mouse.up()
    after = wait_for_another(page, before)
    # half of the width is half a day
    assert after[0] == pytest.approx(before[0] - DAY / 2, abs=DAY / 100)
    assert after[1] - after[0] == pytest.approx(DAY, abs=1000)
    page.go_back()
    assert wait_for_another(page, after) == before
    page.go_forward()
    assert wait_for_another(page, before) == after


def test_no_finger_goes_further_ahead_than_half_of_the_picture(look, month):
    page = look("?quantity=battery_voltage_V&from=2026-11-25&to=2026-11-26")
    before = edges(page)
    left, width, middle = field(page)
    page.mouse.move(left + width * 0.95, middle)
    page.mouse.down()
    page.mouse.move(left + width * 0.05, middle, steps=3)
    page.mouse.up()
    after = wait_for_another(page, before)
    assert after[1] - after[0] == pytest.approx(DAY, abs=1000)
    assert sum(after) / 2 == pytest.approx(month.now_ms(), abs=10 * 60_000)


def touch(session, kind, *points):
    touches = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(points)]
    session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})


def test_two_fingers_spread_the_time_between_them(look):
    page = look(ONE_DAY)
    before = edges(page)
    left, width, middle = field(page)
    at = [left + share * width for share in (0.2, 0.4, 0.6, 0.8)]
    session = page.context.new_cdp_session(page)
    touch(session, "touchStart", (at[1], middle), (at[2], middle))
    touch(session, "touchMove", (at[0], middle), (at[3], middle))
    touch(session, "touchEnd")
    after = wait_for_another(page, before)
    # what lay between two and three fifths now lies between one and four fifths: a third of the time
    assert after[1] - after[0] == pytest.approx(DAY / 3, rel=0.05)
    assert sum(after) / 2 == pytest.approx(sum(before) / 2, abs=DAY / 50)


def test_a_double_tap_and_a_wheel_look_closer_where_they_are(look):
    page = look(ONE_DAY)
    before = edges(page)
    left, width, middle = field(page)
    x = left + width / 2
    page.touchscreen.tap(x, middle)
    page.touchscreen.tap(x, middle)
    after = wait_for_another(page, before)
    assert after[1] - after[0] == pytest.approx(DAY / 3, rel=0.02)
    page.mouse.move(x, middle)
    page.mouse.wheel(0, 400)
    wider = wait_for_another(page, after)
    assert wider[1] - wider[0] > 1.5 * (after[1] - after[0])


def test_a_tap_looks_closer_at_that_part(look):
    page = look(ONE_DAY)
    left, width, middle = field(page)
    page.touchscreen.tap(left + width * 0.56, middle)
    expect(page.locator("#closer-told h2")).to_have_text("Friday 20 November 2026, 12:00 to 15:00")


def test_the_pictures_stay_where_they_are_and_what_is_unfolded_stays_so(look):
    page = look(ONE_DAY)
    page.get_by_text("As a table").click()
    page.evaluate("scrollTo(0, 150)")
    before, top = edges(page), page.locator("#closer-pictures").bounding_box()["y"]
    link = page.get_by_role("link", name="Closer")  # its heading is a line longer
    link.focus()
    page.keyboard.press("Enter")
    wait_for_another(page, before)
    assert page.locator("#closer-pictures").bounding_box()["y"] == pytest.approx(top, abs=1)
    expect(page.locator("#closer-table table")).to_be_visible()
    expect(page.locator("#closer-moves [data-move=closer]")).to_be_focused()


def test_a_page_that_gets_no_answer_says_so_and_keeps_its_picture(look):
    page = look(ONE_DAY)
    before = edges(page)
    page.evaluate("window.fetch = () => Promise.reject(new TypeError('no network')); 0")
    page.get_by_role("link", name="Earlier").click()
    expect(page.locator("#closer-told")).to_contain_text("No answer from the page’s computer")
    assert edges(page) == before


def test_the_closest_look_is_large_enough_stands_out_and_fits(look):
    width = 360
    page = look("?from=2026-11-25T19:50:00Z&to=2026-11-25T20:00:00Z", width=width, scheme="dark")
    for summary in page.locator("summary").all():
        summary.click()
    beyond = page.evaluate(BEYOND, width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width, beyond
    texts = page.evaluate(CONTRAST)
    # WCAG 2.1, success criterion 1.4.3 (AA): at least 4.5 : 1 (from memory)
    assert [text for text in texts if text[1] < 4.5] == []
    assert [text for text in texts if text[2] < 16] == []
    small = [
        link
        for link in page.locator("main p a, main th a, nav a").all()
        if link.bounding_box()["height"] < 44
    ]
    assert small == []  # 44 CSS px: WCAG 2.1, success criterion 2.5.5 (from memory)


def test_each_picture_is_told_to_who_cannot_see_it(look):
    page = look()
    for picture in page.locator("[role=group]").all():
        told = page.locator(f"#{picture.get_attribute('aria-labelledby')}").text_content()
        assert "lowest" in told
    assert page.locator("#closer-told").get_attribute("aria-live") == "polite"


def test_tonight_and_days_lead_here(month, visit):
    page = visit.open(month)
    page.get_by_role("link", name="Any other time").click()
    expect(page.locator("#closer-told")).to_contain_text("Bank voltage: lowest")
    assert page.locator("nav a[aria-current=page]").text_content() == "Days"


@pytest.mark.parametrize(
    "query",
    [
        "?from=x&to=y",
        "?from=9999-99-99",
        "?from=2026-11-25&to=0001-01-01",
        "?quantity=%00&beside=%ff",
        "?quantity=battery_voltage_V&beside=battery_voltage_V",
        "?from=" + "9" * 3000,
        "?from=2200-01-01&to=2199-01-01",
        "?from=-1&to=1e308",
        "?<script>=<script>&quantity=<script>",
        "?from=2026-11-25T00:00:00%2B99:00",
    ],
)
def test_a_garbled_address_shows_a_sensible_time(month, query):
    with month.get(f"/days/closer{query}") as answer:
        text = answer.read().decode()
        assert answer.status == 200
    assert "closer-pictures" in text
    assert "<script>" not in text


def test_without_a_store_it_says_so(hide, chromium):
    hide.serve()
    page = chromium.new_page()
    page.goto(f"{hide.url}days/closer")
    expect(page.locator("#lead")).to_contain_text("The store cannot be read")
    page.close()


def test_an_empty_store_says_so(hide, chromium):
    hide.store()
    hide.serve()
    page = chromium.new_page()
    page.goto(f"{hide.url}days/closer")
    expect(page.locator("main")).to_contain_text("Nothing has been read here yet")
    page.close()
