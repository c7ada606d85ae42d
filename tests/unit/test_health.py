"""The bank's health: figures against hand-made courses and published limits, unknown where nothing shows."""

import json
import math
from datetime import UTC, date, datetime, timedelta
from random import Random
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner

from monitor.bank.health import (
    Acceptance,
    Banded,
    Halves,
    capacity_share,
    coulombic_efficiency,
    cycle_life,
    cycles_to_depth,
    halves_in_words,
    sulfation_in_words,
)
from monitor.bank.ledger import Flow
from monitor.bank.resistance import MonthResistance, ResistanceMeter, trend
from monitor.bank_words import in_words
from monitor.cli import main
from monitor.records import DayStat, Event, Reading, to_ms
from monitor.site.model import Meters
from monitor.store.embedded import open_writer
from tests.unit.site_files import changed, write

METERS = Meters()


def test_capacity_is_a_share_of_the_rating_with_its_band():
    assert capacity_share(360.0, 18.0, 450.0) == Banded(0.8, 0.04)  # by hand
    assert capacity_share(None, None, 450.0) is None


# --- efficiency and acceptance -----------------------------------------------------------------------------


def test_efficiency_between_fulls_has_a_band_of_offset_gain_and_repeatability():
    # by hand: 91 Ah out for 100 Ah in over 100 h; offset 5 Ah, gain 1 Ah, twice full at 3 % each: 4.24 Ah
    found = coulombic_efficiency(Flow(100.0, 91.0, None, None, 360_000.0, 360_000.0), 100.0, METERS)
    assert found.value == pytest.approx(0.91)
    assert found.sd == pytest.approx(math.sqrt(5**2 + 1**2 + 18) / 100)


def test_efficiency_is_unknown_where_one_side_is():
    assert coulombic_efficiency(Flow(100.0, None, None, None, 1.0, 1.0), 100.0, METERS) is None
    assert coulombic_efficiency(Flow(0.0, 5.0, None, None, 1.0, 1.0), 100.0, METERS) is None


def test_acceptance_is_the_current_at_which_absorption_begins():
    told = Acceptance(100.0)
    for current_A in (10.0, 12.0, 11.0):
        for code, amps in ((0, -1.0), (1, 20.0), (2, current_A), (2, 5.0), (3, 1.0)):
            told.take({"charge_stage": code, "battery_current_A": amps})
    assert told.share().value == pytest.approx(0.11)
    assert Acceptance(100.0).share() is None


# --- resistance --------------------------------------------------------------------------------------------


def course(ohm, seed, *, hours=48, start=datetime(2026, 3, 1, tzinfo=UTC), temperature_C=25.0, every_s=20):
    """Rows of a bank at rest voltage 12.5 V less ohm times a load of 10 or 2 A that switches at random."""
    rng, time_ms, amps = Random(seed), to_ms(start), -2.0
    for _ in range(hours * 3600 // every_s):
        time_ms += every_s * 1000
        if rng.random() < 0.02:
            amps = -12.0 if amps == -2.0 else -2.0
        voltage_V = round(12.5 + ohm * amps + rng.gauss(0, 0.003), 2)
        yield (
            time_ms,
            {
                "battery_voltage_V": voltage_V,
                "battery_current_A": amps,
                "battery_temperature_C": temperature_C,
            },
        )


def meter(**more):
    return ResistanceMeter("flooded", 6, 100.0, Meters(**more))


def test_load_steps_give_the_resistance_within_its_band():
    found = meter()
    for time_ms, row in course(0.012, seed=3):
        found.take(time_ms, row)
    (month,) = found.months()
    assert month.month == "2026-03"
    assert abs(month.ohm - 0.012) <= 3 * month.sd_ohm + 0.0003, (
        month
    )  # seed 3; a step's rounding is 1 mV in 10 A
    assert month.events >= 50


def test_a_cold_banks_resistance_is_referred_to_25_degrees():
    # our choice: 0.8 % per °C; by hand 12.0 mΩ at 5 °C are 12.0 / 1.16 at 25 °C
    cold = meter()
    for time_ms, row in course(0.012, seed=4, temperature_C=5.0):
        cold.take(time_ms, row)
    assert cold.months()[0].ohm == pytest.approx(0.012 / 1.16, rel=0.05)


def test_coarse_meters_slow_rows_and_small_steps_show_no_resistance():
    assert meter(voltage_step_V=0.1).too_coarse
    assert not meter(voltage_step_V=0.01).too_coarse
    slow = meter()
    for time_ms, row in course(0.012, seed=5, every_s=300):
        slow.take(time_ms, row)
    assert slow.months() == []
    small = ResistanceMeter("flooded", 6, 5000.0, METERS)
    for time_ms, row in course(0.012, seed=5):
        small.take(time_ms, row)
    assert small.months() == []


def test_the_trend_is_the_slope_over_the_months_with_its_uncertainty():
    months = [MonthResistance(f"2026-{n:02d}", 0.010 * (1 + 0.02 * n), 0.0001, 50) for n in range(1, 7)]
    line = trend(months)  # by hand: 2 % of 10 mΩ a month over a mean of 10.7 mΩ is 22.4 % a year
    assert line.per_year == pytest.approx(0.24 / 1.07, rel=1e-3)
    # by hand: 0.1 mΩ over the root of 17.5 months² in years², over the same mean
    assert line.sd_per_year == pytest.approx(0.0001 / (17.5 / 144) ** 0.5 / 0.0107, rel=1e-3)
    assert trend(months[:3]).per_year == pytest.approx(0.24 / 1.04, rel=1e-3)
    assert trend(months[:2]) is None


# --- sulfation and balance ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("days", "word"),
    [(3, "low"), (13.9, "low"), (20, "rising"), (30.9, "rising"), (40, "high"), (None, "unknown")],
)
def test_days_since_full_tell_the_risk_of_sulfation(days, word):
    # at least once a month: a battery maker's manual; every 7 to 14 days preferred: from memory
    assert word in sulfation_in_words("flooded", days, None)


def test_lithium_does_not_sulfate_and_a_low_mean_charge_is_told():
    assert sulfation_in_words("lifepo4", 400, 0.3) == "LiFePO4 does not sulfate."
    assert "below 80 %" in sulfation_in_words("agm", 20, 0.7)


@pytest.mark.parametrize(
    ("cells", "spread_V", "word"),
    [
        # one battery maker: 12 V blocks 0.22 V (answers to questions) and 0.30 V (guide), 6 V 0.15 V (guide)
        (12, 0.20, "even"),
        (12, 0.25, "would look"),
        (12, -0.31, "guide"),
        (6, 0.16, "guide"),
        (6, 0.10, "even"),
    ],
)
def test_halves_are_judged_by_the_makers_spread_between_blocks(cells, spread_V, word):
    assert word in halves_in_words(spread_V, cells, "flooded")


def test_halves_are_compared_only_after_an_hour_at_rest():
    halves = Halves(6, 100.0)
    row = {"battery_voltage_V": 12.6, "midpoint_voltage_V": 6.25, "battery_current_A": -0.2}
    for minute in range(60):
        halves.take(minute * 60_000, row)
    assert halves.spread_V() is None
    halves.take(60 * 60_000, row)
    assert halves.spread_V() == pytest.approx(0.10)  # by hand: 6.35 - 6.25
    busy = Halves(6, 100.0)
    for minute in range(200):
        busy.take(minute * 60_000, row | {"battery_current_A": -5.0})
    assert busy.spread_V() is None


# --- cycle life --------------------------------------------------------------------------------------------


def days_of(depth, count):
    first = date(2026, 1, 1)
    return [
        DayStat(first + timedelta(days=n), "estimate", "state_of_charge", 9, 0.95 - depth, 0, 0.8, 0.95, 0.9,
                0.9, 0.0, 0.0, 0.0, 86_400.0)
        for n in range(count)
    ]  # fmt: skip


@pytest.mark.parametrize(("depth", "cycles"), [(0.2, 3000), (0.3, 2000), (0.5, 1200), (1.0, 500)])
def test_the_published_points_of_the_cycle_life_curve_are_met(depth, cycles):
    # flooded deep-cycle batteries, from memory
    assert cycles_to_depth("flooded", depth) == pytest.approx(cycles)


def test_cycles_times_depth_is_about_constant_for_flooded_banks():
    # computed from these points: 600 full cycles at a shallow depth, 500 to 600 over all of them
    for percent in range(5, 101):
        assert 499 <= cycles_to_depth("flooded", percent / 100) * percent / 100 <= 606, percent


def test_a_year_of_half_discharges_uses_a_years_worth_of_the_curve():
    # by hand: 365.25 cycles a year of 1200 are 3.285 years from new; 120 days use a tenth
    life = cycle_life("flooded", days_of(0.5, 120))
    assert life.used == pytest.approx(0.1)
    assert life.years_left == pytest.approx(0.9 * 1200 / 365.25)


def test_no_curve_no_remaining_life():
    assert cycle_life("lifepo4", days_of(0.5, 120)) is None
    assert cycle_life("gel", days_of(0.5, 120)) is None
    assert cycle_life("agm", days_of(0.5, 29)) is None


# --- the command, on a real store --------------------------------------------------------------------------


@pytest.fixture
def kept(tmp_path):
    """A site file with two days stored by the minute: 10 A in from 10 to 14 h, 2 A out else; full at 14 h."""
    site = write(tmp_path, changed('metering.level = "shunt"', 'site.time_zone = "UTC"'))
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    begin = (now - timedelta(days=2)).replace(hour=0, minute=0)
    with open_writer(tmp_path / "nightbank.db", "UTC") as store:
        for minute in range(int((now - begin).total_seconds()) // 60):
            moment = begin + timedelta(minutes=minute)
            time_ms, charging = to_ms(moment), 10 <= moment.hour < 14
            amps = 10.0 if charging else -2.0
            for quantity, value in (
                ("battery_voltage_V", 13.0 if charging else 12.5),
                ("battery_current_A", amps),
                ("battery_power_W", amps * 12.5),
                ("charge_stage", 1.0 if charging else 0.0),
                ("state_of_charge", 0.8 if charging else 0.7),
            ):
                store.append([Reading(time_ms, "shunt", quantity, value)])
        store.append([Reading(to_ms(now), "estimate", "bank_capacity_Ah", 400.0)])
        store.append([Reading(to_ms(now), "estimate", "bank_capacity_sd_Ah", 10.0)])
        store.add_event(Event(to_ms(begin.replace(hour=14)), "full", "", "full"))
        store.commit()
    return site, begin


def test_the_command_reports_what_the_store_holds(kept):
    site, begin = kept
    done = CliRunner().invoke(main, ["bank", str(site), "--json"])
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    first = document["ledger"]["last_days"][-3]
    assert first["day"] == begin.date().isoformat()
    assert first["in_Ah"] == pytest.approx(40.0, abs=0.2)  # by hand: 4 h at 10 A
    assert first["out_Ah"] == pytest.approx(40.0, abs=0.2)  # 20 h at 2 A
    assert first["lowest_soc"] == 0.7
    assert document["ledger"]["since_full"]["full"] == f"{begin:%Y-%m-%d}T14:00:00Z"
    # from 14 h to midnight 20 Ah out, and all of the second day
    assert document["ledger"]["since_full"]["out_Ah"] >= 59.0
    assert document["cycles"]["capacity"] == "learnt"
    assert document["health"]["capacity_share"] == {"value": round(400 / 450, 4), "sd": round(10 / 450, 4)}
    assert document["health"]["cycle_life"]["used"] is None


def test_the_report_says_unknown_where_nothing_is_known(kept):
    site, _ = kept
    done = CliRunner().invoke(main, ["bank", str(site)])
    assert done.exit_code == 0, done.output
    assert "Capacity 89 % ± 4 % of the rated 450 Ah." in done.stdout
    assert "Internal resistance unknown:" in done.stdout
    assert "Remaining life unknown: fewer than 30 days" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines() if line.startswith("  ")) <= 80


def test_a_capacity_that_could_be_any_banks_is_not_called_learnt(kept):
    site, _ = kept
    with open_writer(site.parent / "nightbank.db", "UTC") as store:
        at = to_ms(datetime.now(UTC))
        store.append([Reading(at, "estimate", "bank_capacity_sd_Ah", 52.0)])
        store.commit()
    done = CliRunner().invoke(main, ["bank", str(site)])
    assert "Capacity 89 % ± 23 % of the rated 450 Ah: not learnt yet" in done.stdout
    assert "of 450 Ah (rated)" in done.stdout


def test_a_lowest_charge_that_was_hardly_known_is_not_told(kept):
    site, begin = kept
    with open_writer(site.parent / "nightbank.db", "UTC") as store:
        for hour in range(24):
            unsure = to_ms(begin + timedelta(hours=hour))
            store.append([Reading(unsure, "estimate", "state_of_charge_sd", 0.28)])
            store.append([Reading(unsure + 86_400_000, "estimate", "state_of_charge_sd", 0.05)])
        store.commit()
    document = json.loads(CliRunner().invoke(main, ["bank", str(site), "--json"]).stdout)
    first, second = document["ledger"]["last_days"][-3:-1]
    assert (first["lowest_soc"], first["lowest_at"]) == (None, None)
    assert second["lowest_soc"] == 0.7


def test_what_months_of_record_tell_is_said_with_its_band(kept):
    site, _ = kept
    document = json.loads(CliRunner().invoke(main, ["bank", str(site), "--json"]).stdout)
    health = document["health"]
    health["acceptance"] = {"value": 0.121, "sd": 0.013}
    health["resistance"] = {"ohm": 0.0124, "sd": 0.0006, "month": "2026-10", "trend_per_year": None}
    health["cycle_life"] = {"used": 0.042, "days": 90, "years_left": 5.3}
    said = in_words(document, ZoneInfo("UTC"))
    assert "Current as absorption begins 12.1 % of capacity (scatter 1.3 %)." in said
    assert "Internal resistance 12.4 ± 1.2 mΩ at 25 °C (2026-10, some seconds' polarization in it)" in said
    assert "trend unknown before three months." in said
    assert "in the 90 days on record 4.2 %; at this pace a bank that was new then has about 5 years" in said
    health["resistance"]["trend_per_year"] = {"value": 0.08, "sd": 0.03}
    health["cycle_life"]["years_left"] = None
    said = in_words(document, ZoneInfo("UTC"))
    assert "; +8 % ± 6 % a year." in said
    assert "has more years of cycling left than can be told" in said


def test_an_empty_store_is_reported_calmly(tmp_path):
    site = write(tmp_path, changed())
    open_writer(tmp_path / "nightbank.db", "Europe/London").close()
    done = CliRunner().invoke(main, ["bank", str(site)])
    assert done.exit_code == 0, done.output
    assert "State of charge unknown; stage unknown." in done.stdout
    assert "No full charge was seen yet." in done.stdout


def test_a_missing_store_is_told(tmp_path):
    site = write(tmp_path, changed())
    done = CliRunner().invoke(main, ["bank", str(site)])
    assert done.exit_code == 1
    assert "nightbank.db" in done.output
