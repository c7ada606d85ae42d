"""The page of a capacity test: what it tells of a discharge, and what its form leaves for the daemon."""

from __future__ import annotations

import re
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from flask.testing import FlaskClient

from dashboard import local
from dashboard.app import make_app
from dashboard.markup import html_text
from dashboard.pages.capacity import layout
from dashboard.watched_test import line_of
from monitor.alarms.capacity_test import BEGIN, END, TEST_NOTE, WatchedTest
from monitor.care.entry import entry_of
from monitor.clock import SystemClock
from monitor.pin import pin_path, set_pin
from monitor.records import parse_iso
from monitor.site.load import load_site
from monitor.site.model import Site
from monitor.store.embedded import leave_request, open_reader, open_writer
from tests.unit.site_files import MARSH_HIDE
from tests.unit.test_capacity_guide import guided

HERE = {"Origin": "http://localhost", "Accept": "text/html"}


def site_of(folder: Path) -> Site:
    (file,) = folder.glob("*.toml")
    return load_site(file)


def phone_of(folder: Path) -> FlaskClient:
    """A phone with the PIN that writes 1.5 as 1,5, over the store in a folder."""
    store, site = folder / "nightbank.db", site_of(folder)
    set_pin(pin_path(store), "4711-hut")
    app = make_app(lambda: open_reader(store), site, store, lambda asked: leave_request(store, asked))
    phone = app.server.test_client()
    phone.set_cookie(local.COOKIE, "cp24dmy", domain="localhost")
    phone.post("/unlock", data={"pin": "4711-hut", "back": "/care/capacity"}, headers=HERE)
    return phone


def hidden(page: str) -> dict[str, str]:
    """What the form that writes the result down sends."""
    (form,) = re.findall(r'<form action="/care/capacity/write".*?</form>', page)
    return dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form))


def test_what_a_night_told_is_left_for_the_daemon_as_it_was_told(tmp_path: Path) -> None:
    guide = guided(tmp_path, begun_h=17, drawn_h=10)
    phone = phone_of(tmp_path)
    page = phone.get("/care/capacity").get_data(as_text=True)
    assert "Charge the bank full now." in page
    assert "2,017" in page  # the rest voltage of a cell as this phone writes it
    sent = hidden(page)
    assert phone.post("/care/capacity/write", data=sent, headers=HERE).status_code == 303
    with closing(open_reader(tmp_path / "nightbank.db")) as reader:
        (asked,) = reader.open_requests()
    entry = entry_of(asked, site_of(tmp_path), asked.time_ms)
    result = guide["result"]
    # the page was made some moments after the guide: its discharge may be cut a little elsewhere
    assert entry.details["capacity_Ah"] == pytest.approx(result["capacity_Ah"], abs=2)
    assert entry.details["capacity_band_Ah"] == pytest.approx(2 * result["sd_Ah"], abs=2)
    assert abs(entry.time_ms - parse_iso(result["to"])) <= 12 * 60_000
    assert "by the rest voltage of 2.017 V a cell" in entry.text


def page_of(folder: Path, query: dict[str, str]) -> str:
    """The page for a visitor who may only look."""
    return html_text(layout(lambda: open_reader(folder / "nightbank.db"), site_of(folder), query))


@pytest.mark.parametrize(
    ("begun", "ended", "said"),
    [
        ("2026-11-25T19:30", "", "Say when it began and when it ended"),
        ("x", "y", "Say when it began and when it ended"),
        ("2026-11-25T19:30", "2026-11-25T18:30", "It must end after it began"),
        ("9999-12-30T19:30", "9999-12-31T18:30", "It must lie behind us and in this century"),
        ("0001-01-01T00:00", "0001-01-02T00:00", "It must lie behind us and in this century"),
        ("2026-10-25T19:30", "2026-11-25T18:30", "No discharge takes longer than two weeks"),
        ("2025-11-25T19:30", "2025-11-26T05:30", "the bank was not told full in the day before"),
    ],
)
def test_a_discharge_of_another_time_is_told_or_its_times_are_to_be_mended(
    tmp_path: Path, begun: str, ended: str, said: str
) -> None:
    guided(tmp_path)
    assert said in page_of(tmp_path, {"from": begun, "to": ended})


def test_where_nothing_can_be_tested_there_is_no_list_of_steps(tmp_path: Path) -> None:
    guided(tmp_path, text=MARSH_HIDE.replace('level = "controller"', 'level = "charging"'))
    page = page_of(tmp_path, {})
    assert "What would help" in page
    assert "Step by step" not in page


def asked_for(folder: Path, kind: str, by: str) -> bool:
    with closing(open_reader(folder / "nightbank.db")) as reader:
        return any((asked.kind, asked.by) == (kind, by) for asked in reader.open_requests())


def token_of(page: str, action: str) -> dict[str, str]:
    """The one-time token of the form that leads to an address."""
    (form,) = re.findall(rf'<form action="{action}".*?</form>', page)
    return dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form))


def test_a_test_is_begun_and_ended_by_a_button(tmp_path: Path) -> None:
    guided(tmp_path)
    phone = phone_of(tmp_path)
    page = phone.get("/care/capacity").get_data(as_text=True)
    assert "Nobody is called when a test is to end, unless you have it watched." in page
    sent = token_of(page, "/care/capacity/begin") | {"by": "Ada"}
    assert phone.post("/care/capacity/begin", data=sent, headers=HERE).status_code == 303
    assert asked_for(tmp_path, BEGIN, "Ada")
    seen_ms = SystemClock().now_ms()
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:  # as the daemon answers it
        store.put_note(TEST_NOTE, WatchedTest(seen_ms, "Ada", seen_ms, "before", seen_ms).note())
        store.commit()
    page = phone.get("/care/capacity").get_data(as_text=True)
    assert "(begun by Ada), and a call comes at its end." in page
    sent = token_of(page, "/care/capacity/end")
    assert phone.post("/care/capacity/end", data=sent, headers=HERE).status_code == 303
    assert asked_for(tmp_path, END, "the page")


def test_a_name_that_is_too_long_is_told(tmp_path: Path) -> None:
    guided(tmp_path)
    phone = phone_of(tmp_path)
    sent = token_of(phone.get("/care/capacity").get_data(as_text=True), "/care/capacity/begin")
    answer = phone.post("/care/capacity/begin", data=sent | {"by": "x" * 41}, headers=HERE)
    assert answer.status_code == 422
    assert "Write a name of at most 40 letters." in answer.get_data(as_text=True)


def test_a_clock_time_is_written_once_in_the_phones_way(tmp_path: Path) -> None:
    """A phone with twelve hours once read '7:10 pm pm'."""
    guided(tmp_path, begun_h=4, drawn_h=4)
    phone = phone_of(tmp_path)
    phone.set_cookie(local.COOKIE, "pc12mdy", domain="localhost")
    page = phone.get("/care/capacity").get_data(as_text=True)
    assert re.search(r" since (\w+ \d+ |\d+ \w+ )?\d+:\d\d.[ap]m, of ", page)


def a_test(at_ms: int, phase: str = "while", left_h: float | None = None) -> WatchedTest:
    return WatchedTest(AT, "Ada", at_ms, phase, AT, "90 of 225 Ah are taken.", left_h)


AT = parse_iso("2026-01-14T17:00:00Z")


@pytest.mark.parametrize(
    ("test", "said"),
    [
        (None, ""),
        (a_test(AT, "ended"), ""),
        (a_test(AT + 60_000), "A capacity test runs, begun 17:00. 90 of 225 Ah are taken."),
        (
            a_test(AT - 3_600_000),
            "A capacity test runs, begun 17:00, last seen 16:00. 90 of 225 Ah are taken.",
        ),
        (
            a_test(AT + 60_000, left_h=6),
            "A capacity test runs, begun 17:00, to end about 23:01. 90 of 225 Ah are taken.",
        ),
        (
            a_test(AT - 7_200_000, left_h=0.5),  # nobody has looked since: the load may be on still
            "A capacity test runs, begun 17:00, last seen 15:00, and was to end about 15:30. 90 of 225 Ah are"
            " taken.",
        ),
        (
            a_test(AT + 60_000, left_h=0),  # what it says is then to switch the loads off
            "A capacity test runs, begun 17:00. 90 of 225 Ah are taken.",
        ),
        (
            a_test(AT + 60_000, "after"),
            "A capacity test, begun 17:00, waits for the charge after it. 90 of 225 Ah are taken.",
        ),
        (a_test(AT + 60_000, "void", 0), "A capacity test was begun 17:00. 90 of 225 Ah are taken."),
    ],
)
def test_tonight_tells_of_a_test_that_is_watched(test: WatchedTest | None, said: str) -> None:
    assert line_of(test, AT + 60_000, ZoneInfo("Europe/London")) == said
