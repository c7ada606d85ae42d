"""Answering alarms and writing the log from a phone: real daemon, real page, a browser with its scripts off.

Daemon and page go by the computer's own clock here, since the daemon does.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from contextlib import closing
from datetime import datetime, timedelta
from io import BytesIO
from zoneinfo import ZoneInfo

import pypdf
import pytest
from playwright.sync_api import expect

from dashboard.api import ADDRESSES
from dashboard.gate import DASH
from dashboard.pages import PAGES
from monitor.pin import pin_path, set_pin
from monitor.records import AlarmState, Condition, Reading
from monitor.store.embedded import open_reader, open_writer
from monitor.store.heartbeat import read_heartbeat
from tests.browser.conftest import Hide
from tests.faults.door_client import Visitor
from tests.waiting import wait_for

PIN = "739204"
LONDON = ZoneInfo("Europe/London")


class Manned(Hide):
    """A hut with its daemon."""

    def start_daemon(self) -> None:
        command = [sys.executable, "-m", "monitor.cli", "monitor", str(self.site_file)]
        with (self.folder / "daemon.log").open("ab") as log:
            self._daemon = subprocess.Popen(command, stderr=log, stdout=log)

    def stop_daemon(self) -> None:
        self._daemon.send_signal(signal.SIGTERM)
        self._daemon.wait(60)

    def is_manned(self) -> bool:
        """Whether the daemon lives and has committed."""
        with self.reader() as reader:
            beat = read_heartbeat(reader)
        return beat is not None and beat.stopped_ms is None

    def reader(self):
        return closing(open_reader(self.store_file))


@pytest.fixture(scope="module")
def hut(tmp_path_factory):
    """A hut whose daemon has three alarms on its hands, and a PIN."""
    hut = Manned(tmp_path_factory.mktemp("hut"))
    now_ms = time.time_ns() // 1_000_000
    before_ms = now_ms - 600_000

    def state(name, condition, text):
        return AlarmState(name, condition, before_ms, "high", 1.0, text, raised_ms=before_ms)

    with closing(open_writer(hut.store_file, "Europe/London")) as writer:
        writer.append([Reading(now_ms - 5000, "charger", "battery_voltage_V", 12.4)])
        writer.put_alarm(state("Low voltage", Condition.UNACKNOWLEDGED, "Low voltage: 11.6 V"))
        writer.put_alarm(state("Bank too hot", Condition.RETURNED, "Bank too hot: 46 °C"))
        writer.put_alarm(state("Thermal runaway", Condition.LATCHED, "Thermal runaway: 51 °C"))
        writer.commit()
    set_pin(pin_path(hut.store_file), PIN)
    hut.start_daemon()
    hut.serve()
    wait_for(hut.is_manned, (hut.folder / "daemon.log").read_text)
    yield hut
    hut.stop_daemon()
    hut.end()
    for log in (hut.log, hut.folder / "daemon.log"):
        assert "Traceback" not in log.read_text(encoding="utf-8")


class Phone:
    """A phone without scripts. What a page says on the console is kept, and who else was asked."""

    def __init__(self, chromium, hut) -> None:
        self._context = chromium.new_context(
            viewport={"width": 360, "height": 780}, java_script_enabled=False, timezone_id="Asia/Tokyo"
        )
        self.hut = hut
        self.page = self._context.new_page()
        self.said: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.asked_elsewhere: list[str] = []
        self.page.on("request", self._note)

    def _note(self, request) -> None:
        if not request.url.startswith((self.hut.url, "data:")):
            self.asked_elsewhere.append(request.url)

    def open(self, path):
        self.page.goto(self.hut.url.rstrip("/") + path)
        return self.page

    def unlock(self, pin=PIN):
        self.page.get_by_label("PIN").fill(pin)
        self.page.get_by_role("button", name="Unlock").click()

    def cookies(self):
        return [each for each in self._context.cookies() if each["name"].startswith("nightbank-")]

    def end(self) -> None:
        self._context.close()
        assert self.asked_elsewhere == []
        refused = [text for text in self.said if "Content Security Policy" in text]
        assert refused == []


@pytest.fixture
def phone(chromium, hut):
    phone = Phone(chromium, hut)
    yield phone
    phone.end()


@pytest.fixture(scope="module")
def unlocked(chromium, hut):
    """One phone with the PIN for all that is written."""
    phone = Phone(chromium, hut)
    phone.open("/unlock?back=/alarms")
    phone.unlock()
    yield phone
    phone.end()


def alarm(page, name):
    return page.locator(f"[data-alarm='{name}']")


def states(hut):
    with hut.reader() as reader:
        return {state.name: state.state for state in reader.alarms()}


def test_locked_the_page_shows_and_offers_one_way_in_that_leads_back(phone):
    for path in ("/alarms", "/care"):
        page = phone.open(path)
        assert page.locator("form").count() == 0
        page.get_by_role("link", name="Unlock with the PIN").click()
        phone.unlock("739205")
        expect(page.get_by_role("alert")).to_contain_text("That is not the PIN.")
        phone.unlock()
        assert page.url == phone.hut.url.rstrip("/") + path
        expect(page.get_by_text("Unlocked on this phone.")).to_be_visible()
        (cookie,) = phone.cookies()
        assert cookie["httpOnly"]
        assert cookie["sameSite"] == "Strict"
        page.get_by_role("button", name="Lock again").click()
        expect(page.get_by_role("link", name="Unlock with the PIN")).to_be_visible()
        assert phone.cookies() == []


def test_alarms_are_answered_with_a_thumb_and_the_daemon_says_what_became_of_it(unlocked):
    page, hut = unlocked.open("/alarms"), unlocked.hut
    expect(page.get_by_role("button", name="Acknowledge all")).to_be_in_viewport()
    alarm(page, "Low voltage").get_by_role("button", name="Acknowledge").click()
    expect(page.locator("#outcome")).to_have_text("Low voltage: acknowledged.")
    assert states(hut)["Low voltage"] == Condition.ACKNOWLEDGED
    assert states(hut)["Bank too hot"] == Condition.RETURNED
    with hut.reader() as reader:
        newest = next(each for each in reader.transitions(0, 10**14) if each.alarm == "Low voltage")
    assert (newest.cause, newest.by) == ("acknowledged", "the page")
    page.reload()  # sends nothing again
    assert states(hut)["Low voltage"] == Condition.ACKNOWLEDGED

    page.get_by_role("button", name="Acknowledge", exact=True).click()  # all that is left
    assert states(hut)["Bank too hot"] == Condition.NORMAL
    alarm(page, "Thermal runaway").get_by_role("button", name="Reset").click()
    expect(page.locator("#outcome")).to_contain_text("Thermal runaway: reset")
    assert states(hut)["Thermal runaway"] == Condition.NORMAL

    low = alarm(page, "Low voltage")
    low.get_by_text("Be left alone by it for a time").click()
    low.get_by_role("button", name="8 hours").click()
    until = (datetime.now(LONDON) + timedelta(hours=8)).strftime("%H:%M")
    earlier = (datetime.now(LONDON) + timedelta(hours=8, minutes=-1)).strftime("%H:%M")
    told = page.locator("#outcome").text_content()
    assert "Low voltage: shelved until" in told
    assert until in told or earlier in told
    page.get_by_role("button", name="Unshelve Low voltage").click()
    expect(page.locator("#outcome")).to_contain_text("unshelved")
    assert page.get_by_role("button", name="Unshelve Low voltage").count() == 0


def test_a_hydrometer_reading_is_written_down_corrected_and_can_be_changed(unlocked):
    page = unlocked.open("/care")
    page.get_by_text("Hydrometer reading").click()
    form = page.locator("#write-hydrometer")
    expect(form.get_by_text("goggles and gloves")).to_be_visible()
    expect(form.get_by_text("hydrogen")).to_be_visible()
    form.get_by_label("String 1, battery 1, cell 1").fill("1250")
    form.get_by_label("String 2, battery 2, cell 3").fill("1,215")
    form.get_by_label("Electrolyte temperature").fill("15.56")  # 60 °F
    form.get_by_label("Who").fill("Ada")
    form.get_by_role("button", name="Write it down").click()
    # 1.250 at 60 °F is 1.242 at 80 °F by a battery maker's guide, which has cells equalized beyond 0.030
    expect(page.locator("#outcome")).to_contain_text("Written: hydrometer")
    entry = page.locator("#log > li").first
    expect(entry).to_contain_text("2 cells, 1.207 to 1.242 (corrected to 26.7 °C from 15.56 °C)")
    expect(entry).to_contain_text("they differ by 0.035")
    expect(entry).to_contain_text("equalization")
    expect(entry).to_contain_text("by Ada")

    entry.get_by_role("link", name="Change").click()
    change = page.locator("#edit")
    assert change.get_by_label("String 1, battery 1, cell 1").input_value() == "1.250"
    assert change.get_by_label("Electrolyte temperature").input_value() == "15.56"
    change.get_by_label("String 2, battery 2, cell 3").fill("1.245")
    change.get_by_role("button", name="Change it").click()
    expect(page.locator("#outcome")).to_contain_text("with the former wording kept")
    entry = page.locator("#log > li").first
    expect(entry).to_contain_text("they differ by 0.005")
    entry.get_by_text("Changed once").click()
    expect(entry.locator("details li")).to_contain_text("by Ada")
    expect(entry.locator("details li")).to_contain_text("they differ by 0.035")
    with unlocked.hut.reader() as reader:
        kept = reader.log(0, 10**14)[0]
    assert (kept.details["gravity_12"], kept.former[0].details["gravity_12"]) == (1.245, 1.215)


def test_what_is_due_comes_first_and_renews_itself_by_what_is_written_down(unlocked):
    page = unlocked.open("/care")
    due = page.locator("#due-terminals")
    expect(page.locator("#lead .told")).to_contain_text("Due now: ")
    # installed in April 2025 by its site file, 6-monthly (common practice, from memory)
    expect(due).to_contain_text("due now")
    expect(due).to_contain_text("the day the bank was installed")
    expect(due.get_by_text("insulated tool")).to_be_hidden()
    due.get_by_text("How, and what to mind").click()
    expect(due.get_by_text("insulated tool")).to_be_visible()
    due.get_by_role("link", name="Write down what was done").click()
    form = page.locator("#write-terminals")
    expect(form.get_by_role("button", name="Write it down")).to_be_visible()
    form.get_by_role("button", name="Write it down").click()
    expect(page.locator("#outcome")).to_contain_text("Written: terminals")
    expect(due).to_contain_text("by ")
    expect(due).to_contain_text("0 days since, 182 at most")
    assert "due now" not in due.text_content()


def test_the_batteries_voltages_are_judged_and_make_an_equalization_due(unlocked):
    page = unlocked.open("/care?write=voltages")
    form = page.locator("#write-voltages")
    for name, volts in (("String 1, battery 1", "6,30"), ("String 1, battery 2", "6.31")):
        form.get_by_label(name).fill(volts)
    form.get_by_label("String 2, battery 1").fill("6.10")
    form.get_by_role("button", name="Write it down").click()
    entry = page.locator("#log > li", has_text="Voltages of the batteries")
    expect(entry).to_contain_text("Out of step is string 2, battery 1 with 6.10 V.")
    # 0.15 V for 6 V batteries (a battery maker's guide)
    expect(page.locator("#due-equalization")).to_contain_text("differ by 0.21 V, more than 0.15 V")


def test_a_tested_capacity_is_written_down_and_stands_beside_the_rated_one(unlocked):
    page = unlocked.open("/care?write=capacity")
    form = page.locator("#write-capacity")
    form.get_by_label("Capacity, Ah").fill("430")
    form.get_by_label("Off by at most, Ah").fill("40")
    form.get_by_role("button", name="Write it down").click()
    expect(page.locator("#log > li", has_text="Capacity tested")).to_contain_text("96 % of the rated 450 Ah")
    expect(page.locator("#due-capacity")).to_contain_text("0 days since, 365 at most")
    page.get_by_role("link", name="Test the capacity, step by step").click()
    expect(page.locator("#known")).to_contain_text("Tested on")
    expect(page.locator("#known")).to_contain_text("430 ± 40 Ah")
    expect(page.locator("#lead .told")).to_have_text("Charge the bank until it is full.")


def test_on_paper_stand_what_is_due_and_how_and_nothing_to_type(unlocked):
    page = unlocked.open("/care")
    paper = pypdf.PdfReader(BytesIO(page.pdf(prefer_css_page_size=True)))
    text = " ".join(" ".join(sheet.extract_text() for sheet in paper.pages).split())
    assert "Due now: " in text
    assert "Look at the water in every cell: due now" in text
    assert "Distilled water only" in text  # folded on the screen
    assert "goggles and gloves" in text
    assert not any(word in text for word in ("Write it down", "Write down", "Lock again", "How, and"))
    assert len(paper.pages) <= 4


def test_what_is_mistyped_is_told_and_nothing_typed_is_lost(unlocked):
    page = unlocked.open("/care")
    page.get_by_text("Water added").click()
    form = page.locator("#write-water")
    form.get_by_label("Water, litres").fill("1500")
    form.get_by_label("Note").fill("All cells\n<b>slowly</b>")
    form.get_by_role("button", name="Write it down").click()
    expect(page.locator("#outcome")).to_contain_text("at most 100")
    form = page.locator("#write-water")
    assert form.locator("[aria-invalid=true]").get_attribute("name") == "water_L"
    assert form.get_by_label("Water, litres").input_value() == "1500"
    assert form.get_by_label("Note").input_value() == "All cells\n<b>slowly</b>"
    form.get_by_label("Water, litres").fill("1.5")
    form.get_by_role("button", name="Write it down").click()
    entry = page.locator("#log > li", has_text="Water added")
    expect(entry).to_contain_text("<b>slowly</b>")  # as text
    assert entry.locator("b").count() == 0


def test_a_time_is_that_of_the_site_not_of_the_phone(unlocked):
    """The phone stands in Tokyo, the site near London: the field holds the site's time."""
    page = unlocked.open("/care")
    page.get_by_text("Note", exact=True).first.click()
    form = page.locator("#write-note")
    shown = datetime.fromisoformat(form.get_by_label("Done").input_value()).replace(tzinfo=LONDON)
    assert abs(datetime.now(LONDON) - shown) < timedelta(minutes=3)
    form.get_by_label("Done").fill("2025-07-01T06:30")
    form.get_by_label("Note").fill("First day of the mast")
    form.get_by_role("button", name="Write it down").click()
    expect(page.locator("#log > li", has_text="mast")).to_contain_text("1 Jul 2025 06:30")
    with unlocked.hut.reader() as reader:
        (entry,) = [each for each in reader.log(0, 10**14) if "mast" in each.text]
    assert entry.time_ms == 1_751_347_800_000  # 05:30 UTC: British Summer Time


def test_going_back_and_pressing_again_writes_nothing_twice(unlocked):
    page = unlocked.open("/care")
    page.get_by_text("Note", exact=True).first.click()
    form = page.locator("#write-note")
    form.get_by_label("Note").fill("Only once")
    form.get_by_role("button", name="Write it down").click()
    expect(page.locator("#outcome")).to_contain_text("Written")
    used = page.locator("#write-note input[name=form_token]").get_attribute("value")
    visitor = Visitor(unlocked.hut.port)
    (cookie,) = unlocked.cookies()
    visitor.cookie = f"{cookie['name']}={cookie['value']}"
    fields = {"kind": "note", "when": "2026-01-01T10:00", "text": "again", "form_token": used}
    assert visitor.send("/care/write", fields).status == 303
    again = visitor.send("/care/write", fields)
    assert again.status == 403
    assert "sent before" in again.text
    assert "again" in again.text
    with unlocked.hut.reader() as reader:
        assert sum(each.text == "again" for each in reader.log(0, 10**14)) == 1


def test_every_form_fits_a_narrow_phone_and_a_thumb(unlocked):
    for path in ("/alarms", "/care", "/unlock?back=/care"):
        page = unlocked.open(path)
        for summary in page.locator("main summary").all():
            summary.click()
        for control in page.locator("main button:visible, main input:visible, main .moves a:visible").all():
            box = control.bounding_box()
            # 44 CSS px: WCAG 2.1, success criterion 2.5.5 (from memory)
            assert box["height"] >= 44, control.inner_html()
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 360
            if control.evaluate("e => e.tagName") == "INPUT":
                assert control.evaluate("e => e.labels.length") == 1


def test_while_the_daemon_stands_still_a_request_waits_for_it(unlocked):
    page, hut = unlocked.open("/care"), unlocked.hut
    hut.stop_daemon()
    page.get_by_text("Note", exact=True).first.click()
    form = page.locator("#write-note")
    form.get_by_label("Note").fill("While nobody looked")
    form.get_by_role("button", name="Write it down").click()
    expect(page.locator("#outcome")).to_contain_text("as soon as it starts")
    assert page.locator("#log > li", has_text="nobody looked").count() == 0
    hut.start_daemon()
    wait_for(lambda: page.reload() and "Written: note" in page.locator("#outcome").inner_text())
    assert page.locator("#log > li", has_text="nobody looked").count() == 1


# Where reading needs the PIN, too.


@pytest.fixture(scope="module")
def shut(tmp_path_factory):
    """A hut whose page shows nothing before the PIN."""
    hut = Hide(tmp_path_factory.mktemp("shut"))
    text = hut.site_file.read_text(encoding="utf-8")
    hut.site_file.write_text(f"{text}\n[page]\nreading_needs_pin = true\n", encoding="utf-8")
    hut.store(hut.present({"battery_voltage_V": 12.4}), health=[hut.healthy()])
    set_pin(pin_path(hut.store_file), PIN)
    hut.serve()
    yield hut
    hut.end()


def test_where_reading_needs_the_pin_nothing_is_shown_before_it(shut):
    stranger, friend = Visitor(shut.port), Visitor(shut.port)
    assert friend.unlock(PIN).status == 303
    for page in PAGES:
        refused = stranger.get(page.path)
        assert refused.status == 401
        assert 'name="pin"' in refused.text
        assert "12.4" not in refused.text
        assert "Europe/London" not in refused.text
        assert "form-action 'self'" in refused.headers["Content-Security-Policy"]
        assert friend.get(page.path).status == 200
    for path in (*ADDRESSES, *(DASH - {"/_dash-update-component"})):
        refused = stranger.get(path)
        assert refused.status == 401, path
        assert "12.4" not in refused.text
        assert friend.get(path).status in (200, 400, 404), path  # it needs a query, or there is no outlook
    assert stranger.get("/api/v1/latest").headers["Content-Type"] == "application/json"
    body = b'{"output": "x"}'
    asked = {"Content-Type": "application/json"}
    assert stranger.ask("POST", "/_dash-update-component", body, asked).status == 401
    assert friend.ask("POST", "/_dash-update-component", body, asked).status == 400
    for path in ("/assets/page.css", "/library/plotly-basic-4.1.1.min.js"):
        assert stranger.get(path).status == 200


def test_without_a_pin_it_shows_nothing_and_says_how_to_set_one(shut):
    pin_path(shut.store_file).rename(shut.folder / "aside")
    told = Visitor(shut.port).get("/")
    (shut.folder / "aside").rename(pin_path(shut.store_file))
    assert told.status == 401
    assert "nightbank pin" in told.text
    assert 'name="pin"' not in told.text
    assert "12.4" not in told.text


def test_there_the_pin_leads_back_to_the_page_that_was_asked_for(shut, chromium):
    phone = Phone(chromium, shut)
    page = phone.open("/days?days=7")
    phone.unlock()
    assert page.url == f"{shut.url}days?days=7"
    assert page.get_by_label("PIN").count() == 0
    phone.end()
