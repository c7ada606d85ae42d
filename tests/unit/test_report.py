"""The sheet of a period: its figures by hand, what is unknown left out, lists that keep to their room."""

from datetime import date
from zoneinfo import ZoneInfo

import pytest

from dashboard.days import DayRow, Span
from dashboard.report import LONGEST_CARE, MOST_CARE, alarm_lines, care_lines, figures_of, take_report
from monitor.records import DayStat, LogEntry, Reading, Transition, parse_iso
from monitor.site.load import load_site
from monitor.store.embedded import open_writer
from tests.unit.site_files import MARSH_HIDE, write

LONDON = ZoneInfo("Europe/London")
AT = parse_iso("2026-11-20T12:00:00Z")
DAY = 86_400_000


def row(day, **changes):
    found = {
        "first": date(2026, 11, day),
        "days": 1,
        "sky": "dark",
        "harvest_Wh": 500.0,
        "clear_sky_Wh": 1000.0,
        "unused_Wh": 10.0,
        "used_Wh": 300.0,
        "voltage_min_V": 12.2,
        "soc_min": 0.7,
        "full_days": 0,
    }
    return DayRow(**found | changes)


def stat(day, low, high):
    at = date(2026, 11, day)
    return DayStat(at, "charger", "battery_temperature_C", 9, low, 0, low, high, low, high, 0, 0, 0, 0)


def test_where_the_charge_is_known_only_roughly_no_day_is_counted_below_the_reserve():
    rough = dict(figures_of([row(20, soc_min=0.41, soc_sd=0.17), row(21)], (), 0.5))
    assert rough["Lowest charge"] == "somewhere between 7 and 75 % on 20 Nov"
    known = dict(figures_of([row(20, soc_min=0.41, soc_sd=0.04)], (), 0.5))
    assert known["Lowest charge"] == "41 % on 20 Nov; below the reserve of 50 % on 1 of 1 day"


def test_the_figures_are_the_days_together():
    days = [
        row(16, full_days=1, sky="clear"),
        row(17, soc_min=0.45, voltage_min_V=11.9),
        row(18),
        row(19, harvest_Wh=None),
        row(20, full_days=1),
        row(21, days=0, **dict.fromkeys(("harvest_Wh", "used_Wh", "soc_min", "full_days"))),
    ]
    told = dict(figures_of(days, [stat(16, -2.0, 8.0), stat(17, 1.0, 12.0)], 0.5))
    assert told == {
        "Days with readings": "5 of 6",
        "The array gave": "2.0 kWh on 4 days",
        "A clear sky would have given": "5.0 kWh",
        "Left unused by the full bank": "50 Wh",
        "The loads took": "1.5 kWh",
        "Lowest charge": "45 % on 17 Nov; below the reserve of 50 % on 1 of 5 days",
        "Lowest voltage": "11.9 V on 17 Nov",
        "Days without a full bank": "3 of 5; the longest run 3; last full on 20 Nov",
        "Days by their sky": "1 clear; 4 dark, rain",
        "Bank's temperature": "−2.0 °C (16 Nov) to 12.0 °C (17 Nov)",
    }


def test_a_bank_that_kept_its_reserve_is_told_so():
    assert (
        dict(figures_of([row(16)], [], 0.5))["Lowest charge"]
        == "70 % on 16 Nov; never below the reserve of 50 %"
    )


def test_a_day_that_is_not_known_ends_a_run_without_full():
    days = [row(16), row(17), row(18, full_days=None), row(19)]
    assert dict(figures_of(days, [], 0.5))["Days without a full bank"] == "3 of 3; the longest run 2"


def test_what_is_not_known_has_no_line():
    unknown = dict.fromkeys(
        ("harvest_Wh", "clear_sky_Wh", "unused_Wh", "used_Wh", "voltage_min_V", "soc_min", "full_days")
    )
    assert dict(figures_of([row(16, days=0, **unknown)], [], 0.5)) == {"Days with readings": "0 of 1"}


def raised(name, at_ms, after="unacknowledged"):
    return Transition(at_ms, name, "normal", after, "raised", "high", f"{name}: x")


def test_alarms_are_counted_by_name_the_most_frequent_first():
    found = [raised("Low voltage", AT - n * DAY) for n in range(3)]
    found += [raised("Too hot", AT), raised("Too hot", AT, "acknowledged")]
    assert list(alarm_lines(found, LONDON)) == [
        "Low voltage (high): 3 times, last on 20 Nov",
        "Too hot (high): once on 20 Nov",
    ]
    many = [raised(f"Alarm {n}", AT) for n in range(9)]
    assert list(alarm_lines(many, LONDON))[-1] == "and 4 more alarms, raised 4 times"


def test_care_is_what_the_log_says_cut_to_its_room():
    entries = [
        LogEntry(AT, "water", "All cells\nlow.", {"water_L": 0.5}, "Ada"),
        LogEntry(AT, "note", "x" * 500),
    ]
    first, second = care_lines(entries, LONDON)
    assert first.startswith("20 Nov: Water added. 0.5 L")
    assert first.endswith("All cells low")
    assert second.endswith("…")
    assert len(second) <= LONGEST_CARE + len("20 Nov: ")
    lines = list(care_lines(entries * 10, LONDON))
    assert (len(lines), lines[-1]) == (MOST_CARE + 1, f"and {20 - MOST_CARE} more on the page Care")


@pytest.fixture
def store(tmp_path):
    """Ten days of 10 W and 12.5 V; an alarm and an entry of the log on the sixth and the month before."""
    with open_writer(tmp_path / "store.db", "Europe/London") as writer:
        start = parse_iso("2026-11-16T00:00:00Z")
        for at in range(start, start + 10 * DAY, 600_000):
            writer.append([Reading(at, "charger", "array_power_W", 10.0)])
            writer.append([Reading(at, "charger", "battery_voltage_V", 12.5)])
        for at in (start + 5 * DAY, start - 30 * DAY):
            writer.add_transition(raised("Low voltage", at))
            writer.add_log_entry(LogEntry(at, "cleaning", "South row", {}, "Ada", at))
        writer.commit()
        yield writer


def test_a_sheet_holds_what_lies_in_its_days(store, tmp_path):
    site = load_site(write(tmp_path, MARSH_HIDE))
    report = take_report(store, site, Span(date(2026, 11, 19), date(2026, 11, 25)))
    # 10 W for seven days, by hand, without the last ten minutes
    assert dict(report.figures)["The array gave"] == "1.7 kWh"
    assert report.alarms == ("Low voltage (high): once on 21 Nov",)
    assert report.care == ("21 Nov: Panels cleaned. South row",)
    assert len(report.rows) == 7
