"""Tables of what a clear sky gives: their text, which fit, the process that makes them, the daemon's part."""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.clock import SteppedClock
from monitor.errors import SunError
from monitor.local_days import local_day, zone_of
from monitor.records import Reading, parse_iso
from monitor.site.load import load_site, with_defaults
from monitor.site.model import Site
from monitor.store.base import StoreWriter
from monitor.store.embedded import open_writer
from monitor.sun.day import STEP_S, Clear
from monitor.sun.expected import Supply, clear_days, note_key, noted, supply_of, widened
from monitor.sun.helper import AlmanacRun
from monitor.sun.months import noted_months
from monitor.sun.table import COLUMNS, DayTable, packed, unpacked
from monitor.sun_tables import AHEAD_DAYS, SunTables

SITE = """
[site]
name = "Marsh hide"
latitude_deg = 52.60
longitude_deg = 1.55
time_zone = "Europe/London"

[bank]
chemistry = "flooded"
unit_voltage_V = 6
unit_capacity_Ah = 225
units_in_series = 2

[array]
panel_power_W = 150
panel_voc_V = 22.3
panel_isc_A = 8.6
panel_vmp_V = 18.2
panel_imp_A = 8.25
strings_in_parallel = 3
tilt_deg = 35

[controller]
kind = "mppt"
rating_A = 40
array_voltage_limit_V = 100
absorption_V = 14.8
"""
MIDSUMMER, MIDWINTER = date(2026, 6, 21), date(2026, 12, 21)


def site_from(folder: Path, text: str = SITE) -> Site:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return with_defaults(load_site(path))[0]


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return site_from(tmp_path)


@pytest.fixture
def supply(site: Site) -> Supply:
    return supply_of(site)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as writer:
        yield writer


def energy_Wh(steps: tuple[Clear, ...]) -> float:
    return sum(step.power_W for step in steps) * STEP_S / 3600


# --- a day as text ---

values = st.floats(-400, 50_000, allow_nan=False)
rows = st.lists(st.tuples(*[values] * len(COLUMNS)), min_size=1, max_size=20)


@given(rows=rows, day=st.dates(), start_ms=st.integers(0, 2**42))
def test_a_table_comes_back_from_its_text_within_its_rounding(
    rows: list[tuple[float, ...]], day: date, start_ms: int
) -> None:
    steps = tuple(Clear(start_ms + i * STEP_S * 1000, *row) for i, row in enumerate(rows))
    back = unpacked(packed(DayTable(day, "key", steps)))
    assert (back.day, back.supply) == (day, "key")
    assert [step.start_ms for step in back.steps] == [step.start_ms for step in steps]
    for name, per_unit in COLUMNS.items():
        for ours, theirs in zip(back.steps, steps, strict=True):
            assert getattr(ours, name) == pytest.approx(getattr(theirs, name), abs=0.5001 / per_unit)


def test_a_real_days_text_is_one_short_line(supply: Supply) -> None:
    steps = clear_days(supply, [MIDSUMMER])[MIDSUMMER]
    text = packed(DayTable(MIDSUMMER, supply.key, steps))
    assert "\n" not in text
    assert len(text) < 3000


@pytest.mark.parametrize(
    "damage",
    [
        lambda text: text[:-40],
        lambda text: text.replace('"columns": "', '"columns": "AAAA'),
        lambda text: text.replace('"steps": 2', '"steps": 3'),
        lambda text: text.replace('"step_s": 300', '"step_s": 600'),
        lambda text: text.replace('"day"', '"night"'),
        lambda text: "[]",
        lambda text: "",
    ],
)
def test_a_damaged_text_is_refused(damage) -> None:
    steps = tuple(Clear(i * STEP_S * 1000, 1, 2, 3, 4, 5, 6, 7) for i in range(2))
    text = packed(DayTable(MIDSUMMER, "key", steps))
    with pytest.raises(ValueError, match="table of the sun"):
        unpacked(damage(text))


# --- what the site file says ---


def test_a_site_without_an_array_has_no_supply(tmp_path: Path) -> None:
    dark = SITE[: SITE.index("[array]")] + SITE[SITE.index("[controller]") :]
    with pytest.raises(SunError, match=r"no \[array\] table.*describe the array"):
        supply_of(site_from(tmp_path, dark))


@pytest.mark.parametrize(
    ("line", "instead"), [("panel_imp_A = 8.25", "panel_imp_A = 8.6"), ("vmp_V = 18.2", "vmp_V = 11")]
)
def test_contradicting_panel_values_are_told(tmp_path: Path, line: str, instead: str) -> None:
    with pytest.raises(SunError, match="copy all of them from one data sheet"):
        supply_of(site_from(tmp_path, SITE.replace(line, instead)))


def test_any_changed_value_makes_another_key(supply: Supply) -> None:
    changed = [
        replace(supply, latitude_deg=52.61),
        replace(supply, tilt_deg=36.0),
        replace(supply, strings_in_parallel=2),
        replace(supply, controller="pwm"),
        replace(supply, absorption_V=14.4),
    ]
    assert len({each.key for each in (supply, *changed)}) == 6
    assert replace(supply).key == supply.key


# --- days ---


def test_the_days_are_local_from_midnight_to_midnight(supply: Supply) -> None:
    # clocks in London go forward on 29 March 2026 and back on 25 October: 23 and 25 hours
    days = [date(2026, 3, 29), date(2026, 10, 25), MIDSUMMER]
    found = clear_days(supply, days)
    assert [len(found[day]) * STEP_S / 3600 for day in days] == [23, 25, 24]
    assert found[MIDSUMMER][0].start_ms == parse_iso("2026-06-20T23:00:00Z")
    assert list(found) == sorted(days)


def test_a_clear_day_has_its_noon_where_the_sun_stands_south(supply: Supply) -> None:
    # 1.55° east of Greenwich and 1.9 min of the equation of time (from memory): south at 11:55:40 UTC
    steps = clear_days(supply, [MIDSUMMER])[MIDSUMMER]
    highest = max(steps, key=lambda step: step.elevation_deg)
    assert abs(highest.start_ms + 150_000 - parse_iso("2026-06-21T11:55:40Z")) <= 300_000
    assert highest.azimuth_deg == pytest.approx(180, abs=3)
    assert highest.elevation_deg == pytest.approx(90 - 52.6 + 23.44, abs=0.05)
    night = [step for step in steps if step.elevation_deg < -1]
    assert len(night) * STEP_S / 3600 == pytest.approx(7.1, abs=0.4)
    assert {(step.beam_W_m2, step.diffuse_W_m2, step.power_W, step.passed_W) for step in night} == {
        (0, 0, 0, 0)
    }


def test_south_of_the_equator_panels_face_north_and_june_is_winter(supply: Supply) -> None:
    south = replace(supply, latitude_deg=-33.9, longitude_deg=18.4, time_zone="Africa/Johannesburg")
    facing = clear_days(replace(south, azimuth_deg=0.0), [MIDSUMMER, MIDWINTER])
    turned = clear_days(south, [MIDSUMMER])
    assert energy_Wh(facing[MIDSUMMER]) > 5 * energy_Wh(turned[MIDSUMMER])
    noon = max(facing[MIDSUMMER], key=lambda step: step.elevation_deg)
    assert min(noon.azimuth_deg, 360 - noon.azimuth_deg) < 3
    assert noon.elevation_deg == pytest.approx(90 - 33.9 - 23.44, abs=0.05)
    assert facing[MIDSUMMER][0].module_C < facing[MIDWINTER][0].module_C


def test_the_polar_night_gives_nothing_and_the_midnight_sun_all_day(supply: Supply) -> None:
    north = replace(supply, latitude_deg=70.0, longitude_deg=25.0, time_zone="Europe/Oslo")
    found = clear_days(north, [MIDSUMMER, MIDWINTER])
    assert energy_Wh(found[MIDWINTER]) == 0
    assert max(step.elevation_deg for step in found[MIDWINTER]) < 0
    assert min(step.elevation_deg for step in found[MIDSUMMER]) > 0
    assert all(step.diffuse_W_m2 > 0 for step in found[MIDSUMMER])


def test_a_flat_array_does_not_care_where_it_faces(supply: Supply) -> None:
    flat = [replace(supply, tilt_deg=0.0, azimuth_deg=azimuth) for azimuth in (0.0, 90.0, 180.0)]
    assert len({round(energy_Wh(clear_days(each, [MIDSUMMER])[MIDSUMMER])) for each in flat}) == 1


def test_wider_steps_hold_the_same_energy(supply: Supply) -> None:
    steps = clear_days(supply, [MIDSUMMER])[MIDSUMMER]
    wide = widened(steps, 900)
    assert len(wide) * 3 == len(steps)
    assert sum(step.passed_W for step in wide) * 3 == pytest.approx(sum(step.passed_W for step in steps))
    assert [step.start_ms for step in wide] == [step.start_ms for step in steps[::3]]
    assert wide[40].azimuth_deg == steps[121].azimuth_deg
    with pytest.raises(ValueError, match="multiple"):
        widened(steps, 400)


def test_wider_steps_go_through_north_the_short_way() -> None:
    steps = [Clear(i * 300_000, -10.0, azimuth, 0, 0, 0, 0, 0) for i, azimuth in enumerate((359.0, 2.0))]
    assert widened(steps, 600)[0].azimuth_deg == pytest.approx(0.5)


# --- tables in the store ---


def put_day(store: StoreWriter, supply: Supply, day: date, power_W: float) -> None:
    """A table that no sun would make, so that it is known again."""
    span = local_day(zone_of(supply.time_zone), day)
    starts = range(span.start_ms, span.end_ms, STEP_S * 1000)
    steps = tuple(Clear(start_ms, 0, 0, 0, 0, 0, power_W, power_W) for start_ms in starts)
    store.put_note(note_key(day), packed(DayTable(day, supply.key, steps)))


def test_tables_that_fit_are_taken_from_the_store(store: StoreWriter, supply: Supply) -> None:
    put_day(store, supply, MIDSUMMER, 7.0)
    found = clear_days(supply, [MIDSUMMER, MIDSUMMER + timedelta(days=1)], store)
    assert {step.power_W for step in found[MIDSUMMER]} == {7.0}
    assert energy_Wh(found[MIDSUMMER + timedelta(days=1)]) > 2500


def test_a_changed_supply_and_a_damaged_note_make_a_table_anew(store: StoreWriter, supply: Supply) -> None:
    put_day(store, supply, MIDSUMMER, 7.0)
    store.put_note(note_key(MIDWINTER), "no table")
    turned = replace(supply, azimuth_deg=200.0)
    found = clear_days(turned, [MIDSUMMER, MIDWINTER], store)
    assert energy_Wh(found[MIDSUMMER]) > 2500
    assert energy_Wh(found[MIDWINTER]) > 500
    assert noted(supply, MIDSUMMER, store) is not None
    assert noted(turned, MIDSUMMER, store) is None


def test_a_process_that_fails_is_told_with_its_own_words(supply: Supply) -> None:
    broken = (sys.executable, "-c", "import sys; sys.exit('the card is full')")
    with pytest.raises(SunError, match="could not be worked out: the card is full"):
        clear_days(supply, [MIDSUMMER], command=broken)


def test_a_process_that_leaves_a_day_out_is_told(supply: Supply) -> None:
    with pytest.raises(SunError, match="2026-06-21 was not worked out"):
        clear_days(supply, [MIDSUMMER], command=(sys.executable, "-c", ""))


def test_a_program_that_is_not_there_is_told(supply: Supply) -> None:
    with pytest.raises(SunError, match="/nowhere/python: No such file"):
        AlmanacRun({}, ("/nowhere/python",))


def test_where_memory_runs_out_the_kernel_takes_the_process_and_not_the_daemon() -> None:
    # proc(5): oom_score_adj goes from -1000 (never) to 1000 (first)
    with AlmanacRun({}, (sys.executable, "-c", "import time; time.sleep(60)")) as run:
        assert Path(f"/proc/{run.pid}/oom_score_adj").read_text().strip() == "1000"
    assert not Path(f"/proc/{run.pid}").exists()


def test_a_request_that_makes_no_sense_is_refused_by_the_almanac() -> None:
    with AlmanacRun({"supply": {}, "days": []}) as run, pytest.raises(SunError, match="no request"):
        run.lines()


# --- the daemon's share ---

NOON_MS = parse_iso("2026-06-21T12:00:00Z")


def settled(tables: SunTables, wait_s: float = 30) -> None:
    """Follow until no process is at work."""
    tables.follow()
    deadline = time.monotonic() + wait_s
    while tables.pid is not None:
        assert time.monotonic() < deadline
        time.sleep(0.02)
        tables.follow()


def days_noted(store: StoreWriter, supply: Supply) -> list[int]:
    """Days from midsummer on, of the week before and three weeks after, whose tables fit."""
    return [
        ahead
        for ahead in range(-7, 21)
        if noted(supply, MIDSUMMER + timedelta(days=ahead), store) is not None
    ]


def test_the_daemon_keeps_today_and_six_days_more(site: Site, supply: Supply, store: StoreWriter) -> None:
    clock = SteppedClock(NOON_MS)
    tables = SunTables(site, store, clock)
    settled(tables)
    assert days_noted(store, supply) == list(range(AHEAD_DAYS))
    months = noted_months(supply, store)
    assert months is not None
    # under a clear sky June gives more than twice December's light (facts of 52° north; from memory)
    assert months[5].passed_Wh > 2 * months[11].passed_Wh > 0
    clock.set(NOON_MS + 3 * 86_400_000)
    settled(tables)
    assert days_noted(store, supply) == list(range(AHEAD_DAYS + 3))


def test_days_that_were_read_before_the_daemon_ran_get_their_tables_too(
    site: Site, supply: Supply, store: StoreWriter
) -> None:
    """History that an import brought in: without its tables the outlook could not judge those days' skies."""
    store.append([Reading(NOON_MS - 3 * 86_400_000, "log", "charge_current_A", 5.0)])
    store.commit()
    settled(SunTables(site, store, SteppedClock(NOON_MS)))
    assert days_noted(store, supply) == list(range(-3, AHEAD_DAYS))


def test_following_never_waits_for_the_process(site: Site, store: StoreWriter) -> None:
    # a process that sleeps for a minute; the main loop feeds the watchdog every five seconds
    tables = SunTables(
        site, store, SteppedClock(NOON_MS), (sys.executable, "-c", "import time; time.sleep(60)")
    )
    begin_s = time.monotonic()
    for _ in range(100):
        tables.follow()
    assert time.monotonic() - begin_s < 5.0
    pid = tables.pid
    assert pid is not None
    assert Path(f"/proc/{pid}").exists()
    tables.stop()
    assert not Path(f"/proc/{pid}").exists()


def test_no_process_is_started_where_all_tables_stand(site: Site, supply: Supply, store: StoreWriter) -> None:
    for ahead in range(AHEAD_DAYS):
        put_day(store, supply, MIDSUMMER + timedelta(days=ahead), 7.0)
    tables = SunTables(site, store, SteppedClock(NOON_MS), ("/nowhere/python",))
    tables.follow()
    assert tables.pid is None


def test_a_failure_is_told_once_and_tried_again_the_next_day(
    site: Site, supply: Supply, store: StoreWriter, caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    # fails as long as the mark is there, and leaves a line for each time it was started
    mark, starts = tmp_path / "mark", tmp_path / "starts"
    mark.touch()
    program = (
        f"import os, sys, runpy; open({str(starts)!r}, 'a').write('x')\n"
        f"if os.path.exists({str(mark)!r}): sys.exit('the card is full')\n"
        "sys.argv[0] = 'almanac'; runpy.run_module('monitor.sun.almanac', run_name='__main__')"
    )
    clock = SteppedClock(NOON_MS)
    tables = SunTables(site, store, clock, (sys.executable, "-c", program))
    with caplog.at_level(logging.WARNING, logger="nightbank"):
        for day in range(3):
            clock.set(NOON_MS + day * 86_400_000)
            settled(tables)
            settled(tables)
    assert starts.read_text() == "xxx"
    assert [record.getMessage() for record in caplog.records] == [
        "the sun's tables could not be worked out: the card is full; it is tried again every day, and all"
        " else goes on"
    ]
    mark.unlink()
    clock.set(NOON_MS + 3 * 86_400_000)
    settled(tables)
    assert days_noted(store, supply) == list(range(3, 3 + AHEAD_DAYS))


def test_nothing_is_done_for_a_site_without_an_array(tmp_path: Path, store: StoreWriter) -> None:
    dark = site_from(tmp_path, SITE[: SITE.index("[array]")] + SITE[SITE.index("[controller]") :])
    tables = SunTables(dark, store, SteppedClock(NOON_MS), ("/nowhere/python",))
    tables.follow()
    assert tables.pid is None
    assert store.note(note_key(datetime.fromtimestamp(NOON_MS / 1000, UTC).date())) is None
