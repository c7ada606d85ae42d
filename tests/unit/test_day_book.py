"""The daemon's weather book: finished days get their entry from a process of its own, once."""

from __future__ import annotations

import json
import logging
import math
import sys
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from monitor.clock import SteppedClock
from monitor.day_book import COMMAND, DayBook, entries, missing_days, note_key
from monitor.records import Event, Reading, parse_iso
from monitor.site.load import load_site, with_defaults
from monitor.store.base import StoreWriter
from monitor.store.embedded import open_writer
from tests.unit.test_sun_tables import SITE

FIRST = parse_iso("2026-06-20T00:00:00+01:00")
HOUR = 3_600_000
DAY = 24 * HOUR
NIGHT_AFTER = parse_iso("2026-06-23T00:30:00+01:00")
THREE_DAYS = [date(2026, 6, 20), date(2026, 6, 21), date(2026, 6, 22)]


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    return path


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    """Three June days by ten minutes, a plain half sine of light (invented)."""
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as writer:
        for at_ms in range(FIRST, FIRST + 3 * DAY, 600_000):
            light = max(0.0, math.sin((at_ms - FIRST) % DAY / HOUR * math.pi / 12 - math.pi / 2))
            values = {"battery_voltage_V": 12.4 + light, "array_voltage_V": 18.0 * (light > 0)}
            values |= {"array_current_A": 12 * light, "array_power_W": 216 * light}
            writer.append(Reading(at_ms, "charger", name, value) for name, value in values.items())
        writer.commit()
        yield writer


def book_of(
    site_file: Path, store: StoreWriter, now_ms: int, command=COMMAND
) -> tuple[DayBook, SteppedClock]:
    clock = SteppedClock(now_ms)
    site, _ = with_defaults(load_site(site_file))
    return DayBook(site, site_file, store, clock, command), clock


def follow_until(book: DayBook, done) -> None:
    deadline = time.monotonic() + 120
    while not done():
        assert time.monotonic() < deadline
        book.follow()
        time.sleep(0.02)


def printing(text: str) -> tuple[str, ...]:
    """A command that prints a text whatever it is asked, and notes what it was asked."""
    return (sys.executable, "-c", f"import sys; sys.stderr.write(str(sys.argv)); print({text!r})")


def test_finished_days_get_the_entry_that_the_command_prints(site_file, store):
    book, _ = book_of(site_file, store, NIGHT_AFTER)
    follow_until(book, lambda: store.note(note_key(THREE_DAYS[-1])) is not None)
    store.commit()
    found = dict(entries(store, date(2026, 6, 1), date(2026, 6, 30)))
    assert list(found) == THREE_DAYS
    entry = found[date(2026, 6, 21)]
    # by hand: 216 W over the half sine of twelve hours are 216 x 12 x 2 / pi Wh
    assert entry["harvest_Wh"] == pytest.approx(216 * 12 * 2 / math.pi, rel=0.01)
    assert entry["sky"] in ("clear", "broken", "overcast", "dark", "snow")
    assert missing_days(store, date(2026, 6, 23), "Europe/London") == []


def test_today_has_no_entry_and_what_has_one_is_not_made_again(store):
    assert missing_days(store, date(2026, 6, 22), "Europe/London") == THREE_DAYS[:2]
    store.put_note(note_key(THREE_DAYS[0]), json.dumps({"date": "2026-06-20"}))
    assert missing_days(store, date(2026, 6, 23), "Europe/London") == THREE_DAYS[1:]
    assert missing_days(store, date(2026, 9, 23), "Europe/London") == []  # too long ago


def test_days_whose_readings_a_clock_has_moved_are_entered_anew(site_file, store):
    """The clock was a day ahead since the second day's noon; it is found in the night after the third."""
    for day in (*THREE_DAYS, date(2026, 6, 23)):
        store.put_note(note_key(day), '{"date": "of before"}')
    store.commit()
    printed = json.dumps([{"date": f"{day}", "harvest_Wh": 7} for day in THREE_DAYS[1:]])
    book, clock = book_of(site_file, store, NIGHT_AFTER, printing(printed))
    book.follow()
    assert not book.at_work, "all have their entry"
    book.moved(FIRST + 36 * HOUR, -DAY)
    assert missing_days(store, date(2026, 6, 23), "Europe/London", book._anew) == THREE_DAYS
    follow_until(book, lambda: "7" in store.note(note_key(THREE_DAYS[1])))
    store.append([Reading(NIGHT_AFTER + 12 * HOUR, "charger", "battery_voltage_V", 12.5)])
    store.commit()
    clock.set(NIGHT_AFTER + DAY)
    book.follow()
    assert book.at_work, "the clock had been in that day"
    book.stop()


def test_a_day_is_finished_some_minutes_after_midnight(site_file, store):
    book, clock = book_of(site_file, store, NIGHT_AFTER - 20 * 60_000, printing("[]"))
    book.follow()
    follow_until(book, lambda: not book.at_work)
    book.follow()
    assert not book.at_work  # once a day
    clock.set(NIGHT_AFTER)
    book.follow()
    assert book.at_work  # a new day: the night's end is looked at again
    book.stop()


@pytest.mark.parametrize(
    ("command", "told"),
    [
        (printing("no document"), "what it printed is damaged"),
        ((sys.executable, "-c", "import sys; sys.exit('the store is gone')"), "the store is gone"),
        (("/no/such/program",), "No such file or directory"),
    ],
)
def test_a_failure_is_told_once_and_costs_nothing_else(site_file, store, caplog, command, told):
    book, clock = book_of(site_file, store, NIGHT_AFTER, command)
    with caplog.at_level(logging.WARNING, "nightbank"):
        follow_until(book, lambda: told in caplog.text)
        clock.set(NIGHT_AFTER + DAY)
        for _ in range(20):
            follow_until(book, lambda: not book.at_work)
            book.follow()
    assert caplog.text.count(told) == 1
    store.add_event(Event(NIGHT_AFTER, "start", "", "still writable"))
    store.commit()


def test_a_stop_ends_the_process(site_file, store):
    book, _ = book_of(site_file, store, NIGHT_AFTER, (sys.executable, "-c", "import time; time.sleep(60)"))
    book.follow()
    assert book.at_work
    started = time.monotonic()
    book.stop()
    assert time.monotonic() - started < 30  # it would sleep for a minute
    follow_until(book, lambda: not book.at_work)
