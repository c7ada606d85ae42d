"""What was taken and what was left: the sky's part told from the bank's. Pure.

A bank in absorption, float or equalization takes what it needs and no more; the array is then held back, and
its power says nothing of the sky. That shows in the bank's voltage, which is held, and in the array's, which
rises from its best point toward open circuit (`held.py`). What the array could have given meanwhile is told
by courses of the sky (`drawn.py`) that fit the free steps before and after, the height of its voltage, and
what it gave: it could give that much at least (`signs.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.sun.day import Clear, Day, Seen, Step
from monitor.sun.drawn import COURSES, Floats, Signs, courses
from monitor.sun.expected import Supply
from monitor.sun.held import held_back
from monitor.sun.knee import Form, form_of
from monitor.sun.level import DAY_SD, Level, levels
from monitor.sun.rise import rises
from monitor.sun.signs import signs_of

DAYLIGHT = 0.02
"""An index is told where a clear sky gives this share of the rated power; below that the model's and the
meters' errors are as large as what they speak of (our choice)."""

BRIGHT, CUT_OFF = 0.1, 0.3
"""Where a clear sky gives the first share of the rated power, an array below the second share of its best
voltage is cut off (our choice)."""

COVERED = 0.3
"""A step of which readings cover less tells nothing (our choice)."""


@dataclass(frozen=True, slots=True)
class Left:
    """What the bank left of a day: energy that the array could have given and was not asked for, and how
    much it could have given in all, each with its deviation."""

    unused_Wh: float
    allowed_Wh: float
    sd_Wh: float


@dataclass(frozen=True, slots=True)
class Judged:
    """A history's steps judged, the array's learnt factor for each day, and of each day the courses of what
    the sky allowed the array to give, power_W[step, course]: in free steps what was read, nan where nothing
    is told."""

    seen: list[tuple[Seen, ...]]
    levels: list[Level]
    allowed_W: list[Floats]


def seen(days: Sequence[Day], supply: Supply) -> list[tuple[Seen, ...]]:
    """What each step of the days shows of the sky. days are in order of time."""
    return judged(days, supply).seen


def judged(days: Sequence[Day], supply: Supply) -> Judged:
    """What each step of the days, in order of time, shows of the sky, and the array's factor."""
    rise = rises(days, supply)
    held = [held_back(day, supply, heights) for day, heights in zip(days, rise.if_free, strict=True)]
    free = [
        tuple(
            None if is_held else index_of(step, clear, supply)
            for step, clear, is_held in zip(day.steps, day.clear, of_day, strict=True)
        )
        for day, of_day in zip(days, held, strict=True)
    ]
    known = levels(days, free)

    def signs_at(at: int, form: Form) -> Signs | None:
        lit = [
            daylight(clear, supply) and not cut_off(step, clear, supply)
            for step, clear in zip(days[at].steps, days[at].clear, strict=True)
        ]
        return signs_of(days[at], supply, held[at], free[at], lit, known[at], rise.offs[at], form)

    form = form_of(days, supply, held, signs_at)
    allowed_W = [
        _allowed_W(day, supply, of_day, level, signs_at(at, form) if any(of_day) else None)
        for at, (day, of_day, level) in enumerate(zip(days, held, known, strict=True))
    ]
    told = [
        _seen_of(day, index, of_day, powers_W, level)
        for day, index, of_day, powers_W, level in zip(days, free, held, allowed_W, known, strict=True)
    ]
    return Judged(told, known, allowed_W)


def index_of(step: Step, clear: Clear, supply: Supply) -> float | None:
    """The clear-sky index by power of one step; None in the dark, without readings, with the array off."""
    if step.power_W is None or step.covered < COVERED or not daylight(clear, supply):
        return None
    if cut_off(step, clear, supply):
        return None
    return max(0.0, step.power_W) / clear.passed_W


def cut_off(step: Step, clear: Clear, supply: Supply) -> bool:
    """Whether the array's voltage is away in daylight: even under rain an array that is connected has most of
    its voltage, so that the power of this one says nothing of the sky."""
    best_V = supply.panel_vmp_V * supply.panels_in_series
    bright = clear.passed_W >= BRIGHT * supply.power_W
    return bright and step.array_voltage_V is not None and step.array_voltage_V < CUT_OFF * best_V


def daylight(clear: Clear, supply: Supply) -> bool:
    """Whether a clear sky gives enough for an index."""
    return clear.passed_W >= DAYLIGHT * supply.power_W


def _allowed_W(day: Day, supply: Supply, held: Sequence[bool], level: Level, signs: Signs | None) -> Floats:
    """What the sky allowed by the day's courses; a held step allowed what was taken at least."""
    allowed_W = np.full((len(day.steps), COURSES), np.nan)
    drawn = None if signs is None else courses(signs, day.step_s, day.day.toordinal())
    for at, (step, clear) in enumerate(zip(day.steps, day.clear, strict=True)):
        if step.power_W is not None and not cut_off(step, clear, supply):
            allowed_W[at] = step.power_W
        if not held[at] or step.power_W is None or signs is None or drawn is None:
            continue
        if signs.first <= at < signs.first + len(drawn):
            full_W = level.at(clear) * clear.passed_W
            allowed_W[at] = np.maximum(step.power_W, drawn[at - signs.first] * full_W)
    return allowed_W


def _seen_of(
    day: Day, index: Sequence[float | None], held: Sequence[bool], allowed_W: Floats, level: Level
) -> tuple[Seen, ...]:
    means_W = allowed_W.mean(axis=1)
    # how far the level is off, and this day from it, counts where it stands for the array
    off_W = math.hypot(level.sd, DAY_SD) * means_W
    sds_W = np.where(held, np.hypot(allowed_W.std(axis=1), off_W), 0.0)
    return tuple(
        Seen(step.start_ms, is_held, value, *((None, 0.0) if math.isnan(mean_W) else (mean_W, sd_W)))
        for step, value, is_held, mean_W, sd_W in zip(
            day.steps, index, held, means_W.tolist(), sds_W.tolist(), strict=True
        )
    )


def left(day: Day, steps: Sequence[Seen]) -> Left:
    """What was left of a day. Steps without readings count nowhere."""
    hours = day.step_s / 3600
    pairs = [
        (step, max(0.0, read.power_W), step.allowed_W)
        for step, read in zip(steps, day.steps, strict=True)
        if step.allowed_W is not None and read.power_W is not None
    ]
    allowed_Wh = hours * sum(max(0.0, allowed_W) for _, _, allowed_W in pairs)
    unused_Wh = hours * sum(
        max(0.0, allowed_W - power_W) for step, power_W, allowed_W in pairs if step.held_back
    )
    # a day's errors go together: one supposed temperature, one factor, one weather between two free hours
    sd_Wh = hours * sum(step.allowed_sd_W for step, _, _ in pairs)
    return Left(unused_Wh, allowed_Wh, sd_Wh)
