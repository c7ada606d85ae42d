"""What `nightbank array` finds in an invented array's days: each kind where it was put, nothing else.

The days come from findings_world.py, which shares no equation with the monitor; dates and sizes are put in,
so each check is against what was put in. Measured skies judge the same in tests/bench/array_findings.py.
"""

from dataclasses import replace
from datetime import date

import pytest

from monitor.sun.expected import Supply
from monitor.sun.findings import find_all, looked_at
from tests.unit.findings_world import (
    World,
    after,
    derated,
    diode_lost,
    dirt,
    disconnected,
    made,
    obstacle,
    reading,
    snowed,
    strings_lost,
)

DAY_MS = 86_400_000
WINTER = World(seed=1, first=date(2026, 11, 20), warmth_C=1.0)
SEEDS = (1, 2)


def supply_of_world(world, strings=3):
    return Supply(
        latitude_deg=world.latitude_deg,
        longitude_deg=0.0,
        altitude_m=0.0,
        time_zone="UTC",
        tilt_deg=world.tilt_deg,
        azimuth_deg=180.0,
        panel_power_W=world.power_W / strings / world.series,
        panel_voc_V=world.voc_V,
        panel_isc_A=8.6,
        panel_vmp_V=world.vmp_V,
        panel_imp_A=8.25,
        voc_temperature_coefficient_per_C=-0.003,
        power_temperature_coefficient_per_C=-0.004,
        panels_in_series=world.series,
        strings_in_parallel=strings,
        controller="mppt",
        rating_A=60.0,
        array_voltage_limit_V=100.0,
        bank_V=12.0,
        absorption_V=14.8,
    )


def found_in(world, faults=(), strings=3):
    days, seen = made(world, faults)
    return find_all(days, seen, supply_of_world(world, strings))


def only(findings, kind):
    assert [str(finding.kind) for finding in findings] == [kind], [f.document() for f in findings]
    return findings[0]


@pytest.mark.parametrize("seed", range(1, 4))
@pytest.mark.parametrize("world", [World(), WINTER], ids=["spring", "winter"])
def test_nothing_is_found_in_days_of_weather_alone(world, seed):
    assert found_in(replace(world, seed=seed)) == []


def test_nothing_is_found_where_there_is_nothing_to_judge_by():
    world = World(days=2, weather="dark")
    assert find_all([], [], supply_of_world(world)) == []
    assert found_in(world) == []
    days, seen = made(world)
    assert looked_at(days, seen, supply_of_world(world)).days == 2


@pytest.mark.parametrize("seed", SEEDS)
def test_an_open_disconnect_is_found_to_the_hour(seed):
    world = World(seed=seed)
    start_ms, end_ms = after(world, 25, 9), after(world, 27, 13)
    finding = only(found_in(world, [disconnected(start_ms, end_ms)]), "array_open")
    assert abs(finding.start_ms - start_ms) <= 3_600_000
    assert abs(finding.end_ms - end_ms) <= 3_600_000
    assert "live in daylight" in finding.look_first


@pytest.mark.parametrize("seed", SEEDS)
def test_one_of_three_strings_lost_is_found_with_its_share(seed):
    world = World(seed=seed)
    start_ms = after(world, 25, 9)
    finding = only(found_in(world, [strings_lost(2 / 3, start_ms)]), "panel_lost")
    assert abs(finding.start_ms - start_ms) <= 1.5 * DAY_MS
    assert finding.end_ms is None
    assert finding.size == pytest.approx(1 / 3, abs=0.05)


@pytest.mark.parametrize("seed", SEEDS)
def test_strings_that_come_back_have_an_end(seed):
    world = World(seed=seed)
    start_ms, end_ms = after(world, 20, 9), after(world, 42, 12)
    finding = only(found_in(world, [strings_lost(1 / 3, start_ms, end_ms)]), "panel_lost")
    assert finding.end_ms is not None
    assert abs(finding.end_ms - end_ms) <= 4 * DAY_MS  # weeks of cloud may hide the day
    assert finding.size == pytest.approx(2 / 3, abs=0.05)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_lost_diode_shows_in_the_voltage_and_is_no_lost_string(seed):
    world = World(seed=seed)
    start_ms = after(world, 25, 9)
    finding = only(found_in(world, [diode_lost(2 / 3, start_ms)]), "diode_lost")
    assert abs(finding.start_ms - start_ms) <= 1.5 * DAY_MS
    assert finding.size == pytest.approx(1 / 3, abs=0.05)


@pytest.mark.parametrize("seed", SEEDS)
def test_an_obstacle_that_stands_in_the_morning_is_found_by_its_azimuth(seed):
    world = World(seed=seed)
    finding = only(found_in(world, [obstacle(125, 155, 90, after(world, 20))]), "shade")
    assert abs(finding.start_ms - after(world, 20)) <= 4 * DAY_MS  # weeks of cloud may hide the day
    assert "azimuth 12" in finding.evidence
    assert 0.05 <= finding.size <= 0.2


def test_an_array_that_faces_fifteen_degrees_elsewhere_is_not_shaded():
    assert found_in(World(seed=1, true_azimuth_off_deg=15)) == []
    assert found_in(World(seed=2, true_azimuth_off_deg=-15)) == []


@pytest.mark.parametrize("seed", [1, 3])
def test_dirt_that_rain_washes_off_is_found_with_both_ends(seed):
    world = World(seed=seed, need=2.0)
    faults = [dirt(0.006, after(world, 15), after(world, 45))]
    finding = only(found_in(world, faults), "soiling")
    assert abs(finding.start_ms - after(world, 15)) <= 10 * DAY_MS
    assert abs(finding.end_ms - after(world, 45)) <= 4 * DAY_MS
    assert finding.size == pytest.approx(0.18, abs=0.06)


@pytest.mark.parametrize("seed", SEEDS)
def test_snow_is_told_from_a_dark_sky_and_from_an_open_disconnect(seed):
    world = replace(WINTER, seed=seed)
    start_ms, end_ms = after(world, 25), after(world, 28, 12)
    finding = only(found_in(world, [snowed(start_ms, end_ms)]), "snow")
    assert abs(finding.start_ms - start_ms) <= DAY_MS
    assert abs(finding.end_ms - end_ms) <= 3_600_000


def test_the_darkest_cold_weeks_are_not_snow():
    assert found_in(replace(WINTER, weather="dark", warmth_C=-5.0)) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_a_controller_that_holds_back_hot_is_told_by_its_temperature(seed):
    world = World(seed=seed, warmth_C=28.0, need=3.0)
    start_ms = after(world, 15)
    finding = only(found_in(world, [derated(46, 0.4, start_ms, world.power_W)]), "heat_derating")
    assert finding.start_ms >= start_ms
    assert finding.end_ms is None
    assert "°C" in finding.evidence


def test_a_clock_that_jumps_is_the_clock_and_names_its_minutes():
    jump = date(2026, 5, 10)
    world = World(seed=1, shift_min=lambda day: 25.0 if day >= jump else 0.0)
    finding = only(found_in(world), "clock_wrong")
    assert finding.size == pytest.approx(25, abs=4)
    assert abs(finding.start_ms - after(world, 30)) <= DAY_MS


@pytest.mark.parametrize("minutes", [40.0, -28.0])
def test_a_shift_from_the_first_day_on_is_the_place(minutes):
    finding = only(found_in(World(seed=2, shift_min=lambda day: minutes)), "location_wrong")
    assert finding.size == pytest.approx(minutes / 4, abs=1)  # 15 degrees of longitude an hour
    assert finding.end_ms is None
    assert "would look the same" in finding.evidence


def test_a_shift_of_a_whole_hour_from_the_first_day_on_is_the_time_zone():
    finding = only(found_in(World(seed=2, shift_min=lambda day: 60.0)), "clock_wrong")
    assert finding.size == pytest.approx(60, abs=3)


def test_without_an_array_voltage_a_wrong_azimuth_is_no_wrong_clock():
    assert found_in(World(seed=1, with_voltage=False, true_azimuth_off_deg=15)) == []


@pytest.mark.parametrize(
    ("name", "value"),
    [("charge_current_A", 7.3), ("array_voltage_V", 18.2), ("controller_temperature_C", 25.0)],
)
def test_a_reading_that_stands_still_while_others_move_is_stuck(name, value):
    world = World(seed=1)
    start_ms = after(world, 30, 10)
    faults = [reading(name, value, start_ms)]
    days, seen = made(world, readings=faults)
    finding = only(find_all(days, seen, supply_of_world(world)), "sensor_stuck")
    assert abs(finding.start_ms - start_ms) <= 3_600_000
    assert finding.end_ms is None


def test_a_bank_probe_without_a_neighbour_is_held_against_its_own_past():
    world = World(seed=1)
    probe = reading("battery_temperature_C", 15.0, after(world, 30, 10))
    days, seen = made(world, readings=[probe, reading("controller_temperature_C", None, 0)])
    finding = only(find_all(days, seen, supply_of_world(world)), "sensor_stuck")
    # the world's air swings by 10 °C a day
    assert finding.evidence.startswith("The bank temperature stood at 15 °C for ")
    assert finding.evidence.endswith("; it used to change by 10.0 °C a day.")


def bank_current(changed, from_ms):
    """A shunt at the bank, past which 2 A of loads go; from a moment on it shows something else."""

    def misread(step):
        true_A = round(step.charge_current_A - 2.0, 2)
        return replace(step, battery_current_A=changed(true_A) if step.start_ms >= from_ms else true_A)

    return misread


def charge_current(changed, from_ms):
    """The controller's meter shows something else from a moment on."""

    def misread(step):
        shown_A = changed(step.charge_current_A) if step.start_ms >= from_ms else step.charge_current_A
        return replace(step, charge_current_A=shown_A)

    return misread


@pytest.mark.parametrize(
    ("meter", "changed", "told"),
    [
        (bank_current, lambda amps: 3.2, "The bank current stood at 3.2 A for "),
        (bank_current, lambda amps: -amps, "the bank's current fell when the charge rose (by "),
        (charge_current, lambda amps: -amps, "The charge current read negative in daylight (median -"),
    ],
    ids=["stands still", "bank's shunt reversed", "charge reversed"],
)
def test_a_current_that_cannot_be_true_is_told_with_what_speaks_against_it(meter, changed, told):
    world = World(seed=1, days=36)
    start_ms = after(world, 24, 0)
    days, seen = made(world, readings=[meter(changed, start_ms)])
    finding = only(find_all(days, seen, supply_of_world(world)), "sensor_stuck")
    assert told in finding.evidence
    assert abs(finding.start_ms - start_ms) <= 12 * 3_600_000
    assert finding.end_ms is None


def test_a_voltage_that_stands_still_is_stuck_only_where_no_controller_holds_it():
    free = World(seed=1, days=36, need=9.0, mislabelled=0.0)  # a bank that never gets full
    stuck = reading("battery_voltage_V", 12.7, after(free, 24))
    finding = only(find_all(*made(free, readings=[stuck]), supply_of_world(free)), "sensor_stuck")
    assert finding.evidence.startswith("The bank voltage stood at 12.7 V for ")
    assert "the charge current changed by " in finding.evidence
    held = replace(free, need=0.1)
    assert find_all(*made(held, readings=[stuck]), supply_of_world(held)) == []


def test_a_probe_that_is_not_read_any_more_is_lost():
    world = World(seed=1, days=36)
    start_ms = after(world, 24, 10)
    readings = [reading("battery_temperature_C", None, start_ms)]
    finding = only(find_all(*made(world, readings=readings), supply_of_world(world)), "sensor_stuck")
    assert finding.evidence.startswith("The bank temperature is missing for ")
    assert finding.start_ms == start_ms


def test_every_finding_is_a_document_of_one_form():
    world = World(seed=3)
    document = found_in(world, [disconnected(after(world, 25, 9), after(world, 27, 13))])[0].document()
    assert list(document) == ["kind", "start", "end", "size", "confidence", "evidence", "look_first"]
    assert document["start"] == "2026-05-05T09:00:00Z"
