"""Numbers, clock times and dates in the form of the phone; what only looks like a number stays as it is.

That the forms are those of real phones is shown in tests/browser/test_look.py, where Chromium's own
formatting (Unicode CLDR) is the judge.
"""

import threading
from datetime import date, time
from zoneinfo import ZoneInfo

import pytest

from dashboard import local
from dashboard.local import PLAIN, Form, clock, day_text, form_of, full_hour, in_form
from dashboard.words import clock_text, number, shown
from monitor.records import parse_iso

GERMAN = Form(",", ".", 24, "dmy")
AMERICAN = Form(".", ",", 12, "mdy")
FRENCH = Form(",", "\N{NARROW NO-BREAK SPACE}", 24, "dmy")


def test_a_phones_cookie_is_read():
    assert form_of("cp24dmy") == GERMAN
    assert form_of("pc12mdy") == AMERICAN
    assert form_of("cs24dmy") == FRENCH
    assert form_of("pa24ymd").group == "\N{RIGHT SINGLE QUOTATION MARK}"
    assert form_of("cn24dmy").group == ""


@pytest.mark.parametrize(
    "cookie", [None, "", "cc24dmy", "pp12mdy", "cp25dmy", "cp24dym", "cp24dmy;x", " cp24dmy", "<b>", "c" * 9]
)
def test_a_cookie_that_no_phone_tells_changes_nothing(cookie):
    assert form_of(cookie) == PLAIN


def test_values_wear_the_phones_marks():
    local.use(GERMAN)
    assert number(-1240.5, 1) == "−1.240,5"
    assert shown(12.634, "battery_voltage_V") == "12,6 V"
    local.use(FRENCH)
    assert number(1240.0, 0) == "1\N{NARROW NO-BREAK SPACE}240"
    local.use(Form(",", ""))
    assert number(1240.5, 1) == "1240,5"


@pytest.mark.parametrize(
    ("hour", "minute", "text"),
    [(0, 5, "12:05~am"), (9, 30, "9:30~am"), (12, 0, "12:00~pm"), (13, 1, "1:01~pm"), (23, 59, "11:59~pm")],
)
def test_a_clock_of_twelve_hours_has_no_zero_hour(hour, minute, text):
    local.use(AMERICAN)
    assert clock(time(hour, minute)).replace("\N{NO-BREAK SPACE}", "~") == text


def test_an_hour_under_a_picture_is_short():
    assert full_hour(18) == "18:00"
    local.use(AMERICAN)
    assert full_hour(18) == "6\N{NO-BREAK SPACE}pm"


def test_dates_come_in_the_phones_order():
    day = date(2026, 11, 3)
    assert (day_text(day), day_text(day, year=True)) == ("3 Nov", "3 Nov 2026")
    assert day_text(day, weekday=True, whole=True) == "Tue 3 November"
    local.use(AMERICAN)
    assert (day_text(day), day_text(day, year=True)) == ("Nov 3", "Nov 3, 2026")
    then, now = parse_iso("2025-12-03T19:31:00Z"), parse_iso("2026-07-10T20:00:00Z")
    assert clock_text(then, now, ZoneInfo("Europe/London")) == "Dec 3, 2025 7:31\N{NO-BREAK SPACE}pm"
    local.use(Form(order="ymd"))
    assert day_text(day, year=True) == "2026 Nov 3"


def test_one_persons_form_is_not_anothers():
    seen = []
    local.use(GERMAN)
    other = threading.Thread(target=lambda: seen.append(number(1.5, 1)))
    other.start()
    other.join()
    assert seen == ["1.5"]


@pytest.mark.parametrize(
    ("came", "german"),
    [
        ("Low voltage: 11.5 V is below 11.7 V", "Low voltage: 11,5 V is below 11,7 V"),
        ("31000 is outside −10 to 20000", "31000 is outside −10 to 20000"),
        ("about 1,240 Wh (1,100.5 to 2,000)", "about 1.240 Wh (1.100,5 to 2.000)"),
        ("it fell to -0.5 °C, or −1.5.", "it fell to -0,5 °C, or −1,5."),
        ("between 11.5–12.0 V", "between 11,5–12,0 V"),
        ("12.5 V, 3.0 A; 1.5%", "12,5 V, 3,0 A; 1,5%"),
        ("voltage in steps of 0.1 V", "voltage in steps of 0,1 V"),
    ],
)
def test_a_sentence_that_came_ready_made_wears_the_marks_too(came, german):
    local.use(GERMAN)
    assert in_form(came) == german


@pytest.mark.parametrize(
    "text",
    [
        "no answer from 192.168.1.20",
        "at 192.168.1.20:8480",
        "http://192.0.2.7:8480/days?to=2026-11-25&days=7",
        "on /dev/serial/by-id/usb-1.5:1.0-port0",
        "port 2-1.4:1.0",
        "fe80::12:34 and [fe80::1]:8480",
        "firmware 1.4 is old, version 2.10, v 3.1, v3.1, Python 3.11",
        "release 1.16.3",
        "on 3.11.2026 and 2026-11-25",
        "stamped 2026-11-25T20:00:00Z",
        "lasted 1:20 or 20:31:05",
        "as in 1.5e3 and x1.5",
        "branches 3,4 and 12,34",
        "hide.local, file log.1.5",
        "unit=1.5",
    ],
)
def test_what_only_looks_like_a_number_stays_as_it_is(text):
    local.use(GERMAN)
    assert in_form(text) == text
    local.use(AMERICAN)
    assert in_form(text) == text


@pytest.mark.parametrize(
    ("came", "american"),
    [
        (
            "Lasts until morning: lowest about 54 % at 08:00.",
            "Lasts until morning: lowest about 54 % at 8:00~am.",
        ),
        ("back at 20:31 (Tue 07:05)", "back at 8:31~pm (Tue 7:05~am)"),
        ("from 22:00–06:30", "from 10:00~pm–6:30~am"),
        ("24:00 and 7:05 are no clock times of ours", "24:00 and 7:05 are no clock times of ours"),
    ],
)
def test_clock_times_in_a_sentence_become_the_phones(came, american):
    local.use(AMERICAN)
    assert in_form(came).replace("\N{NO-BREAK SPACE}", "~") == american


@pytest.mark.parametrize(
    ("came", "american"),
    [
        ("it is so until 10 December 2026 only", "it is so until December 10, 2026 only"),
        ("last on 16 Nov 2026; 3 May 2027.", "last on Nov 16, 2026; May 3, 2027."),
        ("31 February 2026 is no day", "31 February 2026 is no day"),
        ("of 3 December nights", "of 3 December nights"),
    ],
)
def test_dates_in_a_sentence_become_the_phones(came, american):
    local.use(AMERICAN)
    assert in_form(came) == american
    local.use(GERMAN)
    assert in_form(came) == came


def test_without_a_form_a_sentence_is_not_touched():
    text = "Low voltage: 1,240.5 V at 20:31"
    assert in_form(text) == text
