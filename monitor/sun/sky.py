"""What kind of day it was: the clear-sky index by quarters of an hour, its variability, and the day's class.

The class rests on free steps and, where the full bank held the array back, on courses of what the sky may
have allowed (`drawn.py`): each course has its class, and the day the one that most courses have. All is
referred to the array's learnt level, so that dirt and a generous rating do not look like haze. Pure.

| class | rule, the first that fits |
|---|---|
| none | too little of the day was read, or the array was cut off |
| snow | next to nothing from a bright day's sun, cold, and the array connected (see `_snowed`) |
| dark | index < 0.15 |
| overcast | index < 0.40 |
| clear | index >= 0.80 and variability <= 1.5 |
| broken | all else |

index: light on the array's plane over that of a clear sky, both over the day. Such limits differ from author
to author; these are our choice: on days measured in four years at 39.7° N clear ones reach 0.93 to 1.05.
variability: the variability index of Stein, Hansen and Reno (2012), the length of the day's curve of
irradiance over that of a clear sky's, here of means of 15 minutes; their limits for means of one minute
do not apply to them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, median, mode
from typing import Literal, get_args

import numpy as np

from monitor.sun.day import Day, Seen
from monitor.sun.drawn import Floats
from monitor.sun.expected import Supply
from monitor.sun.level import Level
from monitor.sun.taken import Judged

Sky = Literal["clear", "broken", "overcast", "dark", "snow", "none"]
SKIES: tuple[Sky, ...] = get_args(Sky)

DARK, OVERCAST, CLEAR = 0.15, 0.40, 0.80
CLEAR_VARIABILITY = 1.5
"""A clear day's own is 1.0 to 1.3 (our choice)."""

QUARTER_S = 900

READ_ENOUGH = 0.75
"""Share of a clear sky's energy in whose time something must have been read (our choice)."""

SNOW_INDEX = 0.06
"""A few centimetres of snow let less than a twentieth through, the darkest rain more (our choice)."""

DEEP_INDEX = 0.03
"""No cloud makes a whole day as dark (our choice: the darkest days of rain reach 0.04 to 0.15)."""

SNOW_SHARE = 0.6
"""So much of the day it must lie; then it may slide off (our choice)."""

SNOW_C = 2.0
"""The bank's median temperature on a day when snow can lie: it follows the air slowly (our choice)."""

COLD_CLIMATE_C = 3.0
"""Where no temperature is read: the usual night at this time of the year (our choice)."""

ALIVE_SHARE = 0.5
"""An array under snow still stands at this share of its best voltage, one cut off at none (our choice)."""

DUSK = 8
"""The first and last eighth of the day's light are too faint to tell snow by (our choice)."""

HIGH_DEG = 10.0
"""Elevation from which a connected array surely has its voltage (our choice)."""

COOLING_C_PER_W_M2 = 0.027
"""As in `rise.py`: a panel in less light is colder, and gives more of it."""


@dataclass(frozen=True, slots=True)
class Quarter:
    """One quarter of an hour: its clear-sky index of light, the mean of the courses, None where nothing shows
    it, the clear sky's light on the array, and what the array gave."""

    start_ms: int
    index: float | None
    clear_W_m2: float
    power_W: float
    held_back: bool

    @property
    def light_W_m2(self) -> float:
        """The sky's light on the array; none where nothing shows it."""
        return self.clear_W_m2 * (self.index or 0.0)


@dataclass(frozen=True, slots=True)
class DaySky:
    """A day's sky, in quarters of width_s (wider where the record is slow). index (the mean of the courses)
    and variability (their median) are None where too little was read; read is the share of a clear sky's
    energy in whose time something was."""

    sky: Sky
    index: float | None
    variability: float | None
    read: float
    width_s: int
    quarters: tuple[Quarter, ...]


@dataclass(frozen=True, slots=True)
class _Lights:
    """A day's quarters of an hour, and each course's light in them, light_W_m2[quarter, course]; nan where
    nothing is told."""

    quarters: tuple[Quarter, ...]
    light_W_m2: Floats


def skies_of(days: Sequence[Day], judgement: Judged, supply: Supply) -> list[DaySky]:
    """The skies of days that follow one another, from what their steps were judged to show."""
    lights = [
        _lights_of(day, steps, level, allowed_W, supply.power_temperature_coefficient_per_C)
        for day, steps, level, allowed_W in zip(
            days, judgement.seen, judgement.levels, judgement.allowed_W, strict=True
        )
    ]
    after = [*[each.quarters for each in lights[1:]], ()]
    return [
        _sky_of(day, of_day, next_day, supply)
        for day, of_day, next_day in zip(days, lights, after, strict=True)
    ]


def _sky_of(day: Day, lights: _Lights, next_day: Sequence[Quarter], supply: Supply) -> DaySky:
    width_s = day.step_s * max(1, QUARTER_S // day.step_s)
    quarters = lights.quarters
    clear_W_m2 = np.array([quarter.clear_W_m2 for quarter in quarters])
    told = np.array([quarter.index is not None for quarter in quarters], dtype=bool)
    read = float(clear_W_m2[told].sum() / clear_W_m2.sum()) if len(quarters) else 0.0
    if read < READ_ENOUGH:
        return DaySky("none", None, None, read, width_s, quarters)
    indices = lights.light_W_m2[told].sum(axis=0) / clear_W_m2[told].sum()
    rough = variabilities(lights.light_W_m2, clear_W_m2, width_s / 60)
    snowed = _snowed(quarters, next_day) and _cold(day) and _alive(day, supply)
    sky: Sky = "snow" if snowed else likeliest(indices, rough)
    return DaySky(sky, float(indices.mean()), float(np.median(rough)), read, width_s, quarters)


def likeliest(indices: Floats, variabilities: Floats) -> Sky:
    """The class that most courses have."""
    return mode(class_of(*each) for each in zip(indices.tolist(), variabilities.tolist(), strict=True))


def class_of(index: float, variability: float) -> Sky:
    """The class by the table above."""
    if index < DARK:
        return "dark"
    if index < OVERCAST:
        return "overcast"
    return "clear" if index >= CLEAR and variability <= CLEAR_VARIABILITY else "broken"


def _lights_of(
    day: Day, steps: Sequence[Seen], level: Level, allowed_W: Floats, power_coefficient_per_C: float
) -> _Lights:
    """The day's quarters of an hour in daylight."""
    each = max(1, QUARTER_S // day.step_s)
    clear_light_W_m2 = np.array([clear.beam_W_m2 + clear.diffuse_W_m2 for clear in day.clear])
    clear_W = np.array([level.at(clear) * clear.passed_W for clear in day.clear])
    clear_W[np.isnan(allowed_W[:, 0])] = 0.0
    quarters, lights = [], []
    for first in range(0, len(steps), each):
        some = slice(first, first + each)
        light_W_m2 = float(clear_light_W_m2[some].mean())
        if light_W_m2 <= 0:
            continue
        told = clear_W[some] > 0
        indices = np.full(allowed_W.shape[1], np.nan)
        if told.any():
            gave = np.maximum(0.0, allowed_W[some][told].sum(axis=0)) / clear_W[some].sum()
            indices = light_index(gave, light_W_m2, power_coefficient_per_C)
        held = any(step.held_back for step, is_told in zip(steps[some], told, strict=True) if is_told)
        powers = [step.power_W for step in day.steps[some] if step.power_W is not None]
        index = float(indices.mean()) if told.any() else None
        power_W = fmean(powers) if powers else 0.0
        quarters.append(Quarter(steps[first].start_ms, index, light_W_m2, power_W, held))
        lights.append(indices * light_W_m2)
    return _Lights(tuple(quarters), np.array(lights).reshape(len(quarters), allowed_W.shape[1]))


def light_index(power_index: Floats, clear_W_m2: float, power_coefficient_per_C: float) -> Floats:
    """The index of light behind an index of power: under clouds the panel is colder and gives more of it."""
    colder_C = COOLING_C_PER_W_M2 * clear_W_m2 * np.maximum(0.0, 1 - power_index)
    return np.asarray(power_index / (1 - power_coefficient_per_C * colder_C))


def variabilities(light_W_m2: Floats, clear_W_m2: Floats, minutes: float) -> Floats:
    """The variability index of each course of light[time, course] whose values are minutes apart: sum of
    sqrt(dG² + dt²) over the clear sky's, G in W/m² and t in minutes; 1 where nothing is told."""
    changes, clear = np.diff(light_W_m2, axis=0), np.diff(clear_W_m2)
    known = np.isfinite(changes[:, 0])
    if not known.any():
        return np.ones(light_W_m2.shape[1])
    length = np.hypot(changes[known], minutes).sum(axis=0)
    return np.asarray(length / np.hypot(clear[known], minutes).sum())


def _snowed(quarters: Sequence[Quarter], next_day: Sequence[Quarter]) -> bool:
    """Whether next to nothing came for most of the day's light, and it went on so the next morning or ended
    on the day itself: what lies at dusk lies at dawn, and a rain cloud seldom does. What is darker than any
    cloud needs no such neighbour."""
    told = [quarter for quarter in quarters if quarter.index is not None]
    light = sum(quarter.clear_W_m2 for quarter in told)
    if sum(quarter.clear_W_m2 for quarter in told if _buried(quarter)) < SNOW_SHARE * light:
        return False
    if sum(quarter.light_W_m2 for quarter in told) < DEEP_INDEX * light:
        return True
    return not _buried(told[-1 - len(told) // DUSK]) or _lies_at_dawn(next_day)


def _lies_at_dawn(quarters: Sequence[Quarter]) -> bool:
    told = [quarter for quarter in quarters if quarter.index is not None]
    first = told[len(told) // DUSK : 1 + len(told) // 3]
    return bool(first) and all(_buried(quarter) for quarter in first)


def _buried(quarter: Quarter) -> bool:
    return quarter.index is not None and quarter.index < SNOW_INDEX


def _cold(day: Day) -> bool:
    read = [step.battery_temperature_C for step in day.steps if step.battery_temperature_C is not None]
    if read:
        return median(read) <= SNOW_C
    nights = [clear.module_C for clear in day.clear if clear.elevation_deg < 0]
    return bool(nights) and min(nights) <= COLD_CLIMATE_C


def _alive(day: Day, supply: Supply) -> bool:
    """Whether the array's voltage, where one is read, shows that it was not cut off."""
    volts = [
        step.array_voltage_V
        for step, clear in zip(day.steps, day.clear, strict=True)
        if step.array_voltage_V is not None and clear.elevation_deg > HIGH_DEG
    ]
    return not volts or median(volts) >= ALIVE_SHARE * supply.panel_vmp_V * supply.panels_in_series
