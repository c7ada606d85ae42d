"""What is typed into the forms of the log is read, shown again and refused in the numbers of the phone."""

from __future__ import annotations

import re
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dashboard import local
from dashboard.app import make_app
from dashboard.care_rows import log_request, typed_of
from dashboard.forms import Mistyped
from dashboard.local import Form
from dashboard.markup import html_text
from dashboard.pages.care import SHOWN
from dashboard.pages.care import layout as care
from monitor.care.entry import entry_of
from monitor.clock import SystemClock
from monitor.pin import pin_path, set_pin
from monitor.records import LogEntry, LogKind, parse_iso
from monitor.site.load import load_site
from monitor.site.model import Site
from monitor.store.embedded import leave_request, open_reader, open_writer
from tests.unit.site_files import MARSH_HIDE, write

NOW = parse_iso("2026-11-25T19:00:00Z")
LONDON = ZoneInfo("Europe/London")
GERMAN = Form(",", ".", 24, "dmy")
"""Where '1.265' is a thousand and more (Unicode CLDR, de)."""


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return load_site(write(tmp_path, MARSH_HIDE))


def typed(**fields: str) -> dict[str, str]:
    return {"kind": "hydrometer", "when": "2026-11-25T18:30", **fields}


def test_an_entry_to_change_stands_in_the_phones_numbers_and_is_read_back_the_same(site: Site) -> None:
    details = {"gravity_1": 1.265, "gravity_12": 1.25, "electrolyte_temperature_C": 4.5}
    entry = LogEntry(NOW - 1_800_000, LogKind.HYDROMETER, "", details, "Ada", NOW, id=7)
    local.use(GERMAN)
    shown = typed_of(entry, LONDON)
    assert (shown["gravity_1"], shown["gravity_12"]) == ("1,265", "1,250")
    assert shown["electrolyte_temperature_C"] == "4,5"
    again = entry_of(log_request(shown, site, NOW), site, NOW)
    assert (again.time_ms, again.details) == (entry.time_ms, details)


def test_a_refusal_tells_its_numbers_as_the_phone_writes_them(site: Site) -> None:
    local.use(GERMAN)
    with pytest.raises(Mistyped, match=r"Cell 1: 12,65 is no .* between 1,000 \(or 1000\) and 1,350") as told:
        log_request(typed(gravity_1="12,65"), site, NOW)
    assert told.value.field == "gravity_1"


def test_a_refusal_quotes_what_is_no_number_as_it_was_typed(site: Site) -> None:
    local.use(GERMAN)
    with pytest.raises(Mistyped, match=r"“1\.2x5” is no number"):
        log_request(typed(gravity_1="1.2x5"), site, NOW)


def test_entries_of_before_the_clock_was_put_back_are_not_hidden(site: Site, tmp_path: Path) -> None:
    store = tmp_path / "nightbank.db"
    ahead_ms = SystemClock().now_ms() + 40 * 86_400_000
    with open_writer(store, site.site.time_zone) as writer:
        writer.add_log_entry(LogEntry(ahead_ms, LogKind.NOTE, "Fuse changed", {}, "Ada", ahead_ms))
        writer.commit()
    assert "Fuse changed" in html_text(care(lambda: open_reader(store), site, {}))


def test_of_many_entries_it_is_said_that_there_are_more(site: Site, tmp_path: Path) -> None:
    store = tmp_path / "nightbank.db"
    told = []
    with open_writer(store, site.site.time_zone) as writer:
        for more in (SHOWN - 1, 1):
            for each in range(more):
                writer.add_log_entry(LogEntry(NOW + each, LogKind.NOTE, "Looked", {}, "Ada", NOW))
            writer.commit()
            told.append("These are the newest" in html_text(care(lambda: open_reader(store), site, {})))
    assert told == [False, True]


def test_a_form_that_comes_back_to_be_mended_is_in_the_phones_numbers(site: Site, tmp_path: Path) -> None:
    store = tmp_path / "nightbank.db"
    with open_writer(store, site.site.time_zone) as writer:
        writer.commit()
    set_pin(pin_path(store), "4711-hut")
    phone = make_app(
        lambda: open_reader(store), site, store, lambda asked: leave_request(store, asked)
    ).server.test_client()
    phone.set_cookie(local.COOKIE, "cp24dmy", domain="localhost")
    here = {"Origin": "http://localhost", "Accept": "text/html"}
    phone.post("/unlock", data={"pin": "4711-hut", "back": "/care"}, headers=here)
    page = phone.get("/care").get_data(as_text=True)
    assert "such as 1,265 or 1265" in page
    token = re.search(r'name="form_token" value="([^"]+)"', page)
    assert token is not None
    sent = typed(gravity_1="12,65", form_token=token[1], when="2026-01-25T18:30")
    answer = phone.post("/care/write", data=sent, headers=here)
    assert answer.status_code == 422
    text = answer.get_data(as_text=True)
    assert "Cell 1: 12,65 is no hydrometer" in text
    assert "such as 1,265 or 1265" in text
