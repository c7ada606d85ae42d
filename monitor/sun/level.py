"""How much of its rated clear-sky power this array really gives: one learnt factor. Pure.

Rated values, tilt, dirt, cables and the model of a clear sky each are a few percent off; what is left of a
day's index after this factor is the sky's. The factor is learnt from steady hours of full light in the weeks
before, and a little from what arrays usually give; a single day, too, gets one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from monitor.sun.day import Day

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

STEADY_S = 3600
STEADY_BAND = 0.06
"""Light is steady where the index stays within so much of itself for an hour around (our choice: overcast
skies drift more while the clear-sky power changes)."""

LEAST_INDEX = 0.45
"""Steady light below is a grey sky and no clear one (our choice; an array that gives less than half of its
rating on a clear day is told by the findings)."""

LEAST_ELEVATION_DEG = 15.0
"""Lower suns are at the mercy of haze, horizon and model (our choice)."""

LEAST_STEADY_S = 2700
"""A day with less steady light tells nothing (our choice)."""

DAY_SD = 0.05
"""How far one day's steady light is from the factor: turbidity and temperature (our choice)."""


@dataclass(frozen=True, slots=True)
class Level:
    """The factor of an array and its deviation; days is from how many days with steady light it comes."""

    scale: float
    sd: float
    days: int


def levels(days: Sequence[Day], indices: Sequence[Indices]) -> list[Level]:
    """The factor for each of the days, in order of time, from their free steps' indices."""
    told = [steady_index(day, index) for day, index in zip(days, indices, strict=True)]
    found = []
    for day in days:
        near = [
            (other.day - day.day).days for other, value in zip(days, told, strict=True) if value is not None
        ]
        before = sum(-BACK_DAYS <= apart <= 0 for apart in near)
        ahead = 0 if before >= ENOUGH_DAYS else AHEAD_DAYS
        values = [
            value
            for other, value in zip(days, told, strict=True)
            if value is not None and -BACK_DAYS <= (other.day - day.day).days <= ahead
        ]
        found.append(level_of(values))
    return found


def level_of(values: Sequence[float]) -> Level:
    """The factor from the steady indices of some days: their upper middle, drawn to the usual one while there
    are few. The upper middle, since haze and steady grey only lower a day's."""
    if not values:
        return Level(USUAL, USUAL_SD, 0)
    upper = sorted(values)[len(values) // 2 :]
    seen, seen_var = median(upper), (0.03**2 + DAY_SD**2 / len(values))
    weight = USUAL_SD**2 / (USUAL_SD**2 + seen_var)
    return Level(USUAL + weight * (seen - USUAL), (seen_var * weight) ** 0.5, len(values))


def steady_index(day: Day, index: Indices) -> float | None:
    """The median index of a day's steady light, None where there is too little."""
    half = max(1, STEADY_S // 2 // day.step_s)
    steady = []
    for at, value in enumerate(index):
        if value is None or value < LEAST_INDEX or day.clear[at].elevation_deg < LEAST_ELEVATION_DEG:
            continue
        around = index[max(0, at - half) : at + half + 1]
        near = [each for each in around if each is not None]
        if len(near) == 2 * half + 1 and max(near) - min(near) <= STEADY_BAND * value:
            steady.append(value)
    return median(steady) if len(steady) * day.step_s >= LEAST_STEADY_S else None
