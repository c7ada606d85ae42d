"""What kind of day it was: the clear-sky index by quarters of an hour, its variability, and the day's class.

The class rests on free steps and, where the full bank held the array back, on what was estimated that the
sky allowed. All is referred to the array's learnt level, so that dirt and a generous rating do not look like
haze. Pure.

| class | rule, the first that fits |
|---|---|
| none | too little of the day was read, or the array was cut off |
| snow | next to nothing from a bright day's sun, cold, and the array connected (see `_snowed`) |
| dark | index < 0.15 |
| overcast | index < 0.40 |
| clear | index >= 0.80 and variability <= 1.8 |
| broken | all else |

index: light on the array's plane over that of a clear sky, both over the day. Such limits differ from author
to author; these are our choice: on days measured in four years at 39.7° N clear ones reach 0.93 to 1.05.
variability: the variability index of Stein, Hansen and Reno (2012), the length of the day's curve of
irradiance over that of a clear sky's, here of means of 15 minutes; their limits for means of one minute
do not apply to them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median
from typing import Literal, get_args

from monitor.sun.day import Day, Seen
from monitor.sun.expected import Supply
from monitor.sun.level import Level

Sky = Literal["clear", "broken", "overcast", "dark", "snow", "none"]
SKIES: tuple[Sky, ...] = get_args(Sky)

DARK, OVERCAST, CLEAR = 0.15, 0.40, 0.80
CLEAR_VARIABILITY = 1.8
"""A clear day's own is 1.0 to 1.3; what is told of hours in which the bank held the array back is rougher
than the sky was (our choice)."""

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

APART = 0.4
"""What of an estimate's deviation changes from one quarter of an hour to the next; the rest is common to both
(our choice)."""

COOLING_C_PER_W_M2 = 0.027
"""As in `rise.py`: a panel in less light is colder, and gives more of it."""


@dataclass(frozen=True, slots=True)
class Quarter:
    """One quarter of an hour: its clear-sky index of light, None where nothing shows it, the clear sky's
    light on the array, what the array gave, and the index's deviation where the array was held back."""

    start_ms: int
    index: float | None
    clear_W_m2: float
    power_W: float
    held_back: bool
    sd: float

    @property
    def light_W_m2(self) -> float:
        """The sky's light on the array; none where nothing shows it."""
        return self.clear_W_m2 * (self.index or 0.0)


@dataclass(frozen=True, slots=True)
class DaySky:
    """A day's sky, in quarters of width_s (wider where the record is slow). index and variability are None
    where too little was read; read is the share of a clear sky's energy in whose time something was."""

    sky: Sky
    index: float | None
    variability: float | None
    read: float
    width_s: int
    quarters: tuple[Quarter, ...]


def skies_of(
    days: Sequence[Day], seen: Sequence[Sequence[Seen]], known: Sequence[Level], supply: Supply
) -> list[DaySky]:
    """The skies of days that follow one another, from what their steps show and the array's factors."""
    quarters = [
        quarters_of(day, steps, level, supply.power_temperature_coefficient_per_C)
        for day, steps, level in zip(days, seen, known, strict=True)
    ]
    after = [*quarters[1:], ()]
    return [
        _sky_of(day, of_day, next_day, supply)
        for day, of_day, next_day in zip(days, quarters, after, strict=True)
    ]


def _sky_of(day: Day, quarters: Sequence[Quarter], next_day: Sequence[Quarter], supply: Supply) -> DaySky:
    width_s = day.step_s * max(1, QUARTER_S // day.step_s)
    clear_Wh = sum(quarter.clear_W_m2 for quarter in quarters)
    read_Wh = sum(quarter.clear_W_m2 for quarter in quarters if quarter.index is not None)
    read = read_Wh / clear_Wh if clear_Wh > 0 else 0.0
    if read < READ_ENOUGH:
        return DaySky("none", None, None, read, width_s, tuple(quarters))
    index = sum(quarter.light_W_m2 for quarter in quarters) / read_Wh
    variability = variability_of(quarters)
    snowed = _snowed(quarters, next_day) and _cold(day) and _alive(day, supply)
    sky = "snow" if snowed else class_of(index, variability)
    return DaySky(sky, index, variability, read, width_s, tuple(quarters))


def class_of(index: float, variability: float) -> Sky:
    """The class by the table above."""
    if index < DARK:
        return "dark"
    if index < OVERCAST:
        return "overcast"
    return "clear" if index >= CLEAR and variability <= CLEAR_VARIABILITY else "broken"


def quarters_of(
    day: Day, steps: Sequence[Seen], level: Level, power_coefficient_per_C: float
) -> tuple[Quarter, ...]:
    """The day's quarters of an hour in daylight."""
    each = max(1, QUARTER_S // day.step_s)
    day_W = [step.power_W for step in day.steps]
    found = []
    for first in range(0, len(steps), each):
        some = list(zip(steps[first : first + each], day.clear[first : first + each], strict=True))
        light_W_m2 = sum(clear.beam_W_m2 + clear.diffuse_W_m2 for _, clear in some) / len(some)
        told = [(step, clear) for step, clear in some if step.allowed_W is not None and clear.passed_W > 0]
        if light_W_m2 <= 0:
            continue
        clear_W = sum(level.at(clear) * clear.passed_W for _, clear in told)
        index = None
        if clear_W > 0:
            gave = max(0.0, sum(step.allowed_W or 0.0 for step, _ in told)) / clear_W
            index = light_index(gave, light_W_m2, power_coefficient_per_C)
        held = any(step.held_back for step, _ in told)
        sd = sum(step.allowed_sd_W for step, _ in told) / clear_W if clear_W > 0 else 0.0
        powers = [power_W for power_W in day_W[first : first + each] if power_W is not None]
        found.append(
            Quarter(some[0][0].start_ms, index, light_W_m2, fmean(powers) if powers else 0.0, held, sd)
        )
    return tuple(found)


def light_index(power_index: float, clear_W_m2: float, power_coefficient_per_C: float) -> float:
    """The index of light behind an index of power: under clouds the panel is colder and gives more of it."""
    colder_C = COOLING_C_PER_W_M2 * clear_W_m2 * max(0.0, 1 - power_index)
    return power_index / (1 - power_coefficient_per_C * colder_C)


def variability_of(quarters: Sequence[Quarter]) -> float:
    """The variability index: sum of sqrt(dG² + dt²) over the clear sky's, G in W/m² and t in minutes.

    An estimated index is smoother than the sky was: what is uncertain of a change counts with it.
    """
    length = clear_length = 0.0
    for before, after in pairwise(quarters):
        if before.index is None or after.index is None:
            continue
        minutes = (after.start_ms - before.start_ms) / 60_000
        unsure = APART * math.hypot(before.sd * before.clear_W_m2, after.sd * after.clear_W_m2)
        length += math.hypot(after.light_W_m2 - before.light_W_m2, minutes, unsure)
        clear_length += math.hypot(after.clear_W_m2 - before.clear_W_m2, minutes)
    return length / clear_length if clear_length > 0 else 1.0


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
