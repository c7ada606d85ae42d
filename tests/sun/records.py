"""The named records: stretches of a source, on the plant's grid.

    slope_2019_04     sixty days of the source 'slope' from April 2019 on; short sources have one record

Every second stretch is 'kept': to be looked at only for a last judgement.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from random import Random

import numpy as np
import pandas as pd
from scipy.linalg import solve_banded

from tests.sun.classes import Sky, sky_of
from tests.sun.clearsky import ClearSky, Floats, Place, clear_sky, seconds
from tests.sun.sources import Source, source

DAYS = 60
FIRST_DAYS = {
    "slope": (
        "2019-03-22", "2019-05-22", "2019-07-22", "2019-09-20", "2020-02-10", "2020-04-10", "2020-08-01",
        "2020-10-01", "2020-12-01", "2021-02-01", "2021-04-02", "2021-06-02", "2021-08-02", "2021-10-02",
        "2021-12-02", "2022-02-01", "2022-04-03", "2022-06-03", "2022-08-03", "2022-10-03",
    ),
    "roof": (
        "2011-04-16", "2011-06-16", "2011-10-15", "2011-12-15", "2012-02-14", "2012-05-15", "2012-07-15",
        "2012-09-14", "2012-11-14", "2013-01-14", "2013-03-16", "2013-05-16", "2013-07-16", "2013-09-15",
    ),
    "roof_summer": ("2016-07-02",),
    "island": ("2018-03-01", "2018-05-01", "2018-07-01", "2018-09-01"),
    "plain": ("2018-01-03", "2018-03-04", "2018-05-04", "2018-07-04", "2018-09-03", "2018-11-01"),
    "coast": ("2018-01-03", "2018-05-04", "2018-09-03"),
    "january": ("2022-01-01",),
    "february": ("2019-02-01",),
    "west": ("2022-01-02",),
    "minutes": ("2022-01-20",),
}  # fmt: skip
SHORT_DAYS = {"january": 4, "february": 5, "west": 5, "minutes": 1}
LONGEST_GAP_H = 1.0
"""A longer gap of the source is a gap of the record: the monitor did not run (our choice)."""


@dataclass(frozen=True, slots=True)
class Weather:
    """A record's weather on the plant's grid; clear is the clear sky there.

    light_W_m2 falls on the array's plane, through_glass is what its cells see of it and beam_W_m2 the sun's
    straight part of that; known is False where the source has a gap. skies: by local day, as measured.
    covered: days of real snow on the array.
    """

    name: str
    source: str
    place: Place
    time_zone: str
    step_s: int
    measured_step_s: int
    times: pd.DatetimeIndex
    days: tuple[date, ...]
    day_of: np.ndarray
    light_W_m2: Floats
    beam_W_m2: Floats
    through_glass: Floats
    air_C: Floats
    clear: ClearSky
    known: np.ndarray
    skies: tuple[Sky, ...]
    covered: frozenset[date]


def _named() -> dict[str, tuple[str, date, int]]:
    found = {}
    for name, starts in FIRST_DAYS.items():
        for start in map(date.fromisoformat, starts):
            days = SHORT_DAYS.get(name, DAYS)
            label = name if len(starts) == 1 else f"{name}_{start:%Y_%m}"
            found[label] = (name, start, days)
    return found


_NAMED = _named()
NAMES = tuple(_NAMED)
LONG = tuple(name for name in NAMES if _NAMED[name][2] == DAYS)
OPEN = LONG[::2]
KEPT = LONG[1::2]


@cache
def weather(name: str) -> Weather:
    """A record's weather by name. Raises KeyError for an unknown one."""
    place_name, first, count = _NAMED[name]
    taken = source(place_name)
    days = tuple(first + timedelta(days=n) for n in range(count))
    begin, end = (pd.Timestamp(day, tz=taken.time_zone) for day in (days[0], days[-1] + timedelta(days=1)))
    light, skies = _of_source(taken, begin, end, days)
    step_s = min(300, taken.step_s)
    times = pd.date_range(begin.tz_convert("UTC"), end.tz_convert("UTC"), freq=f"{step_s}s", inclusive="left")
    clear = clear_sky(taken.place, times)
    index, known = _index_at(taken, light, times)
    plane = index * clear.plane_W_m2
    # of a measured total the share of beam is unknown: none under a quarter of clear light, all at 0.9 (ours)
    beam = clear.beam_W_m2 * index * np.clip((index - 0.25) / 0.65, 0, 1)
    inside = beam if taken.glass_passed else beam * clear.glass
    through = plane - (beam - inside)
    local = times.tz_convert(taken.time_zone)
    day_of = np.array([(day - first).days for day in local.date])
    air = _own_air(name, local) if taken.air_C is None else _at(taken.air_C, times)
    return Weather(
        name, place_name, taken.place, taken.time_zone, step_s, taken.step_s, times, days, day_of,
        plane, inside, through, air, clear, known, skies, taken.covered,
    )  # fmt: skip


def _of_source(
    taken: Source, begin: pd.Timestamp, end: pd.Timestamp, days: tuple[date, ...]
) -> tuple[pd.Series, tuple[Sky, ...]]:
    """Light as measured, and its days' skies. Relative light is scaled so that smooth days give 1."""
    around = taken.light_W_m2[begin - pd.Timedelta(hours=2) : end + pd.Timedelta(hours=2)]
    inside = around[(around.index >= begin) & (around.index < end)]
    factor = 1.0
    if taken.relative:
        skies = _skies(taken, inside, days)
        top = np.nanquantile([sky.index for sky in skies], 0.9)
        smooth = [sky.index for sky in skies if sky.index > 0.85 * top and sky.variability < 1.3]
        factor = 1 / float(np.median(smooth)) if len(smooth) >= 3 else 1 / float(top)
    return around * factor, _skies(taken, inside * factor, days)


def _skies(taken: Source, light: pd.Series, days: tuple[date, ...]) -> tuple[Sky, ...]:
    fine = clear_sky(taken.place, light.index)
    table = pd.DataFrame(
        {"light": light.to_numpy(), "clear": fine.plane_W_m2, "up": fine.elevation_deg > 0}, index=light.index
    )
    whole = table.resample("15min").agg(
        {"light": lambda x: x.mean(skipna=False), "clear": "mean", "up": "max"}
    )
    by_day = dict(list(whole.groupby(whole.index.tz_convert(taken.time_zone).date)))
    found = []
    for day in days:
        if day not in by_day:
            found.append(Sky(0.0, float("nan"), float("nan")))
            continue
        of = by_day[day]
        found.append(sky_of(of["light"].to_numpy(), of["clear"].to_numpy(), of["up"].to_numpy(dtype=bool)))
    return tuple(found)


def _index_at(taken: Source, light: pd.Series, times: pd.DatetimeIndex) -> tuple[Floats, np.ndarray]:
    """Clear-sky index at the plant's moments, and where it is known.

    Lines between knots at the middles of the measured intervals, the knots such that each interval's mean is
    the measured one: lines between the means themselves would smooth the clouds away. Near the horizon, where
    both lights vanish, the index is held at most at 3 of a sky that gives 10 W/m².
    """
    clear = clear_sky(taken.place, light.index).plane_W_m2
    index = np.clip(light.to_numpy() / np.maximum(clear, 10), 0, 3)
    good = np.isfinite(index) & (clear > 0)
    moments, wanted = seconds(pd.DatetimeIndex(light.index)), seconds(times)
    knots = _knots(np.interp(moments, moments[good], index[good]))
    measured = moments[np.isfinite(light.to_numpy())]
    after = np.clip(np.searchsorted(measured, wanted), 1, len(measured) - 1)
    known = measured[after] - measured[after - 1] <= LONGEST_GAP_H * 3600
    return np.interp(wanted, moments, knots), known


def _knots(means: Floats) -> Floats:
    """Knots whose lines have these means over intervals around them: an eighth, three quarters, an eighth."""
    bands = np.full((3, len(means)), 0.125)
    bands[1] = 0.75
    bands[1, [0, -1]] = 0.875
    knots: Floats = np.maximum(solve_banded((1, 1), bands, means), 0.0)
    return knots


def _at(series: pd.Series, times: pd.DatetimeIndex) -> Floats:
    good = series.dropna()
    there = seconds(pd.DatetimeIndex(good.index))
    found: Floats = np.interp(seconds(times), there, good.to_numpy(dtype=float))
    return found


def _own_air(name: str, local: pd.DatetimeIndex) -> Floats:
    """Air of a town at 40° N far from the sea: 10 ± 12 °C over the year, 7 over the day, a wander (ours)."""
    rng = Random(f"{name}/air")
    wander = [0.0]
    for _ in range(DAYS + 3):
        wander.append(0.7 * wander[-1] + rng.gauss(0, 3.5))
    hours = np.arange(len(local)) * ((local[1] - local[0]).total_seconds() / 3600)
    year = 2 * np.pi * (local.day_of_year.to_numpy() - 200) / 365
    day = 2 * np.pi * (local.hour.to_numpy() + local.minute.to_numpy() / 60 - 15) / 24
    wanders = np.interp(hours / 24, np.arange(len(wander)), wander)
    air_C: Floats = 10 + 12 * np.cos(year) + 7 * np.cos(day) + wanders
    return air_C
