"""`nightbank days`: over a store that `nightbank import` filled, with the almanac's own process."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.site.load import load_site
from monitor.sun.expected import clear_days, supply_of
from tests.unit.site_files import MARSH_HIDE, WITHOUT_ARRAY

FIRST, DAYS = datetime(2026, 6, 1, tzinfo=UTC), 16
GIVES = {3: 0.1, 4: 0.1, 8: 0.28}
"""The share of a clear sky by the day's number: two days of rain and a grey one; the others are clear."""

KEYS = ["date", "sky", "harvest_Wh", "clear_sky_Wh", "unused_Wh", "used_Wh", "battery_voltage_min_V", "full"]
"""The keys that other programs rely on, in order."""


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def hide(tmp_path_factory):
    """A site whose array gives nine tenths of a clear sky's power, told stage bulk, five-minute rows."""
    folder = tmp_path_factory.mktemp("hide")
    path = folder / "hide.toml"
    path.write_text(MARSH_HIDE.replace("Europe/London", "UTC"), encoding="utf-8")
    days = [(FIRST + timedelta(days=at)).date() for at in range(DAYS)]
    clear = clear_days(supply_of(load_site(path)), days)
    lines = [
        "time,battery_voltage_V,array_voltage_V,array_power_W,charge_current_A,load_current_A,charge_stage"
    ]
    for at, day in enumerate(days):
        for step in clear[day]:
            power_W = round(0.9 * GIVES.get(at, 1.0) * step.passed_W, 1)
            lit = power_W > 0
            time = datetime.fromtimestamp(step.start_ms / 1000, UTC).isoformat()
            lines.append(
                f"{time},{12.9 if lit else 12.4},{17.6 if lit else 0.0},{power_W},"
                f"{power_W * 0.95 / 12.9:.2f},1.0,{1 if lit else 0}"
            )
    log = folder / "log.csv"
    log.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert run("import", path, log).exit_code == 0
    return path, clear


def test_each_day_of_the_store_is_an_object_with_the_promised_keys(hide):
    path, clear = hide
    report = json.loads(run("days", path, "--from", "2026-06-01", "--json").stdout)
    assert [list(day)[:8] for day in report] == [KEYS] * DAYS
    assert [day["date"] for day in report] == [each.isoformat() for each in clear]
    for at, (day, steps) in enumerate(zip(report, clear.values(), strict=True)):
        rated_Wh = sum(step.passed_W for step in steps) / 12
        assert day["harvest_Wh"] == pytest.approx(0.9 * GIVES.get(at, 1.0) * rated_Wh, rel=0.01)
        # one factor, learnt from the clear days
        assert day["clear_sky_Wh"] == pytest.approx(0.9 * rated_Wh, rel=0.04)
        assert day["unused_Wh"] == 0.0
        # 1 A at 12.4 to 12.9 V
        assert 24 * 12.4 <= day["used_Wh"] <= 24 * 12.9
        assert day["battery_voltage_min_V"] == 12.4
        assert day["full"] is False
    expected = ["dark" if GIVES.get(at) == 0.1 else "overcast" if at == 8 else "clear" for at in range(DAYS)]
    assert [day["sky"] for day in report] == expected


def test_a_fortnight_is_told_where_no_days_are_asked_for(hide):
    path, _ = hide
    report = json.loads(run("days", path, "--json").stdout)
    assert len(report) == 14
    assert report[-1]["date"] == "2026-06-16"


def test_words_tell_the_table_and_what_the_days_say_together(hide):
    path, _ = hide
    words = run("days", path, "--from", "2026-06-01", "--to", "2026-06-09").stdout
    assert "2026-06-04 dark, rain" in words
    assert "Longest without a full bank: 9 days, 2026-06-01 to 2026-06-09." in words
    assert "3 wet days" in words


def test_weeks_and_months_carry_the_sums_and_the_yields(hide):
    path, _ = hide
    days = json.loads(run("days", path, "--from", "2026-06-01", "--json").stdout)
    weeks = json.loads(run("days", path, "--from", "2026-06-01", "--by", "week", "--json").stdout)
    (month,) = json.loads(run("days", path, "--from", "2026-06-01", "--by", "month", "--json").stdout)
    assert [week["start"] for week in weeks] == ["2026-06-01", "2026-06-08", "2026-06-15"]
    assert math.isclose(sum(week["harvest_Wh"] for week in weeks), month["harvest_Wh"], abs_tol=0.5)
    assert month["harvest_Wh"] == pytest.approx(sum(day["harvest_Wh"] for day in days), abs=1.0)
    assert month["sky"]["dark"] == 2
    # 0.45 kW: YA = EA / P0
    assert month["array_yield_h"] == pytest.approx(month["harvest_Wh"] / 450, abs=0.001)
    assert "Yr" in run("days", path, "--by", "week").stdout


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--from", "June"), "'June' is no date; write it like 2026-11-25"),
        (("--from", "2026-06-09", "--to", "2026-06-02"), "must not come before"),
        (("--from", "2027-01-01"), "the store has readings of 2026-06-01 to 2026-06-16 only"),
        (("--to", "2025-01-01"), "the store has readings of 2026-06-01 to 2026-06-16 only"),
    ],
)
def test_wrong_days_are_told_in_words(hide, words, told):
    path, _ = hide
    result = run("days", path, *words)
    assert result.exit_code == 2
    assert told in result.stderr


@pytest.mark.parametrize("command", ["days", "array"])
def test_a_site_without_an_array_is_told_what_to_add(tmp_path, command):
    path = tmp_path / "dark.toml"
    path.write_text(WITHOUT_ARRAY, encoding="utf-8")
    result = run(command, path)
    assert result.exit_code == 1
    assert "[array]" in result.stderr


@pytest.mark.parametrize("command", ["days", "array"])
def test_an_empty_store_is_told_what_fills_it(tmp_path, command):
    path, log = tmp_path / "hide.toml", tmp_path / "log.csv"
    path.write_text(MARSH_HIDE, encoding="utf-8")
    log.write_text("time,battery_voltage_V\n", encoding="utf-8")
    run("import", path, log)
    result = run(command, path)
    assert result.exit_code == 1
    assert "nightbank import" in result.stderr
