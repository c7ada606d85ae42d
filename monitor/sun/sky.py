"""What kind of day it was: the clear-sky index by quarters of an hour, its variability, and the day's class.

The class rests on free steps and, where the full bank held the array back, on what was estimated that the
sky allowed. All is referred to the array's learnt level, so that dirt and a generous rating do not look like
haze. Pure.

| class | rule, the first that fits |
|---|---|
| none | too little of the day was read, or the array was cut off |
| snow | next to nothing from a bright day's sun, cold, and the array alive (see `_snowed`) |
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

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean
from typing import Literal, get_args

from monitor.sun.day import Clear, Day, Seen
from monitor.sun.level import Level

Sky = Literal["clear", "broken", "overcast", "dark", "snow", "none"]
SKIES: tuple[Sky, ...] = get_args(Sky)

DARK, OVERCAST, CLEAR = 0.15, 0.40, 0.80
CLEAR_VARIABILITY = 1.5

QUARTER_S = 900

READ_ENOUGH = 0.75
"""Share of a clear sky's energy in whose time something must have been read (our choice)."""

SNOW_INDEX = 0.06
"""A few centimetres of snow let less than a twentieth through, the darkest rain more (our choice)."""

SNOW_SHARE = 0.6
"""So much of the day it must lie; then it may slide off (our choice)."""

SNOW_C = 3.0
"""A bank colder than this stands where snow can lie; it follows the air slowly (our choice)."""

COLD_CLIMATE_C = 3.0
"""Where no temperature is read: the usual night at this time of the year (our choice)."""

ALIVE_SHARE = 0.5
"""An array under snow still stands at this share of its best voltage, one cut off at none (our choice)."""

COOLING_C_PER_W_M2 = 0.027
"""As in `rise.py`: a panel in less light is colder, and gives more of it."""


@dataclass(frozen=True, slots=True)
class Quarter:
    """One quarter of an hour: its clear-sky index of light, None where nothing shows it, the clear sky's
    light on the array, and what the array gave."""

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


def sky_of(
    day: Day, steps: Sequence[Seen], level: Level, power_coefficient_per_C: float, best_V: float
) -> DaySky:
    """The sky of a day; best_V is the rated voltage of the whole array at its best point."""
    quarters = quarters_of(day, steps, level, power_coefficient_per_C)
    width_s = day.step_s * max(1, QUARTER_S // day.step_s)
    clear_Wh = sum(quarter.clear_W_m2 for quarter in quarters)
    read_Wh = sum(quarter.clear_W_m2 for quarter in quarters if quarter.index is not None)
    read = read_Wh / clear_Wh if clear_Wh > 0 else 0.0
    if read < READ_ENOUGH:
        return DaySky("none", None, None, read, width_s, quarters)
    index = sum(each.clear_W_m2 * each.index for each in quarters if each.index is not None) / read_Wh
    variability = variability_of(quarters)
    snowed = _snowed(day, quarters, best_V)
    sky = "snow" if snowed else class_of(index, variability)
    return DaySky(sky, index, variability, read, width_s, quarters)


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

    Steps in which the array was held back have a smoothed index; they count only where free ones are few.
    """
    pairs = [
        (before, after)
        for before, after in pairwise(quarters)
        if before.index is not None and after.index is not None
    ]
    free = [pair for pair in pairs if not (pair[0].held_back or pair[1].held_back)]
    used = free if 3 * len(free) >= len(pairs) else pairs
    length = clear_length = 0.0
    for before, after in used:
        minutes = (after.start_ms - before.start_ms) / 60_000
        length += math.hypot(after.light_W_m2 - before.light_W_m2, minutes)
        clear_length += math.hypot(after.clear_W_m2 - before.clear_W_m2, minutes)
    return length / clear_length if clear_length > 0 else 1.0


def _snowed(day: Day, quarters: Sequence[Quarter], best_V: float) -> bool:
    """Whether snow lay on the array: for most of the day's light next to nothing came, in the cold, while the
    array's voltage (where one is read) shows that it was not cut off."""
    bright = [each for each in quarters if each.index is not None]
    light = sum(each.clear_W_m2 for each in bright)
    buried = sum(each.clear_W_m2 for each in bright if each.index is not None and each.index < SNOW_INDEX)
    return light > 0 and buried >= SNOW_SHARE * light and _cold(day) and _alive(day, best_V)


def _cold(day: Day) -> bool:
    read = [step.battery_temperature_C for step in day.steps if step.battery_temperature_C is not None]
    if read:
        return min(read) <= SNOW_C
    nights = [clear.module_C for clear in day.clear if clear.elevation_deg < 0]
    return bool(nights) and min(nights) <= COLD_CLIMATE_C


def _alive(day: Day, best_V: float) -> bool:
    volts = [
        step.array_voltage_V
        for step, clear in zip(day.steps, day.clear, strict=True)
        if step.array_voltage_V is not None and _high(clear)
    ]
    return not volts or sorted(volts)[len(volts) // 2] >= ALIVE_SHARE * best_V


def _high(clear: Clear) -> bool:
    return clear.elevation_deg > 10.0
