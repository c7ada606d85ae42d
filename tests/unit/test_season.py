"""A season: its figures by hand, what nobody knows told as not known, a store read by its days."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner

from monitor.array_look import NOTE as LOOK_NOTE
from monitor.cli import main
from monitor.clock import CLOCK_NOTE, PacedClock, SystemClock
from monitor.day_book import note_key
from monitor.day_rows import DayRow
from monitor.local_days import local_day
from monitor.quantities import Stage
from monitor.records import Bucket, Condition, DayStat, Event, LogEntry, Reading, Transition, parse_iso
from monitor.season.alarms import raised
from monitor.season.array import gave
from monitor.season.bank import Fulls, Nights, Spell, fulls, nights_below
from monitor.season.done import done
from monitor.season.watched import watched
from monitor.season_words import PLAIN, alarm_lines, array_rows, done_lines
from monitor.store.embedded import open_writer
from tests.unit.site_files import MARSH_HIDE, write

LONDON = ZoneInfo("Europe/London")
HOUR, DAY = 3_600_000, 86_400_000
START = parse_iso("2026-11-16T00:00:00Z")
"""In winter London's midnight is UTC's."""


def bucket(hour: int, charge: float) -> Bucket:
    """An hour from START on."""
    return Bucket(START + hour * HOUR, START + (hour + 1) * HOUR, 60, charge, charge, charge)


def test_a_night_below_the_reserve_counts_once_though_it_touches_two_days() -> None:
    low = [bucket(hour, 0.45 if 22 <= hour < 30 else 0.7) for hour in range(12, 60)]  # 22:00 to 06:00
    assert nights_below(0.5, low, frozenset(), LONDON) == Nights(below=1, told=2, vague=0)
    # the same by day: from noon on another night counts
    late = [bucket(hour, 0.45 if 34 <= hour < 38 else 0.7) for hour in range(12, 60)]  # 10:00 to 14:00
    assert nights_below(0.5, late, frozenset(), LONDON).below == 2


def test_a_night_whose_charge_is_too_little_known_is_left_out() -> None:
    low = [bucket(hour, 0.45) for hour in range(12, 60)]
    vague = frozenset({date(2026, 11, 16)})
    assert nights_below(0.5, low, vague, LONDON) == Nights(below=1, told=1, vague=1)


def days_of(pattern: str) -> dict[date, bool | None]:
    """'F' full, '-' not, '?' not known, from 16 November on."""
    known = {"F": True, "-": False, "?": None}
    return {date(2026, 11, 16) + timedelta(days=at): known[sign] for at, sign in enumerate(pattern)}


def test_the_longest_time_without_a_full_bank() -> None:
    assert fulls(days_of("F---F--")) == Fulls(
        days=2,
        told=7,
        last=date(2026, 11, 20),
        longest=Spell(date(2026, 11, 17), date(2026, 11, 19)),
        goes_on=False,
    )
    going_on = fulls(days_of("F-F--"))
    assert going_on is not None
    assert (going_on.goes_on, going_on.longest) == (True, Spell(date(2026, 11, 19), date(2026, 11, 20)))
    assert fulls(days_of("???")) is None


def test_a_day_of_which_nobody_knows_ends_the_row() -> None:
    found = fulls(days_of("--?---F"))
    assert found is not None
    assert found.longest == Spell(date(2026, 11, 19), date(2026, 11, 21))
    assert (found.days, found.told) == (1, 6)


def stat(day: int, quantity: str, covered_h: float = 24.0, highest: float = 1.0) -> DayStat:
    at, covered_s = date(2026, 11, day), 3600 * covered_h
    return DayStat(at, "charger", quantity, 9, 0.0, 0, 0.5, highest, 0.0, 0.0, 0.0, 0.0, 0.0, covered_s)


def test_hours_and_days_that_nobody_watched() -> None:
    days = [local_day(LONDON, date(2026, 11, day)) for day in range(16, 23)]
    read = [
        stat(16, "battery_voltage_V", 12),
        stat(17, "battery_voltage_V"),
        stat(20, "battery_voltage_V", 19),
    ]
    # 22 November has not come; on the 16th the first reading ever came at noon, so nothing of it is missing
    found = watched(days, {stat.day for stat in read}, read, START + 12 * HOUR, START + 6 * DAY)
    assert (found.days, found.read_days) == (7, 3)
    assert found.silent == (
        Spell(date(2026, 11, 18), date(2026, 11, 19)),
        Spell(date(2026, 11, 21), date(2026, 11, 21)),
    )
    assert (found.partly, found.partly_h) == (1, 5.0)
    assert found.unseen_h == 3 * 24 + 5


def step(hour: float, after: Condition, name: str = "Low voltage") -> Transition:
    return Transition(START + round(hour * HOUR), name, "normal", after, "x", "high", "x")


def test_alarms_are_counted_and_timed_the_most_frequent_first() -> None:
    found = raised(
        [
            step(1, Condition.NORMAL),  # raised before these days: nothing says when
            step(10, Condition.UNACKNOWLEDGED),
            step(11, Condition.ACKNOWLEDGED),
            step(12, Condition.NORMAL),
            step(20, Condition.UNACKNOWLEDGED),
            step(20.5, Condition.SHELVED),
            step(23, Condition.UNACKNOWLEDGED, "Too hot"),
        ],
        START + 24 * HOUR,
    )
    assert [(each.name, each.times, each.hours, each.stands) for each in found] == [
        ("Low voltage", 2, 2.5, False),
        ("Too hot", 1, 1.0, True),
    ]
    assert list(alarm_lines(found, lambda _: date(2026, 11, 16), PLAIN)) == [
        "Low voltage (high): 2 times, 2.5 h in all, the last on 16 Nov 2026",
        "Too hot (high): once, 1.0 h, on 16 Nov 2026, and it stands",
    ]


def test_the_log_in_short_counts_water_and_what_the_controller_did() -> None:
    entries = [
        LogEntry(START, "water", "", {"water_L": 1.5}),
        LogEntry(START + DAY, "water", "", {"water_L": 0.5}),
        LogEntry(START + 2 * DAY, "water", "forgot to measure"),
        LogEntry(START, "note", "Fuse changed"),
    ]
    stages = [
        stat(18, "charge_stage", highest=Stage.EQUALIZATION),
        stat(19, "charge_stage", highest=Stage.FLOAT),
    ]
    found = done(entries, stages)
    assert found.water_L == 2.0
    assert list(
        done_lines(found, lambda time_ms: date(2026, 11, 16) + timedelta(days=(time_ms - START) // DAY))
    ) == [
        "Water: 3 times, the last on 18 Nov 2026, 2.0 L in all, 1 of them without an amount",
        "Note: on 16 Nov 2026",
        "The controller was seen to equalize on 18 Nov 2026.",
    ]
    assert list(done_lines(done([], []), lambda _: date(2026, 11, 16))) == ["Nothing was written down."]


def row(day: int, **changes: Any) -> DayRow:
    found: dict[str, Any] = {
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


def test_the_arrays_share_counts_days_that_know_both_and_yields_are_those_of_the_standard() -> None:
    # a day by the definitions of IEC 61724-1 (computed): Yr 4.200, YA 3.267, Yf 2.667 h, PR 0.635
    entry = {"reference_yield_h": 4.2, "array_yield_h": 3.267, "final_yield_h": 2.667}
    found = gave([(row(16), entry), (row(17, harvest_Wh=None), {}), (row(18, clear_sky_Wh=None), None)])
    assert found.came is not None
    assert (found.came.energy_Wh, found.came.days) == (1000, 2)
    assert found.share == 0.5
    assert found.share_days == 1
    assert dict(array_rows(found))["The array gave"] == (
        "1,000 Wh on 2 days, 50 % of what a clear sky would have given"
        " (by 1 of them; the others lack one of the two)"
    )
    assert found.performance_ratio == pytest.approx(0.635, abs=0.0005)
    assert found.array_ratio == pytest.approx(0.778, abs=0.0005)
    assert found.yield_days == 1
    assert gave([(row(16, days=0), None)]).came is None


@pytest.fixture
def hide(tmp_path: Path) -> Path:
    """Ten days, two of them without a reading: 12.5 V and 10 A in by day, 2 A out by night, a deep night."""
    file = write(tmp_path, MARSH_HIDE)
    end = START + 10 * DAY
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as writer:
        writer.put_note(CLOCK_NOTE, PacedClock(SystemClock().now_ms(), end - 60_000, 1.0).note())
        for at in range(START, end, 300_000):
            if START + 3 * DAY <= at < START + 5 * DAY:
                continue
            sun = 9 <= at // HOUR % 24 < 15
            charge = 0.45 if START + 8 * DAY <= at < START + 8 * DAY + 3 * HOUR else 0.7
            for name, value in (
                ("battery_voltage_V", 12.5),
                ("battery_current_A", 10.0 if sun else -2.0),
                ("state_of_charge", charge),
                ("state_of_charge_sd", 0.04),
            ):
                device = "estimate" if name.startswith("state") else "charger"
                writer.append([Reading(at, device, name, value)])
        writer.put_note(note_key(date(2026, 11, 17)), json.dumps({"spoilt": True})[:-1])
        writer.add_event(Event(START + 2 * DAY, "full", "", "The bank has met the signs of a full charge."))
        writer.add_event(Event(START + 5 * DAY, "dark", "", "The computer was without power for 2 days."))
        writer.add_log_entry(LogEntry(START, "water", "All low", {"water_L": 1.5}, "Ada", START))
        writer.commit()
    return file


def asked(file: Path, line: str = "") -> tuple[int, str]:
    told = CliRunner().invoke(main, ["season", str(file), *line.split()])
    return told.exit_code, told.output


def test_the_season_of_a_store_is_told_with_its_gaps(hide: Path) -> None:
    status, said = asked(hide)
    text = " ".join(said.split())
    assert status == 0
    assert "Marsh hide, 16 Nov 2026 to 25 Nov 2026 (10 days)." in text
    assert "Lowest charge 45 % ± 8 % on 24 Nov 2026" in text
    assert "Nights below 50 % 1 of 9" in text
    # told full on the 18th; of the days without a reading nobody knows; eight days had an estimate
    assert (
        "Full on 1 of 8 days, last on 18 Nov 2026; longest without 5 days, 21 Nov 2026 to 25 Nov 2026" in text
    )
    assert "Temperature not known: nothing read it" in text
    assert "Days with readings 8 of 10; nobody watched for 48 h: no reading on 2 days (19 Nov 2026 to" in text
    assert "The monitor was off once, until 21 Nov 2026" in text
    assert "Water: on 16 Nov 2026, 1.5 L in all" in text
    assert "Faults not known: nobody has looked for any yet" in text
    assert "! Look at the terminals and their torque: due now" in text


def test_the_document_has_the_same_and_plain_numbers(hide: Path) -> None:
    status, said = asked(hide, "--json --from 2026-11-18 --to 2026-11-24")
    told = json.loads(said)
    assert status == 0
    assert (told["from"], told["to"], told["watched"]["read_days"]) == ("2026-11-18", "2026-11-24", 5)
    # five days of 60 Ah in and 36 Ah out but for the straight lines at sunrise and sunset, by hand
    assert told["bank"]["in_Ah"] == pytest.approx(5 * 60, rel=0.02)
    assert told["bank"]["out_Ah"] == pytest.approx(5 * 36, rel=0.02)
    assert told["bank"]["full"]["last"] == "2026-11-18"
    assert told["array"]["came"] is None
    assert told["findings"] is None
    assert [each["text"] for each in told["dark"]] == ["The computer was without power for 2 days."]
    assert {task["kind"] for task in told["due"]} >= {"terminals", "cleaning"}


def test_days_that_the_store_has_not_are_refused_in_words(hide: Path) -> None:
    status, said = asked(hide, "--from 2025-01-01 --to 2025-02-01")
    assert status == 2
    assert "the store has readings of 2026-11-16 to 2026-11-25 only" in said


def test_faults_of_the_array_are_those_of_the_monitors_last_look_that_touch_the_days(hide: Path) -> None:
    def found(kind: str, begins: str, ends: str | None) -> dict[str, Any]:
        return {"kind": kind, "start": begins, "end": ends, "size": 0.1, "confidence": 0.8}

    note = {
        "day": "2026-11-24",
        "findings": [
            found("soiling", "2026-11-18T00:00:00Z", None),
            found("shade", "2026-10-01T00:00:00Z", "2026-11-01T00:00:00Z"),
        ],
    }
    with open_writer(hide.parent / "nightbank.db", "Europe/London") as writer:
        writer.put_note(LOOK_NOTE, json.dumps(note))
        writer.commit()
    text = " ".join(asked(hide)[1].split())
    assert "The glass gets dirty, 18 Nov 2026 and still (80 % sure, by the look of 24 Nov 2026)" in text
    assert "shades" not in text
    told = json.loads(asked(hide, "--json")[1])
    assert ([each["kind"] for each in told["findings"]], told["looked"]) == (["soiling"], "2026-11-24")


def test_a_site_without_an_array_has_no_faults_of_one(hide: Path) -> None:
    text = hide.read_text(encoding="utf-8")
    without = text[: text.index("[array]")] + text[text.index("[controller]") :]
    hide.write_text(without, encoding="utf-8")
    status, said = asked(hide)
    assert status == 0
    assert "Faults" not in said
    assert "The array gave       not known" in said
