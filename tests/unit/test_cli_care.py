"""`nightbank care` as a person types it, over a store with readings and without one."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner

from monitor.array_look import Found
from monitor.care_report import care_report
from monitor.cli import main
from monitor.clock import SystemClock
from monitor.quantities import Stage
from monitor.records import Event, LogEntry, LogKind, Reading
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_writer
from monitor.stores import open_reader
from tests.unit.site_files import MARSH_HIDE


@pytest.fixture
def hide(tmp_path: Path) -> Path:
    file = tmp_path / "site.toml"
    file.write_text(MARSH_HIDE, encoding="utf-8")
    return file


def asked(file: Path, line: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, ["care", str(file), *line.split()])
    return done.exit_code, " ".join(done.output.split())


def estimate(file: Path, soc: float, sd: float) -> None:
    """Leave an estimate of this moment in the site's store."""
    now_ms = SystemClock().now_ms()
    with_names = {"state_of_charge": soc, "state_of_charge_sd": sd, "bank_capacity_Ah": 400.0}
    store = open_writer(file.parent / "nightbank.db", "Europe/London")
    store.append(Reading(now_ms, "estimate", name, value) for name, value in with_names.items())
    store.commit()
    store.close()


def test_a_bank_with_enough_charge_may_stand_out(hide: Path) -> None:
    status, said = asked(hide, "winter --coldest -20 --charge 80")
    assert status == 0
    # 60 % for -25 °C by makers' tables (-25.5 °C at 60 %, computed), 2 W of the monitor: 4 Ah a day
    assert "it holds 80 % (as given) and needs 59 %" in said
    assert "4.0 Ah to the 2 W" in said
    assert "Never charge a frozen battery" in said


def test_a_bank_at_risk_is_told_by_words_and_exit_status(hide: Path) -> None:
    status, said = asked(hide, "winter --coldest -20 --charge 45 --heater 30 --no-array")
    assert status == 1
    assert said.startswith("At risk: it holds 45 %")
    assert "A heater of 30 W would take 60 Ah a day" in said  # 720 Wh at 12 V (arithmetic)


def test_the_charge_is_the_lower_end_of_the_stores_estimate(hide: Path) -> None:
    estimate(hide, 0.8, 0.05)  # told with a band of two deviations (our choice), so 70 % at its lower end
    status, said = asked(hide, "winter --coldest -20 --no-array --json")
    told = json.loads(said)
    assert status == 0
    assert told["charge"] == pytest.approx(0.7)
    assert told["capacity_Ah"] == 400
    assert told["safe_now"] is True
    assert told["days_safe"] == pytest.approx((told["charge"] - told["least_charge"]) * 400 / 5.45, rel=0.02)


def test_an_unknown_charge_is_said_to_be_unknown(hide: Path) -> None:
    open_writer(hide.parent / "nightbank.db", "Europe/London").close()
    status, said = asked(hide, "winter --coldest -20 --no-array")
    assert status == 1
    assert "how much it holds is not known" in said
    assert "--charge" in said


def test_where_even_a_full_bank_freezes_it_must_come_in(hide: Path) -> None:
    status, said = asked(hide, "winter --coldest -65 --charge 100 --no-array")
    assert status == 1
    assert said.startswith("Bring it in or keep it warm")


def test_lithium_is_told_of_charging_in_the_cold_and_not_of_acid(hide: Path) -> None:
    text = hide.read_text(encoding="utf-8")
    lithium = text.replace('chemistry = "flooded"', 'chemistry = "lifepo4"')
    assert lithium != text
    hide.write_text(lithium, encoding="utf-8")
    _, said = asked(hide, "winter --coldest -20 --charge 80 --no-array")
    assert "must not be charged below 0 °C" in said
    assert "sulphuric" not in said


def test_an_impossible_charge_is_refused(hide: Path) -> None:
    status, said = asked(hide, "winter --charge 120")
    assert status == 2
    assert "'120' is no number from 0 to 100 %" in said


HOUR_MS, DAY_MS = 3_600_000, 86_400_000
WATCHED_DAYS = 40
IN_A, OUT_A = 10.0, -3.0
"""Six hours in and eighteen out: 60 Ah and 54 Ah a day, 6 Ah of overcharge."""


def use(now_ms: int) -> Iterator[Reading]:
    """The invented days before now: hourly currents, and one equalization twenty days ago."""
    start_ms = now_ms - WATCHED_DAYS * DAY_MS
    for hour in range(24 * WATCHED_DAYS):
        current_A = IN_A if hour % 24 < 6 else OUT_A
        yield Reading(start_ms + hour * HOUR_MS, "charger", "battery_current_A", current_A)
    yield Reading(now_ms - 20 * DAY_MS, "charger", "charge_stage", Stage.EQUALIZATION)


def kept(file: Path, entries: Sequence[LogEntry]) -> int:
    """Leave forty days of use and a log in the site's store; now in ms."""
    now_ms = SystemClock().now_ms()
    store = open_writer(file.parent / "nightbank.db", "Europe/London")
    store.append(use(now_ms))
    for days_ago in (39, 20, 1):
        store.add_event(Event(now_ms - days_ago * DAY_MS, "full", "bank", "The bank is full."))
    for entry in entries:
        store.add_log_entry(entry)
    store.commit()
    store.close()
    return now_ms


def done(kind: LogKind, days_ago: float, **details: float) -> LogEntry:
    time_ms = round(SystemClock().now_ms() - days_ago * DAY_MS)
    return LogEntry(time_ms, kind, "", details, "Ada", time_ms)


def tasks(file: Path) -> dict[str, dict[str, Any]]:
    _, said = asked(file, "due --json")
    return {task["kind"]: task for task in json.loads(said)["tasks"]}


def test_what_is_due_follows_log_use_and_stages(hide: Path) -> None:
    kept(hide, [done(LogKind.WATER, 40), done(LogKind.TERMINALS, 10), done(LogKind.HYDROMETER, 30)])
    told = tasks(hide)
    # water monthly (from memory): 40 days; 38 days of 6 Ah between the full charges, 0.336 ml for each Ah in
    # each of 6 cells in series (Faraday): 0.46 L
    assert told["water"]["is_due"]
    assert told["water"]["water_days"] == 38
    assert told["water"]["water_L"] == pytest.approx(38 * 6 * 6 * 0.000337, rel=0.03)
    # readings joined by straight lines: 17 h of 3 A out and 0.7 Ah at the crossings of zero, 51.7 Ah a day;
    # of 450 Ah 10 cycles in 87 days, 19 to 20 of them gone since the day on which the controller equalized
    assert told["equalization"]["last_from"] == "the controller was seen to equalize last"
    left = date.fromisoformat(told["equalization"]["due"]) - datetime.now(ZoneInfo("Europe/London")).date()
    assert timedelta(65) <= left <= timedelta(70)
    assert not told["terminals"]["is_due"]
    assert not told["hydrometer"]["is_due"]
    assert "counted from the first reading" in told["cleaning"]["why"]


def test_uneven_cells_make_equalization_due_at_once(hide: Path) -> None:
    kept(hide, [done(LogKind.HYDROMETER, 2, gravity_1=1.265, gravity_2=1.225)])
    status, said = asked(hide, "due")
    assert status == 1
    assert "! Equalize the bank: due now. Why: the cells differ by 0.040" in said
    assert "hydrogen" in said


def test_a_bank_without_log_or_readings_counts_from_its_installation(hide: Path) -> None:
    open_writer(hide.parent / "nightbank.db", "Europe/London").close()
    told = tasks(hide)  # installed in 2025 by its site file
    assert told["terminals"]["is_due"]
    assert "the day the bank was installed" in told["terminals"]["why"]
    assert told["cleaning"]["due"] is None
    assert "no readings yet" in told["cleaning"]["why"]


def test_a_sealed_bank_wants_no_water_and_no_equalization(hide: Path) -> None:
    sealed = (
        hide.read_text(encoding="utf-8").replace('"flooded"', '"agm"').replace("equalization_V = 15.5\n", "")
    )
    hide.write_text(sealed, encoding="utf-8")
    kept(hide, [])
    assert set(tasks(hide)) == {"voltages", "terminals", "cleaning", "capacity"}


def test_use_that_is_not_metered_leaves_the_calendar(hide: Path) -> None:
    text = hide.read_text(encoding="utf-8").replace('level = "controller"', 'level = "charging"')
    hide.write_text(text, encoding="utf-8")
    kept(hide, [done(LogKind.WATER, 3)])
    told = tasks(hide)
    assert told["water"]["water_L"] is None
    assert "3 days since" in told["water"]["why"]


def dirt(days_ago: float, end_ms: int | None = None) -> Found:
    start_ms = round(SystemClock().now_ms() - days_ago * DAY_MS)
    return Found("soiling", start_ms, end_ms, 0.12, 0.8)


def glass(file: Path, *findings: Found) -> dict[str, Any]:
    site, _ = with_defaults(load_site(file))
    with closing(open_reader(site, file)) as reader:
        (found,) = (t for t in care_report(site, reader, findings)["tasks"] if t["kind"] == "cleaning")
    return found


def test_dirt_that_was_found_makes_cleaning_due_until_it_is_done(hide: Path) -> None:
    kept(hide, [])
    assert not glass(hide)["is_due"]
    found = glass(hide, dirt(10))
    assert found["is_due"]
    assert "dirt takes about 12 % of the light (80 % sure)" in found["why"]
    assert not glass(hide, dirt(10, end_ms=SystemClock().now_ms() - DAY_MS))["is_due"]  # rain washed it off
    kept(hide, [done(LogKind.CLEANING, 3)])
    assert not glass(hide, dirt(10))["is_due"]
    assert glass(hide, dirt(2))["is_due"]


def test_looking_for_dirt_goes_through_the_arrays_days(hide: Path) -> None:
    estimate(hide, 0.8, 0.05)  # a day without readings of the array: nothing can be found, and nothing is
    status, said = asked(hide, "due --glass")
    assert status == 1
    assert "Look at the panels' glass" in said
    assert "dirt takes" not in said


TEST_MS = round(datetime(2026, 11, 20, 18, tzinfo=ZoneInfo("Europe/London")).timestamp() * 1000)
"""When the invented capacity test begins."""


def discharged(file: Path, end_V: float, rest_A: float = -0.17, told_full: bool = True) -> tuple[int, str]:
    """A discharge of 22.5 A for 10 h at 20 °C, then eight hours at rest; asked for its capacity."""
    store = open_writer(file.parent / "nightbank.db", "Europe/London")
    for minute in range(0, 18 * 60, 5):
        draws = minute <= 600
        row = {
            "battery_current_A": -22.5 if draws else rest_A,
            "battery_voltage_V": end_V if draws else 12.10,
            "battery_temperature_C": 20.0,
        }
        time_ms = TEST_MS + minute * 60_000
        store.append(Reading(time_ms, "charger", name, value) for name, value in row.items())
    if told_full:
        store.add_event(Event(TEST_MS - HOUR_MS, "full", "bank", "The bank is full."))
    store.commit()
    store.close()
    return asked(file, "capacity --from 2026-11-20T18:00 --to 2026-11-21T04:00")


def test_a_gentle_capacity_test_is_read_from_the_store(hide: Path) -> None:
    # 225 Ah, 0.9 Ah on the straight line to the first reading at rest and 1 Ah in 6 h of rest, then
    # 12.10 V, which is 50 % (a maker's table, secondary source): 454 Ah
    status, said = discharged(hide, end_V=11.9)
    assert status == 0
    assert "About 454 ±" in said
    assert "50 % of it, by the rest voltage of 2.017 V a cell" in said


def test_a_test_down_to_the_rated_end_is_corrected_for_rate_and_cold(hide: Path) -> None:
    # 225 Ah in 10 h: times 2^(0.166/1.166) = 1.104 (Peukert with a maker's exponent 1.166); 20 °C is between
    # the worksheets' 1.04 at 21.1 °C and 1.11 at 15.6 °C: 1.054. 225 × 1.104 × 1.054 = 262 Ah
    status, said = discharged(hide, end_V=10.5)
    assert status == 0
    assert "About 262 ±" in said


def test_a_discharge_that_proves_nothing_says_why_and_how_it_is_done(hide: Path) -> None:
    status, said = discharged(hide, end_V=11.9, rest_A=-3.0)
    assert status == 1
    assert "no rest of 6 h followed" in said
    assert "How a test is done: Charge the bank until it is full" in said


def test_a_discharge_that_did_not_begin_full_tells_no_capacity(hide: Path) -> None:
    status, said = discharged(hide, end_V=11.9, told_full=False)
    assert status == 1
    assert "not told full" in said


def test_a_test_that_ends_before_it_begins_is_refused(hide: Path) -> None:
    status, said = asked(hide, "capacity --from 2026-11-21 --to 2026-11-20")
    assert status == 2
    assert "--to must come after --from" in said


def test_the_answer_comes_first_and_what_is_due_in_the_order_of_doing(hide: Path) -> None:
    kept(hide, [done(LogKind.HYDROMETER, 100), done(LogKind.WATER, 40), done(LogKind.CAPACITY, 3)])
    status, said = asked(hide, "due")
    assert status == 1
    # cells are read before water is added (common practice)
    assert said.startswith("Due now: read every cell with the hydrometer, and ")
    assert said.index("! Read every cell") < said.index("! Look at the water") < said.index("Test the bank's")


def test_a_year_after_the_last_test_the_capacity_is_due(hide: Path) -> None:
    kept(hide, [done(LogKind.CAPACITY, 300, capacity_Ah=430, capacity_band_Ah=40)])
    left = date.fromisoformat(tasks(hide)["capacity"]["due"]) - datetime.now(ZoneInfo("Europe/London")).date()
    assert timedelta(64) <= left <= timedelta(66)  # yearly (common practice, from memory)


def test_batteries_out_of_step_make_equalization_due(hide: Path) -> None:
    kept(hide, [done(LogKind.VOLTAGES, 2, unit_1_V=6.30, unit_2_V=6.10, unit_3_V=6.31, unit_4_V=6.30)])
    # 0.15 V for 6 V batteries (a battery maker's guide)
    assert "the batteries differ by 0.21 V, more than 0.15 V" in tasks(hide)["equalization"]["why"]


def test_a_capacity_that_is_written_down_stands_beside_the_others(hide: Path) -> None:
    estimate(hide, 0.8, 0.05)
    kept(hide, [done(LogKind.CAPACITY, 30, capacity_Ah=430, capacity_band_Ah=40)])
    status, said = asked(hide, "capacity")
    assert status == 0
    assert "Rated, by the site file: 450 Ah" in said
    assert "430 ± 40 Ah" in said
    assert "a test stands beside it and changes nothing" in said


def test_half_of_a_span_is_none(hide: Path) -> None:
    status, said = asked(hide, "capacity --from 2026-11-20")
    assert status == 2
    assert "belong together" in said


def test_without_a_discharge_nothing_is_written(hide: Path) -> None:
    kept(hide, [])
    status, said = asked(hide, "capacity --write")
    assert status == 1
    assert "Nothing was written: no discharge told a capacity." in said


def test_without_a_store_the_charge_can_be_given_by_hand(hide: Path) -> None:
    status, said = asked(hide, "winter --coldest -20")
    assert status == 2
    assert "give it by hand with --charge, in percent, or start the monitor" in said


@pytest.mark.parametrize("line", ["--begin --end", "--begin --json", "--end --write"])
def test_a_beginning_goes_alone(hide: Path, line: str) -> None:
    status, said = asked(hide, f"capacity {line}")
    assert status == 2
    assert "each go alone" in said
