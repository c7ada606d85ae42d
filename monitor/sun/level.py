"""How much of its rated clear-sky power this array really gives: one learnt factor. Pure.

Rated values, tilt, dirt, cables and the model of a clear sky each are a few percent off; what is left of a
day's index after this factor is the sky's. The factor is learnt from steady hours of full light in the weeks
before, and a little from what arrays usually give; a single day, too, gets one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from statistics import median

from monitor.sun.day import Clear, Day

Indices = Sequence[float | None]
"""The clear-sky index in each step of a day where the array was free to give what it could, else None."""

BACK_DAYS, AHEAD_DAYS = 28, 7
"""Days that tell a day's factor: the weeks before it and, where those tell little, the week after (our
choice: dirt and seasons change it slowly)."""

ENOUGH_DAYS = 4
"""Days with steady light that need no help of later ones (our choice)."""

USUAL, USUAL_SD = 0.92, 0.12
"""What arrays give of their rated clear-sky power before anything is learnt (dirt, wires, mismatch, age some
percent each: common practice, no source), and how different arrays are (our choice)."""

STEADY_S = 2400
STEADY_BAND = 0.06
"""Light is steady where the index stays within so much of itself for forty minutes around (our choice: grey
skies drift more while the clear-sky power changes)."""

LEAST_INDEX = 0.45
"""Steady light below is a grey sky and no clear one (our choice; an array that gives less than half of its
rating on a clear day is told by the findings)."""

LEAST_ELEVATION_DEG = 15.0
"""Lower suns are at the mercy of haze, horizon and model (our choice)."""

LEAST_STEADY_S = 1200
"""A day with less steady light tells nothing (our choice)."""

DAY_SD = 0.05
"""How far one day's steady light is from the factor: turbidity and temperature (our choice)."""


BINS = 24
BIN_DEG = 360 / BINS
"""The course is learnt by the sun's azimuth in parts of 15°, about an hour (our choice)."""

BIN_DAYS = 3
"""Days with steady light that must show a part of the course (our choice)."""

UPPER = 0.7
"""Of the days' indices, in all and in each part of the course, the one that so many do not exceed: not all of
them were quite clear (our choice)."""

LOWEST, HIGHEST = 0.5, 1.15
"""Bounds of the course: a hill leaves the sky's own light, and more than the factor comes of faint light's
errors only (our choice)."""

DRAWN = 2.0
"""The course is drawn to an even one as by so many days (our choice)."""


@dataclass(frozen=True, slots=True)
class Level:
    """The factor of an array and its deviation; days is from how many days with steady light it comes.

    course says how the factor goes over the sun's azimuth, one value a part around the compass from north:
    a wrong tilt, a tree, a hill lower a part of every clear day.
    """

    scale: float
    sd: float
    days: int
    course: tuple[float, ...] = (1.0,) * BINS

    def at(self, clear: Clear) -> float:
        """The factor where the sun stands, drawn out between the parts' middles."""
        place = clear.azimuth_deg / BIN_DEG - 0.5
        below = math.floor(place)
        share = place - below
        before, after = self.course[below % BINS], self.course[(below + 1) % BINS]
        return self.scale * ((1 - share) * before + share * after)


def levels(days: Sequence[Day], indices: Sequence[Indices]) -> list[Level]:
    """The factor for each of the days, in order of time, from their free steps' indices."""
    told = [
        (day.day, steady, _by_bin(day, index))
        for day, index in zip(days, indices, strict=True)
        if (steady := steady_index(day, index)) is not None
    ]
    found = []
    for day in days:
        ahead = 0
        if sum(timedelta(0) <= day.day - each[0] <= timedelta(BACK_DAYS) for each in told) < ENOUGH_DAYS:
            ahead = AHEAD_DAYS
        near = [each for each in told if -timedelta(ahead) <= day.day - each[0] <= timedelta(BACK_DAYS)]
        level = level_of([steady for _, steady, _ in near])
        found.append(replace(level, course=_course([bins for _, _, bins in near], level.scale)))
    return found


def level_of(values: Sequence[float]) -> Level:
    """The factor from the steady indices of some days: a rather high one of them, since haze and steady grey
    only lower a day's, drawn to the usual one while there are few."""
    if not values:
        return Level(USUAL, USUAL_SD, 0)
    seen = sorted(values)[round(UPPER * (len(values) - 1))]
    seen_var = 0.03**2 + DAY_SD**2 / len(values)
    weight = USUAL_SD**2 / (USUAL_SD**2 + seen_var)
    return Level(USUAL + weight * (seen - USUAL), (seen_var * weight) ** 0.5, len(values))


def _by_bin(day: Day, index: Indices) -> dict[int, float]:
    """The median index in each part of the compass that the sun passed while the array was free."""
    parts: dict[int, list[float]] = {}
    for clear, value in zip(day.clear, index, strict=True):
        if value is not None:
            parts.setdefault(int(clear.azimuth_deg // BIN_DEG) % BINS, []).append(value)
    return {part: median(values) for part, values in parts.items()}


def _course(days: Sequence[dict[int, float]], scale: float) -> tuple[float, ...]:
    """How the index of days with steady light goes over the compass, beside the scale."""
    course = []
    for part in range(BINS):
        values = sorted(bins[part] for bins in days if part in bins)
        if len(values) < BIN_DAYS:
            course.append(1.0)
            continue
        upper = min(HIGHEST, max(LOWEST, values[round(UPPER * (len(values) - 1))] / scale))
        course.append((len(values) * upper + DRAWN) / (len(values) + DRAWN))
    return tuple(course)


def steady_index(day: Day, index: Indices) -> float | None:
    """The index of a day's steady light, its energy over a clear sky's; None where there is too little.

    By energy, since the high sun's hours are those that an early full bank hides.
    """
    half = max(1, STEADY_S // 2 // day.step_s)
    gave_W = clear_W = 0.0
    steps = 0
    for at, value in enumerate(index):
        clear = day.clear[at]
        if value is None or value < LEAST_INDEX or clear.elevation_deg < LEAST_ELEVATION_DEG:
            continue
        near = [each for each in index[max(0, at - half) : at + half + 1] if each is not None]
        if len(near) == 2 * half + 1 and max(near) - min(near) <= STEADY_BAND * value:
            gave_W += value * clear.passed_W
            clear_W += clear.passed_W
            steps += 1
    return gave_W / clear_W if steps * day.step_s >= LEAST_STEADY_S else None
