"""The sheet of a period: what lies in its days, what is unknown named, lists that keep to their room."""

from datetime import date

import pytest

from dashboard.days import Span
from dashboard.local import PLAIN as PLAIN_FORM
from dashboard.local import Form, use
from dashboard.report import LONGEST_ENTRY, MOST_ENTRIES, alarms_of, entry_lines, take_report
from monitor.clock import CLOCK_NOTE, PacedClock, SystemClock
from monitor.records import LogEntry, Reading, Transition, parse_iso
from monitor.season.alarms import Raised
from monitor.season_words import PLAIN
from monitor.site.load import load_site
from monitor.store.embedded import open_writer
from tests.unit.site_files import MARSH_HIDE, write

AT = parse_iso("2026-11-20T12:00:00Z")
DAY = 86_400_000


def on_that_day(_time_ms):
    return date(2026, 11, 20)


def test_alarms_beyond_the_sheets_room_are_counted():
    many = [Raised(f"Alarm {n}", "high", 1, AT, 1.0, False) for n in range(9)]
    lines = list(alarms_of(many, on_that_day, PLAIN))
    assert len(lines) == 6
    assert lines[-1] == "and 4 more alarms, raised 4 times"


def test_entries_are_what_the_log_says_cut_to_their_room():
    entries = [
        LogEntry(AT, "water", "All cells\nlow.", {"water_L": 0.5}, "Ada"),
        LogEntry(AT, "note", "x" * 500),
    ]
    first, second = entry_lines(entries, on_that_day, PLAIN)
    assert first == "20 Nov 2026: Water added. 0.5 L. All cells low"
    assert second.endswith("…")
    assert len(second) <= LONGEST_ENTRY + len("20 Nov 2026: ")
    lines = list(entry_lines(entries * 10, on_that_day, PLAIN))
    assert (len(lines), lines[-1]) == (MOST_ENTRIES + 1, f"and {20 - MOST_ENTRIES} more on the page Care")


@pytest.fixture
def store(tmp_path):
    """Ten days of 10 W and 12.5 V; an alarm and an entry of the log on the sixth and the month before."""
    with open_writer(tmp_path / "store.db", "Europe/London") as writer:
        start = parse_iso("2026-11-16T00:00:00Z")
        writer.put_note(CLOCK_NOTE, PacedClock(SystemClock().now_ms(), start + 10 * DAY - 60_000, 1.0).note())
        for at in range(start, start + 10 * DAY, 600_000):
            writer.append([Reading(at, "charger", "array_power_W", 10.0)])
            writer.append([Reading(at, "charger", "battery_voltage_V", 12.5)])
        for at in (start + 5 * DAY, start - 30 * DAY):
            writer.add_transition(
                Transition(at, "Low voltage", "normal", "unacknowledged", "raised", "high", "x")
            )
            writer.add_transition(
                Transition(at + 1_800_000, "Low voltage", "x", "normal", "returned", "high", "x")
            )
            writer.add_log_entry(LogEntry(at, "cleaning", "South row", {}, "Ada", at))
        writer.commit()
        yield writer


def test_a_sheet_holds_what_lies_in_its_days(store, tmp_path):
    site = load_site(write(tmp_path, MARSH_HIDE))
    report = take_report(store, site, Span(date(2026, 11, 19), date(2026, 11, 25)))
    figures = dict(report.figures)
    # 10 W for seven days, by hand, without the last ten minutes
    assert figures["The array gave"] == "1,678 Wh on 7 days"
    assert figures["Voltage"] == "12.50 V on 19 Nov to 12.50 V on 19 Nov"
    assert report.unknown == (
        "Lowest charge",
        "Nights below 50 %",
        "Full",
        "Charge moved",
        "Temperature",
        "Left by a full bank",
        "The loads took",
        "Yields, hours a day",
        "Days by their sky",
        "Faults",
    )
    assert report.alarms == ("Low voltage (high): once, 30 min, on 21 Nov",)
    assert report.done == ("Cleaning: on 21 Nov", "21 Nov: Panels cleaned. South row")
    assert "Look at the terminals and their torque: due now" in report.due
    assert len(report.rows) == 7


def test_a_sheet_is_written_the_phones_way(store, tmp_path):
    site = load_site(write(tmp_path, MARSH_HIDE))
    use(Form(decimal=",", group=".", order="mdy"))
    try:
        report = take_report(store, site, Span(date(2026, 11, 19), date(2026, 11, 25)))
    finally:
        use(PLAIN_FORM)
    figures = dict(report.figures)
    assert figures["The array gave"] == "1.678 Wh on 7 days"
    assert figures["Voltage"] == "12,50 V on Nov 19 to 12,50 V on Nov 19"
