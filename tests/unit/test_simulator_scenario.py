"""Scenario files and recorded skies: what they change, and what a wrong one is told."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from simulator.plant import Plant
from simulator.replay import ReplayError
from simulator.scenario import load_world
from simulator.tables import ScenarioError

START_MS = round(datetime(2026, 11, 11, tzinfo=UTC).timestamp() * 1000)
DAY_MS = 86_400_000


def world_from(tmp_path, text, start_ms=START_MS, seed=1):
    file = tmp_path / "scenario.toml"
    file.write_text(text, encoding="utf-8")
    return load_world(file, start_ms, START_MS, seed)


def test_the_built_in_scenario_is_the_marsh_hide():
    world = load_world(None, START_MS, START_MS, 1)
    assert world.name == "Marsh hide"
    assert world.bank.capacity_Ah == 450
    assert world.bank.cells == 6
    assert world.end_ms == START_MS + 14 * DAY_MS


def test_without_a_start_the_window_ends_now():
    world = load_world(None, None, START_MS, 1)
    assert world.start_ms == world.end_ms == START_MS


def test_a_file_changes_only_the_keys_it_names(tmp_path):
    world = world_from(tmp_path, "[bank]\nstart_soc = 0.6\n[charger]\nbaud = 19200\n")
    assert world.bank.start_soc == 0.6
    assert world.bank.capacity_Ah == 450
    assert world.charger.baud == 19200
    assert len(world.loads) == 5


def test_a_list_in_a_file_replaces_the_list(tmp_path):
    world = world_from(
        tmp_path, '[[loads]]\nname = "kettle"\npower_W = 300\nmetered = false\nfrom_h = 6\nto_h = 7\n'
    )
    assert [load.name for load in world.loads] == ["kettle"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[bank]\nstart_sok = 0.5", "unknown key `bank.start_sok`; did you mean `bank.start_soc`?"),
        ("[bnak]\nstart_soc = 0.5", "unknown key `bnak`; did you mean `bank`?"),
        (
            '[bank]\nchemistry = "nickel"',
            "`bank.chemistry` must be one of flooded, agm, gel, lifepo4, not 'nickel'",
        ),
        ('[bank]\nstart_soc = "full"', "`bank.start_soc` must be a number, not 'full'"),
        ("[bank]\nstart_soc = 1.5", "`bank.start_soc` must be above 0 and at most 1, not 1.5"),
        ("[bank]\nunits_in_series = inf", "`bank.units_in_series` must be a number, not inf"),
        ("[bank]\nunits_in_series = 1.5", "`bank.units_in_series` must be a whole number, not 1.5"),
        ("[array]\npanel_power_W = -1", "`array.panel_power_W` must be above 0, not -1"),
        ("[array]\npanel_imp_A = 9", "panel_imp_A < panel_isc_A"),
        ("[charger]\nunit = 300", "`charger.unit` must be 1 to 247"),
        ("bank = 3", "[bank] must be a table of keys, not 3"),
        ("[weather]\nsky = 'clear'", "write each of weather as its own [[weather]] table"),
        (
            "[[weather]]\nfrom_days_ago = 3\nto_days_ago = 1\nsky = 'foggy'",
            "`weather.sky` must be one of clear, broken",
        ),
        (
            "[[weather]]\nfrom_days_ago = 1\nto_days_ago = 3\nsky = 'dark'",
            "from_days_ago is the larger number",
        ),
        ("[[loads]]\nname = 'tea'\nmetered = true", "[loads] lacks power_W"),
        (
            "[[loads]]\nname = 'a'\npower_W = 1\nmetered = true\n" * 2,
            "two loads are named `a`",
        ),
        (
            "[[loads]]\nname = 'a'\npower_W = 1\nmetered = true\non_days_ago = 4",
            "must be a list of whole numbers, not 4",
        ),
        ("[sky]\nfle = 'x.csv'", "unknown key `sky.fle`; did you mean `sky.file`?"),
        ("probe_missing = 1", "`probe_missing` must be true or false, not 1"),
        ("name = [", "is not TOML"),
    ],
)
def test_a_wrong_scenario_is_told_where_and_what(tmp_path, text, told):
    with pytest.raises(ScenarioError, match=re.escape(told)) as caught:
        world_from(tmp_path, text)
    assert "scenario.toml" in str(caught.value)


def test_a_missing_scenario_says_so(tmp_path):
    with pytest.raises(ScenarioError, match=r"cannot be read.*check the path after --scenario"):
        load_world(tmp_path / "none.toml", START_MS, START_MS, 1)


RECORD = (
    "time,{column},air_temperature_C\n"
    "2026-11-11T10:00:00Z,0,4\n2026-11-11T11:00:00Z,400,6\n2026-11-11T12:00:00Z,200,8\n2026-11-11T13:00:00Z,,8\n"
    "2026-11-11T16:00:00Z,100,3\n"
)


def replayed(tmp_path, column, text=RECORD):
    (tmp_path / "sky.csv").write_text(text.format(column=column), encoding="utf-8")
    return world_from(tmp_path, '[sky]\nfile = "sky.csv"\n[bank]\nstart_soc = 0.4\n')


def test_a_recorded_irradiance_is_played_between_its_rows(tmp_path):
    sky = replayed(tmp_path, "plane_irradiance_W_m2").build_sky()
    at = [sky.at(START_MS + round(hour * 3_600_000)) for hour in (9.0, 10.25, 11.0, 11.5, 14.0, 16.0, 17.0)]
    # before and after the record and over a hole of more than an hour it is dark
    assert [round(sample.irradiance_W_m2) for sample in at] == [0, 100, 400, 300, 0, 100, 0]
    assert at[1].air_temperature_C == pytest.approx(4.5)


def test_a_recorded_power_is_what_the_array_gives(tmp_path):
    plant = Plant(replayed(tmp_path, "array_available_W"))
    record_Wh = 0.5 * 400 * 1 + 0.5 * (400 + 200) * 1
    truths = []
    plant.advance_to(START_MS + 12 * 3_600_000, truths.append)
    given_Wh = sum(truth.array_power_W for truth in truths) / 60
    assert given_Wh == pytest.approx(record_Wh, rel=0.01)
    stored_Wh = sum(truth.charge_power_W for truth in truths) / 60
    assert 0.94 < stored_Wh / record_Wh < 0.98  # within the stated conversion of the controller


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("zeit,x\n1,2\n", "line 1: needs the columns `time` and one of"),
        (
            "time,plane_irradiance_W_m2\n2026-11-11T10:00:00,5\n",
            "line 2: `2026-11-11T10:00:00` names no zone",
        ),
        ("time,plane_irradiance_W_m2\n2026-11-11T10:00:00Z,bright\n", "line 2: could not convert"),
        (
            "time,plane_irradiance_W_m2\n2026-11-11T10:00:00Z,5\n2026-11-11T09:00:00Z,5\n",
            "line 3: time does not go forward",
        ),
        ("time,plane_irradiance_W_m2\n", "fewer than two rows"),
    ],
)
def test_a_wrong_record_is_told_where_and_what(tmp_path, text, told):
    with pytest.raises(ReplayError, match=re.escape(told)):
        replayed(tmp_path, "", text).build_sky()
