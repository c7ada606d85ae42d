"""The measured files inside the pvanalytics and pvlib packages, checked and brought to one form.

What the packages' gallery tells: the plane irradiance of 'slope' has data shifts; its year 2023 shows light
that cannot be, and is left out here. The power of 'roof' was logged on a wall clock with daylight saving
(undone here). The power of 'roof' and 'roof_summer' is of one array, tilt 45°, azimuth 158°. Tilt and azimuth
of 'slope' and 'west' are not documented: fitted on clear days with the sun above 20° ('slope': 40 to 42°, 176
to 180° in three of four years). The clock of 'slope' shows the start of an interval, that of the power
records the middle, both by the same fits.

'slope' and the power records lie before a hill in the west that takes the sun's last hour in winter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pvanalytics
import pvlib
from pvanalytics.quality.gaps import stale_values_round
from pvlib.iotools import read_tmy2, read_tmy3

from tests.sun.clearsky import Floats, Place, clear_sky, from_parts, seconds

MEASURED = Path(pvanalytics.__file__).parent / "data"
WEATHER_YEARS = Path(pvlib.__file__).parent / "data"

GOLDEN_M = 1830.0
"""Height of the hill town where most records come from: NREL/TP-560-34302 has 1830.14 m."""

TOO_BRIGHT_W_M2 = 1400.0
"""More than any cloud's edge gives over 15 minutes at 1830 m; the gallery takes 1300 (our choice)."""

HEAT_PER_C = -0.004
"""Power coefficient of crystalline silicon (-0.35 to -0.50 % a degree, secondary source)."""


@dataclass(frozen=True, slots=True)
class Source:
    """Light on a plane [W/m²] at the middle of each interval, UTC; air temperature where there is one.

    glass_passed: the light was taken through a panel's glass already (a record of power). relative: the light
    is known but for a factor. covered: days on which snow lay on the array, by modelled weather.
    """

    place: Place
    time_zone: str
    step_s: int
    light_W_m2: pd.Series
    air_C: pd.Series | None
    glass_passed: bool = False
    relative: bool = False
    covered: frozenset[date] = frozenset()


def _checked(light: pd.Series, step: str) -> pd.Series:
    """On a whole grid; stale and impossible values out. Night's small negative values are zero."""
    light = light[light.index.notna() & ~light.index.duplicated()].sort_index().asfreq(step)
    by_day = light > 20
    stale = stale_values_round(light, window=4, decimals=2) & by_day
    return light.where(~stale & (light < TOO_BRIGHT_W_M2)).clip(lower=0)


def _utc(index: pd.DatetimeIndex, late_s: float) -> pd.DatetimeIndex:
    return index.tz_convert("UTC") + pd.Timedelta(seconds=late_s)


def _slope() -> Source:
    table = pd.read_parquet(MEASURED / "system_15_poa_irradiance.parquet").set_index("measured_on")
    light = table["poa_irradiance__484"]
    light.index = _utc(pd.DatetimeIndex(pd.to_datetime(light.index)), 450)
    place = Place(39.7406, -105.1775, GOLDEN_M, 41, 177)
    return Source(place, "America/Denver", 900, _checked(light["2019-03-20":"2022-12-30"], "15min"), None)


def light_from_power(power_W: pd.Series, air_C: pd.Series, rated_W: float, bend: float) -> pd.Series:
    """Light that a power P = rated g (1 - bend g) (1 + γ (air - 25)) needs, g in kW/m².

    bend takes the cells' own heating and the inverter's losses; rated_W and bend come from the record's clear
    days (those on which the modelled weather beside it equals its own clear sky).
    """
    share = (power_W.clip(lower=0) / rated_W / (1 + HEAT_PER_C * (air_C - 25))).clip(upper=0.249 / bend)
    return 1000 * (1 - np.sqrt(1 - 4 * bend * share)) / (2 * bend)


ROOF = Place(39.7406, -105.1775, GOLDEN_M, 45, 158)


def _roof() -> Source:
    power = pd.read_parquet(MEASURED / "system_50_ac_power_2_full_DST.parquet").set_index("measured_on")[
        "ac_power_2"
    ]
    wall = pd.DatetimeIndex(pd.to_datetime(power.index)).tz_localize(None)
    power.index = wall.tz_localize("America/Denver", ambiguous="NaT", nonexistent="NaT")
    power = power[power.index.notna()]
    power.index = _utc(power.index, 0)
    weather = pd.read_parquet(MEASURED / "system_50_ac_power_2_full_DST_psm3.parquet").set_index("index")
    weather.index = _utc(pd.DatetimeIndex(pd.to_datetime(weather.index)), 0)
    # the file has zero for all that was below
    air = weather["temp_air"].where(weather["temp_air"] > 0, -3.0)
    return _of_power(power, air, weather, 3180, 0.215)


def _roof_summer() -> Source:
    power = pd.read_csv(MEASURED / "serf_east_15min_ac_power.csv", index_col=0, parse_dates=True)["ac_power"]
    power.index = _utc(pd.DatetimeIndex(power.index), 0)
    weather = pd.read_csv(MEASURED / "serf_east_psm3_data.csv", index_col=0, parse_dates=True)
    weather.index = _utc(pd.DatetimeIndex(weather.index), 0)
    return _of_power(power, weather["temp_air"], weather, 6290, 0.30)


def _of_power(
    power_W: pd.Series, air_C: pd.Series, weather: pd.DataFrame, rated_W: float, bend: float
) -> Source:
    power_W = power_W[~power_W.index.duplicated()].sort_index().asfreq("15min")
    air = air_C.sort_index().reindex(power_W.index, method="nearest")
    light = _checked(light_from_power(power_W, air, rated_W, bend), "15min")
    covered, off = _without_power(light, weather)
    days = light.index.tz_convert("America/Denver").date
    light = light.where(~np.isin(days, list(off)))  # type: ignore[arg-type]  # numpy's hints know no dates
    return Source(ROOF, "America/Denver", 900, light, air, glass_passed=True, relative=True, covered=covered)


def _without_power(light: pd.Series, weather: pd.DataFrame) -> tuple[frozenset[date], frozenset[date]]:
    """Days on which the array gave less than a quarter of what the modelled weather lets expect.

    Without an hour above 1 °C they are days of snow; else the array or its logger was off (all limits ours).
    """
    local = weather.index.tz_convert("America/Denver").date
    daily = weather.groupby(local)[["ghi", "ghi_clear"]].sum()
    expected = daily["ghi"] / daily["ghi_clear"]
    warmest = weather["temp_air"].groupby(local).max()
    clear = pd.Series(clear_sky(ROOF, light.index).plane_W_m2, light.index).where(light.notna())
    days = light.index.tz_convert("America/Denver").date
    index = (light.groupby(days).sum() / clear.groupby(days).sum()).reindex(expected.index)
    lost = (index < 0.25 * expected) & (expected > 0.15)
    cold = warmest <= 1
    return frozenset(expected.index[lost & cold]), frozenset(expected.index[lost & ~cold & (index < 0.02)])


def _station(file: str, light: str, air: str | None, place: Place, step: str, late_s: float) -> Source:
    """A few days of a weather station or small array that logs in mountain standard time."""
    table = pd.read_csv(MEASURED / file, index_col=0)
    times = pd.DatetimeIndex(pd.to_datetime(table.index))
    table.index = _utc(times.tz_localize("Etc/GMT+7") if times.tz is None else times, late_s)
    table = table[~table.index.duplicated()].sort_index()
    kept = _checked(table[light], step)
    warmth = None if air is None else table[air].reindex(kept.index).interpolate(limit_direction="both")
    return Source(place, "America/Denver", round(pd.Timedelta(step).total_seconds()), kept, warmth)


def _weather_year(file: str, zone: str, tilt_deg: float) -> Source:
    """A typical year of hourly light modelled from observed clouds, with a measured unrest in each hour.

    The year's months come from several years; all are put into 2018. Each hour's index is drawn out to
    quarters by straight lines, and gets the deviations of a measured hour of 'slope' with a like index.
    """
    if file.endswith("tm2"):
        table, about = read_tmy2(WEATHER_YEARS / file)
        parts = pd.DataFrame({"ghi": table["GHI"], "dni": table["DNI"], "dhi": table["DHI"]})
        warmth = table["DryBulb"] / 10
    else:
        table, about = read_tmy3(WEATHER_YEARS / file, map_variables=True)
        parts, warmth = table[["ghi", "dni", "dhi"]], table["temp_air"]
    hours = pd.date_range("2018-01-01", periods=len(parts), freq="h", tz="UTC") - pd.Timedelta(
        hours=about["TZ"]
    )
    hours = hours + pd.Timedelta(minutes=30)  # row n is the hour from n to n + 1, local standard time
    place = Place(about["latitude"], about["longitude"], about["altitude"], tilt_deg, 180)
    parts = parts.set_axis(hours)
    given, clear = from_parts(place, hours, parts), clear_sky(place, hours)
    index = np.where(clear.elevation_deg > 3, given.plane_W_m2 / np.maximum(clear.plane_W_m2, 20), np.nan)
    rng = np.random.default_rng(len(file) + round(place.latitude_deg * 100))
    index = pd.Series(np.clip(index, 0, 1.2), hours).interpolate(limit_direction="both")
    quarters = pd.date_range(hours[0], hours[-1], freq="15min") + pd.Timedelta(seconds=450)
    drawn = np.interp(seconds(quarters), seconds(hours), index.to_numpy()) + _unrest(index, quarters, rng)
    light = np.clip(drawn, 0.02, 1.35) * clear_sky(place, quarters).plane_W_m2
    air = np.interp(seconds(quarters), seconds(hours), warmth.to_numpy())
    return Source(place, zone, 900, pd.Series(light, quarters), pd.Series(air, quarters))


def _unrest(index: pd.Series, quarters: pd.DatetimeIndex, rng: np.random.Generator) -> Floats:
    """Deviations within the hour: a measured hour's, of 40 drawn the one with the nearest mean index."""
    means, deviations = _measured_hours()
    hours = np.maximum(
        np.searchsorted(seconds(pd.DatetimeIndex(index.index)), seconds(quarters), side="right") - 1, 0
    )
    drawn = rng.integers(0, len(means), (len(index), 40))
    nearest = np.abs(means[drawn] - index.to_numpy()[:, None]).argmin(axis=1)
    chosen = drawn[np.arange(len(index)), nearest]
    found: Floats = deviations[chosen[hours], np.arange(len(quarters)) % 4]
    return found


@cache
def _measured_hours() -> tuple[np.ndarray, np.ndarray]:
    """Mean index of measured hours with the sun above 15°, and the four quarters' deviations from it."""
    slope = source("slope")
    clear = clear_sky(slope.place, slope.light_W_m2.index)
    index = np.where(clear.elevation_deg > 15, slope.light_W_m2 / np.maximum(clear.plane_W_m2, 50), np.nan)
    whole = index[: len(index) // 4 * 4].reshape(-1, 4)
    whole = whole[np.isfinite(whole).all(axis=1)]
    means = whole.mean(axis=1)
    return means, whole - means[:, None]


STATION = Place(39.742, -105.18, GOLDEN_M, 40, 180)
WEST = Place(39.742, -105.18, GOLDEN_M, 45, 168)

_MAKERS: dict[str, Callable[[], Source]] = {
    "slope": _slope,
    "roof": _roof,
    "roof_summer": _roof_summer,
    "january": lambda: _station(
        "rmis_weather_data.csv", "Plane of array", "Ambient Temperature", STATION, "5min", -150
    ),
    "february": lambda: _station(
        "irradiance_RMIS_NREL.csv", "irradiance_poa__7984", None, STATION, "5min", -150
    ),
    "west": lambda: _station(
        "serf_west_15min.csv", "poa_irradiance__771", "ambient_temp__780", WEST, "15min", 450
    ),
    "minutes": lambda: _station(
        "midc_bms_ghi_20220120.csv",
        "Global CMP22 (vent/cor) [W/m^2]",
        None,
        Place(39.742, -105.18, GOLDEN_M, 0, 180),
        "1min",
        30,
    ),
    "island": lambda: _weather_year("703165TY.csv", "America/Anchorage", 50),
    "plain": lambda: _weather_year("723170TYA.CSV", "America/New_York", 35),
    "coast": lambda: _weather_year("12839.tm2", "America/New_York", 25),
}
NAMES = tuple(_MAKERS)


@cache
def source(name: str) -> Source:
    """A source by name. Raises KeyError for an unknown one."""
    return _MAKERS[name]()
