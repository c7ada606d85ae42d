"""Irradiance in the array's plane and air temperature, minute by minute: seeded skies and measured days."""

from __future__ import annotations

import csv
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.util import find_spec
from math import asin, cos, exp, pi, radians, sin
from pathlib import Path
from random import Random
from typing import Protocol

from tests.banks.model import between


@dataclass(frozen=True, slots=True)
class Air:
    """Air temperature: the record's mean, half the swing of day and night, drift over the whole record."""

    mean_C: float
    day_C: float = 4.0
    drift_C: float = 0.0


class Sky(Protocol):
    """Weather by day of the record and hour of the day (solar time)."""

    def irradiance_W_m2(self, day: int, hour: float) -> float: ...

    def air_C(self, day: int, hour: float) -> float: ...


def plane_W_m2(day_of_year: float, hour: float, latitude_deg: float, tilt_deg: float) -> float:
    """Clear-sky irradiance on a plane that faces the equator. Good enough to charge a bank with.

    Declination by Cooper 1969 and a beam attenuated as exp(-0.14 / sin h), both from memory; a tenth of the
    light is diffuse.
    """
    declination = radians(23.45) * sin(2 * pi * (284 + day_of_year) / 365)
    turn, latitude, tilt = radians(15 * (hour - 12)), radians(latitude_deg), radians(tilt_deg)
    height = sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * cos(turn)
    if height <= 0:
        return 0.0
    towards = latitude - tilt
    incidence = sin(towards) * sin(declination) + cos(towards) * cos(declination) * cos(turn)
    beam = 1150 * exp(-0.14 / max(0.02, height))
    return beam * (max(0.0, incidence) + 0.1 * asin(min(1.0, height)) / (pi / 2))


class SeededSky:
    """Days from clear to dark. fair is the share of days that are clear or broken."""

    def __init__(
        self,
        seed: str,
        start_day: int,
        latitude_deg: float,
        tilt_deg: float,
        fair: float,
        air: Air,
        days: int,
    ) -> None:
        self._seed, self._start_day, self._fair, self._air, self._days = seed, start_day, fair, air, days
        self._latitude_deg, self._tilt_deg = latitude_deg, tilt_deg
        self._clouds: tuple[int, list[float]] = (-1, [])

    def irradiance_W_m2(self, day: int, hour: float) -> float:
        clear = plane_W_m2(self._start_day + day, hour, self._latitude_deg, self._tilt_deg)
        return clear * self._index(day, int(hour * 60)) if clear > 0 else 0.0

    def air_C(self, day: int, hour: float) -> float:
        air = self._air
        wander = between((0.0, 24.0), (self._wander_C(day), self._wander_C(day + 1)), hour)
        drift = air.drift_C * ((day + hour / 24) / self._days - 0.5)
        return air.mean_C + drift + wander + air.day_C * cos(2 * pi * (hour - 15) / 24)

    def _wander_C(self, day: int) -> float:
        return Random(f"{self._seed}/air/{day}").gauss(0, 1.5)

    def _index(self, day: int, minute: int) -> float:
        if self._clouds[0] != day:
            self._clouds = (day, self._draw(Random(f"{self._seed}/clouds/{day}")))
        return self._clouds[1][minute]

    def _draw(self, rng: Random) -> list[float]:
        if rng.random() < self._fair:
            if rng.random() < 0.5:
                return [rng.uniform(0.93, 1.0)] * 1440
            level, goal, values = 0.7, 0.7, []
            for _ in range(1440):
                if rng.random() < 0.15:
                    goal = rng.uniform(0.2, 0.5) if goal > 0.6 else rng.uniform(0.85, 1.1)
                level += 0.6 * (goal - level)
                values.append(level)
            return values
        mean = rng.choice((0.08, 0.2, 0.35))
        level, values = mean, []
        for _ in range(1440):
            level += 0.05 * (mean - level) + rng.gauss(0, 0.05 * mean)
            values.append(min(1.0, max(0.2 * mean, level)))
        return values


class MeasuredSky:
    """Measured days in a seeded order, held in place by the hour of the day; air seeded around the record's.

    The days are the minutes and five-minute means that ship with pvanalytics (NREL, Colorado): irradiance
    on 20 January 2022, AC power of an array on 18 March 2022 (as a share of its highest minute), irradiance
    in an array's plane in February 2019 and January 2022.
    """

    def __init__(self, seed: str, air: Air, days: int, brightness: float = 1.0) -> None:
        known = measured_days()
        rng = Random(f"{seed}/measured")
        self._order = [known[name] for name in (rng.choice(sorted(known)) for _ in range(days + 1))]
        self._air = SeededSky(seed, 1, 40.0, 40.0, 1.0, air, days)
        self._brightness = brightness

    def irradiance_W_m2(self, day: int, hour: float) -> float:
        hours, values = self._order[day]
        return self._brightness * max(0.0, between(hours, values, hour))

    def air_C(self, day: int, hour: float) -> float:
        return self._air.air_C(day, hour)


Day = tuple[tuple[float, ...], tuple[float, ...]]


@cache
def measured_days() -> dict[str, Day]:
    """Whole measured days by date: hours and W/m² (the one of AC power scaled to 1000 W/m² at its best)."""
    found: dict[str, Day] = {}
    for file, column, scale, form in (
        ("midc_bms_ghi_20220120.csv", "Global CMP22 (vent/cor) [W/m^2]", 1.6, "iso"),  # level to tilted: ours
        ("serf_east_1min_ac_power.csv", "ac_power__752", None, "iso"),
        ("irradiance_RMIS_NREL.csv", "irradiance_poa__7984", 1.0, "us"),
        ("rmis_weather_data.csv", "Plane of array", 1.0, "us"),
    ):
        for date, (hours, values) in _by_date(file, column, form).items():
            if hours[0] < 7 and hours[-1] > 18 and len(hours) > 200:
                factor = 1000 / max(values) if scale is None else scale
                found[date] = (tuple(hours), tuple(max(0.0, value) * factor for value in values))
    return found


def _by_date(file: str, column: str, form: str) -> dict[str, tuple[list[float], list[float]]]:
    package = find_spec("pvanalytics")
    assert package is not None
    assert package.submodule_search_locations
    days: dict[str, tuple[list[float], list[float]]] = defaultdict(lambda: ([], []))
    with (Path(package.submodule_search_locations[0]) / "data" / file).open(newline="") as handle:
        rows = csv.reader(handle)
        place = next(rows).index(column)
        for row in rows:
            if not row[place]:
                continue
            at = datetime.fromisoformat(row[0]) if form == "iso" else _us(row[0])
            hours, values = days[at.date().isoformat()]
            hours.append(at.hour + at.minute / 60)
            values.append(float(row[place]))
    return days


def _us(text: str) -> datetime:
    date, clock = text.split(" ")
    month, day, year = (int(part) for part in date.split("/"))
    hour, minute = (int(part) for part in clock.split(":"))
    return datetime(year, month, day, hour, minute)  # noqa: DTZ001 - local time of day is what is meant
