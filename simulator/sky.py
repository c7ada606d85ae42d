"""Weather over the array: seeded days from clear to rain-dark with clouds at the scale of minutes.

The sky of a day depends on seed and date alone, never on how the plant is stepped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, exp, pi, sqrt
from random import Random
from typing import Protocol

from simulator.sun import DAY_S, MS, haurwitz_W_m2, plane_irradiance_W_m2, sun_position

MINUTES = 1440
KINDS = ("clear", "broken", "overcast", "dark")
USUAL_SHARES = (0.30, 0.35, 0.25, 0.10)  # our choice: a temperate coast
MEAN_INDEX = {"clear": 1.0, "broken": 0.7, "overcast": 0.30, "dark": 0.08}  # our choice
WARMTH_C = {"clear": 0.0, "broken": 0.5, "overcast": 1.5, "dark": 1.5}
SWING = {"clear": 1.0, "broken": 0.8, "overcast": 0.4, "dark": 0.25}


@dataclass(frozen=True, slots=True)
class SkySample:
    """What the sky does to the array at one time.

    available_W is set only where a record of the array's power is replayed; irradiance_W_m2 is in the
    array's plane.
    """

    irradiance_W_m2: float
    air_temperature_C: float
    available_W: float | None = None


class Sky(Protocol):
    """Something that gives the weather at a time."""

    clearness: float | None
    """Set by hand: the clear-sky index that replaces the day's own; None follows the day."""

    def at(self, time_ms: int) -> SkySample:
        """The weather at a UTC time."""


@dataclass(frozen=True, slots=True)
class WeatherSpan:
    """Days of one kind of weather, counted back from the end of the scenario's window.

    plane_kWh_m2 sets the day's sum in the array's plane, whatever the season, for overcast and dark days;
    temperature_offset_C shifts the air from the season's mean.
    """

    from_days_ago: int
    to_days_ago: int
    sky: str
    plane_kWh_m2: float | None = None
    temperature_offset_C: float = 0.0


@dataclass(frozen=True, slots=True)
class Place:
    """Where the array stands, and its usual air: yearly mean, half the summer-winter and day-night swing."""

    latitude_deg: float
    longitude_deg: float
    air_mean_C: float
    air_season_C: float
    air_day_C: float


def solar_day(time_ms: int, longitude_deg: float) -> tuple[int, float]:
    """Day number since 1970 and hour of the day in mean solar time of the place (no daylight saving)."""
    seconds = time_ms / MS + longitude_deg * 240
    day = int(seconds // DAY_S)
    return day, (seconds - day * DAY_S) / 3600


def cloud_index(kind: str, mean: float, rng: Random) -> list[float]:
    """The clear-sky index of one day, minute by minute (1441 values), around its mean.

    Broken sky changes between cloud and gap with dwell times of minutes and some brightening at cloud
    edges; the others wander (first-order, time constant 20 min). Our choice, no source.
    """
    values: list[float] = []
    if kind == "broken":
        in_cloud, left, level = rng.random() < 0.5, 0.0, 1.0
        for _ in range(MINUTES + 1):
            if left <= 0:
                in_cloud = not in_cloud
                left = rng.expovariate(1 / 6.0) + 1
                level = rng.uniform(0.25, 0.55) if in_cloud else rng.uniform(0.95, 1.08)
            left -= 1
            previous = values[-1] if values else level
            values.append(previous + 0.7 * (level - previous))
        return values
    spread = {"clear": 0.015, "overcast": 0.25, "dark": 0.35}[kind]  # relative
    keep = exp(-1 / 20)
    kick = spread * sqrt(1 - keep**2)
    wander = rng.gauss(0, spread)
    for _ in range(MINUTES + 1):
        wander = wander * keep + rng.gauss(0, kick)
        values.append(min(1.05, mean * max(0.3, 1 + wander)))
    return values


class SeededSky:
    """Days drawn from the seed, except where the scenario says what they were."""

    def __init__(
        self,
        place: Place,
        tilt_deg: float,
        azimuth_deg: float,
        spans: Sequence[WeatherSpan],
        end_ms: int,
        seed: int,
    ) -> None:
        self.place = place
        self.tilt_deg, self.azimuth_deg = tilt_deg, azimuth_deg
        self.spans = tuple(spans)
        self.seed = seed
        self.clearness: float | None = None
        self._end_day = solar_day(end_ms, place.longitude_deg)[0]
        self._clouds: dict[int, list[float]] = {}

    def span_of(self, day: int) -> WeatherSpan | None:
        """What the scenario says about a day, None where it leaves it to chance."""
        ago = self._end_day - day
        return next((s for s in self.spans if s.to_days_ago <= ago <= s.from_days_ago), None)

    def kind_of(self, day: int) -> str:
        """clear, broken, overcast or dark."""
        span = self.span_of(day)
        if span is not None:
            return span.sky
        return Random(f"{self.seed}/kind/{day}").choices(KINDS, USUAL_SHARES)[0]

    def at(self, time_ms: int) -> SkySample:
        place = self.place
        sun = sun_position(time_ms, place.latitude_deg, place.longitude_deg)
        irradiance = 0.0
        if sun.elevation_deg > 0:
            index = self.clearness
            if index is None:
                index = self._index(time_ms)
            irradiance = plane_irradiance_W_m2(
                haurwitz_W_m2(sun.elevation_deg) * index, sun, self.tilt_deg, self.azimuth_deg
            )
        return SkySample(irradiance, self.air_temperature_C(time_ms))

    def air_temperature_C(self, time_ms: int) -> float:
        """Season, time of day (warmest at 15 h) and the day's weather, without jumps at midnight."""
        place = self.place
        day, hour = solar_day(time_ms, place.longitude_deg)
        first, share = (day, (hour - 12) / 24) if hour >= 12 else (day - 1, (hour + 12) / 24)
        offset = (1 - share) * self._warmth_C(first) + share * self._warmth_C(first + 1)
        swing = (1 - share) * self._swing(first) + share * self._swing(first + 1)
        season = -cos(2 * pi * (day + hour / 24 - 20) / 365.25)  # coldest about 20 January
        if place.latitude_deg < 0:
            season = -season
        return (
            place.air_mean_C
            + place.air_season_C * season
            + offset
            + place.air_day_C * swing * cos(2 * pi * (hour - 15) / 24)
        )

    def _warmth_C(self, day: int) -> float:
        span = self.span_of(day)
        wander = Random(f"{self.seed}/warmth/{day}").gauss(0, 1.0)
        return WARMTH_C[self.kind_of(day)] + wander + (span.temperature_offset_C if span else 0.0)

    def _swing(self, day: int) -> float:
        return SWING[self.kind_of(day)]

    def _index(self, time_ms: int) -> float:
        day, hour = solar_day(time_ms, self.place.longitude_deg)
        clouds = self._clouds.get(day)
        if clouds is None:
            clouds = self._clouds_of(day)
            self._clouds = {d: c for d, c in self._clouds.items() if d >= day - 1}
            self._clouds[day] = clouds
        minute = hour * 60
        whole = min(int(minute), MINUTES - 1)
        part = minute - whole
        return clouds[whole] * (1 - part) + clouds[whole + 1] * part

    def _clouds_of(self, day: int) -> list[float]:
        kind = self.kind_of(day)
        mean = MEAN_INDEX[kind]
        span = self.span_of(day)
        if span is not None and span.plane_kWh_m2 is not None and kind in ("overcast", "dark"):
            mean = min(1.0, span.plane_kWh_m2 / max(self._diffuse_day_kWh_m2(day), 1e-6))
        return cloud_index(kind, mean, Random(f"{self.seed}/clouds/{day}"))

    def _diffuse_day_kWh_m2(self, day: int) -> float:
        """The day's clear-sky sum on the plane if all light came evenly from the whole sky."""
        place = self.place
        total = 0.0
        for step in range(MINUTES // 10):
            time_ms = int((day * DAY_S + step * 600 - place.longitude_deg * 240) * MS)
            total += (
                haurwitz_W_m2(sun_position(time_ms, place.latitude_deg, place.longitude_deg).elevation_deg)
                / 6
            )
        tilt = self.tilt_deg * pi / 180
        return total * ((1 + cos(tilt)) / 2 + 0.2 * (1 - cos(tilt)) / 2) / 1000
