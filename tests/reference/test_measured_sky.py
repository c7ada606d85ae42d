"""Measured days judge what the monitor says of sky and array: benches in short form, and checks of the judge.

The whole benches are tests/bench/sky_days.py and array_findings.py; tests/bench/SUN.md has their tables.
Limits here are the issue's figures less what so few days may stray, each beside its check.
"""

from __future__ import annotations

import subprocess
import sys
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from pvanalytics.metrics import variability_index

from tests.bench import array_findings, sky_days
from tests.sun.classes import DEFAULT, SETS, kind_of, sky_of
from tests.sun.clearsky import clear_sky
from tests.sun.library import record
from tests.sun.panels import Curves, Strings
from tests.sun.plant import PANELS
from tests.sun.records import weather
from tests.sun.sources import MEASURED, source

# ---------------------------------------------------------------- the judge


@pytest.mark.parametrize("name", PANELS)
def test_a_panel_gives_its_rated_values_at_standard_conditions(name: str) -> None:
    panel = PANELS[name]
    curves = Curves(1, Strings(1), *panel.curve(1000, 25))
    best_V, best_W = curves.best()
    assert best_V == pytest.approx(panel.vmp_V, rel=0.02)
    assert best_W == pytest.approx(panel.vmp_V * panel.imp_A, rel=0.005)
    assert curves.current_A(0.0) == pytest.approx(panel.isc_A, rel=1e-6)
    assert curves.open_V == pytest.approx(panel.voc_V)


@pytest.mark.parametrize("name", PANELS)
def test_heat_costs_a_panel_as_much_power_as_published(name: str) -> None:
    """Crystalline silicon: -0.35 to -0.50 % of power a degree (secondary source)."""
    panel = PANELS[name]
    _, cool_W = Curves(1, Strings(1), *panel.curve(800, 25)).best()
    _, warm_W = Curves(1, Strings(1), *panel.curve(800, 55)).best()
    assert -0.0050 <= (warm_W / cool_W - 1) / 30 <= -0.0035


def test_a_lost_string_takes_current_and_a_lost_diode_takes_voltage() -> None:
    panel = PANELS["200"]
    at = panel.curve(700, 40)
    whole_V, whole_W = Curves(1, Strings(2), *at).best()
    half_V, half_W = Curves(1, Strings(1), *at).best()
    weak_V, weak_W = Curves(1, Strings(0, 2, 2 / 3), *at).best()
    assert half_W == pytest.approx(whole_W / 2, rel=1e-3)
    assert half_V == pytest.approx(whole_V, rel=0.01)
    assert weak_V == pytest.approx(whole_V * 2 / 3, rel=0.01)
    assert weak_W == pytest.approx(whole_W * 2 / 3, rel=0.01)


def test_the_variability_index_is_that_of_another_implementation() -> None:
    """Stein, Hansen and Reno 2012, as pvanalytics has it, on a measured day of passing clouds."""
    slope = source("slope")
    day = slope.light_W_m2["2021-06-12 13:00":"2021-06-13 01:00"]
    clear = pd.Series(clear_sky(slope.place, day.index).plane_W_m2, day.index)
    up = np.ones(len(day), dtype=bool)
    ours = sky_of(day.to_numpy(), clear.to_numpy(), up).variability
    assert ours == pytest.approx(float(variability_index(day, clear)), rel=1e-6)
    assert ours > 1.2


def test_days_that_modelled_weather_calls_clear_are_clear_by_measured_power() -> None:
    """The weather beside the power record (from satellites, pvanalytics data) equals its own clear sky."""
    table = pd.read_parquet(MEASURED / "system_50_ac_power_2_full_DST_psm3.parquet").set_index("index")
    times = pd.DatetimeIndex(pd.to_datetime(table.index)).tz_convert("America/Denver")
    day = table[(table["ghi_clear"] > 20).to_numpy()]
    dates = times[(table["ghi_clear"] > 20).to_numpy()].date
    cloudless = (day["ghi"] == day["ghi_clear"]).groupby(dates).mean() > 0.97
    found = [
        kind_of(sky, SETS[DEFAULT])
        for name in ("roof_2011_10", "roof_2012_02", "roof_2012_09")
        for date, sky in zip(weather(name).days, weather(name).skies, strict=True)
        if cloudless.get(date, False)
    ]
    assert len(found) > 20
    assert found.count("clear") / len(found) > 0.9


@pytest.mark.parametrize("name", ["slope_2021_08", "roof_2012_02", "roof_2012_07"])
def test_a_record_s_clock_agrees_with_the_sun(name: str) -> None:
    """Daylight saving is undone: on bright days the light's centre lies within 12 minutes of clear light's.

    The records' interval is a quarter hour; the hill in the west and afternoon clouds move the centre by some
    minutes, a wrong daylight saving by sixty.
    """
    sky = weather(name)
    minutes = np.arange(len(sky.times)) * sky.step_s / 60
    clear = sky.clear.plane_W_m2
    shifts = []
    for number, of_day in enumerate(sky.skies):
        if of_day.index > 0.9:
            of = sky.day_of == number
            shifts.append(
                np.average(minutes[of], weights=sky.light_W_m2[of])
                - np.average(minutes[of], weights=clear[of])
            )
    assert len(shifts) >= 5
    assert abs(np.median(shifts)) < 12


def test_a_site_s_file_is_taken_and_its_days_add_up() -> None:
    kept = record("roof_2011_10", 1)
    check = [sys.executable, "-m", "monitor.cli", "site", "check", str(kept.folder / "site.toml")]
    assert subprocess.run(check, capture_output=True, timeout=60).returncode == 0
    days = kept.truth["days"]
    assert all(0 <= day["harvest_Wh"] <= day["potential_Wh"] + 0.01 for day in days)
    assert any(day["full"] for day in days)
    assert {day["kinds"][DEFAULT] for day in days} >= {"clear", "broken", "overcast", "snow"}
    rows = (kept.folder / "measurements.csv").read_text(encoding="utf-8").splitlines()
    assert all(a < b for a, b in pairwise(row.split(",", 1)[0] for row in rows[1:]))


# ---------------------------------------------------------------- the monitor


@pytest.fixture(scope="module")
def days() -> list[sky_days.Judged]:
    """Three records of the bench: irradiance in summer, power in autumn with snow, a plain in winter."""
    names = ("slope_2021_08", "roof_2011_10", "plain_2018_11")
    return [day for name in names for day in sky_days.judge(name, 1)]


def test_the_day_s_sky_is_that_of_measured_irradiance(days: list[sky_days.Judged]) -> None:
    """The issue asks for 0.84 over all records; 170 days have a standard error of 0.03."""
    assert len(days) > 150
    found, plain = sky_days.figures(days), sky_days.figures(days, plain=True)
    assert found.agreement >= 0.78
    assert found.full >= 0.74
    assert found.agreement > plain.agreement + 0.08
    assert found.recall > plain.recall + 0.15


def test_unused_energy_is_told_within_an_eighth_of_what_the_sky_allowed(days: list[sky_days.Judged]) -> None:
    """The issue asks for 12 % of the day's potential in the median; without a split all of it is missed."""
    assert sky_days.figures(days).unused <= 0.12
    assert sky_days.figures(days, plain=True).unused > 0.25


def test_clear_sky_energy_holds_on_measured_clear_days(days: list[sky_days.Judged]) -> None:
    """The issue asks for 4 % in the median and 9 % at the 90th percentile, after one scale factor."""
    errors = sky_days.clear_errors(days)
    assert len(errors) >= 30
    found = sky_days.figures(days)
    assert found.clear_mid <= 0.04
    assert found.clear_high <= 0.09


@pytest.mark.parametrize(
    ("name", "kind"),
    [("slope_2021_04", "array_open"), ("slope_2022_04", "panel_lost"), ("plain_2018_11", "clock_wrong")],
)
def test_a_fault_put_into_a_measured_record_is_named_with_its_start(name: str, kind: str) -> None:
    judged = array_findings.judge(name, 1, kind)
    assert judged.named
    assert not judged.false


def test_an_untouched_record_has_no_findings() -> None:
    judged = array_findings.judge("slope_2021_08", 1, None)
    assert not judged.false
