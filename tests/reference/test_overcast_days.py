"""Overcast and rain as the trade knows them, from the simulated marsh through the real commands.

In rain a panel shows nearly its open-circuit voltage at a few percent of its rated current, and a grey day
gives a small part of a clear one (common practice, no source). The analysis must call such days overcast or
dark, and must not call the array disconnected, snowed under or its panels lost.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner

from monitor.cli import main
from simulator.plant import Plant
from simulator.sky import WeatherSpan
from tests.unit.site_files import MARSH_HIDE
from tests.unit.test_simulator_plant import SUMMER_MS, days_of, world_of

WEATHER = (
    WeatherSpan(14, 9, "clear"),
    WeatherSpan(9, 7, "overcast"),
    WeatherSpan(7, 4, "dark"),
    WeatherSpan(4, 0, "clear"),
)
COLUMNS = (
    "battery_voltage_V",
    "charge_current_A",
    "load_current_A",
    "battery_temperature_C",
    "array_voltage_V",
    "array_power_W",
)
GREY, RAIN = ("2026-06-17", "2026-06-18"), ("2026-06-19", "2026-06-20", "2026-06-21")


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """What `nightbank days` and `nightbank array` tell of a simulated fortnight in June."""
    folder = tmp_path_factory.mktemp("overcast")
    site, log = folder / "hide.toml", folder / "log.csv"
    site.write_text(MARSH_HIDE.replace("Europe/London", "UTC"), encoding="utf-8")
    plant = Plant(world_of(start_ms=SUMMER_MS, weather=WEATHER, bank={"start_soc": 0.5}))
    lines = [",".join(("time", *COLUMNS))]
    for now in days_of(plant, 14):
        time = datetime.fromtimestamp(now.time_ms / 1000, UTC).isoformat()
        lines.append(",".join((time, *(f"{getattr(now, name):.2f}" for name in COLUMNS))))
    log.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run = CliRunner().invoke
    assert run(main, ["import", str(site), str(log)]).exit_code == 0
    days = json.loads(run(main, ["days", str(site), "--json"]).stdout)
    found = json.loads(run(main, ["array", str(site), "--json"]).stdout)
    return {day["date"]: day for day in days}, found["findings"]


def test_grey_days_are_overcast_and_days_of_rain_dark(told):
    days, _ = told
    assert [days[day]["sky"] for day in GREY] == ["overcast"] * 2
    assert [days[day]["sky"] for day in RAIN] == ["dark"] * 3


def test_a_day_of_rain_gives_a_tenth_of_a_clear_one(told):
    days, _ = told
    # an overcast day gives 10 to 25 %, rain less (common practice, no source)
    for day in RAIN:
        assert 0.02 < days[day]["harvest_Wh"] / days[day]["clear_sky_Wh"] < 0.12
        assert days[day]["unused_Wh"] == 0.0


def test_an_array_alive_in_the_rain_is_not_called_broken(told):
    _, findings = told
    assert findings == []


def test_clear_days_of_a_full_bank_are_not_called_grey(told):
    """The bank floats from breakfast on and takes a fiftieth of the sun; the band tells what is not known."""
    days, _ = told
    for day in ("2026-06-13", "2026-06-14", "2026-06-15", "2026-06-16"):
        one = days[day]
        assert one["sky"] in ("clear", "broken")
        left_Wh = one["clear_sky_Wh"] - one["harvest_Wh"]
        assert abs(one["unused_Wh"] - left_Wh) < 2.2 * one["unused_sd_Wh"]
