"""What was taken and what was left: the sky's part told from the bank's. Pure.

A bank in absorption, float or equalization takes what it needs and no more; the array is then held back, and
its power says nothing of the sky. That shows in the bank's voltage, which is held, and in the array's, which
rises from its best point toward open circuit. What the array could have given meanwhile is estimated from

- what it gives in the free steps before and after (`course.py`),
- how high its voltage stands (`rise.py`),
- what it gave: it could give that much at least, and at most a clear sky's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median

from monitor.quantities import Stage
from monitor.sun.course import Glimpse, Guess, between, course
from monitor.sun.day import Clear, Day, Seen, Step
from monitor.sun.expected import Supply
from monitor.sun.held import REGULATED, held_back
from monitor.sun.level import Level, levels
from monitor.sun.rise import Rise, Shown, fitted, rises

DAYLIGHT = 0.02
"""An index is told where a clear sky gives this share of the rated power; below that the model's and the
meters' errors are as large as what they speak of (our choice)."""

BRIGHT, CUT_OFF = 0.1, 0.3
"""Where a clear sky gives the first share of the rated power, an array below the second share of its best
voltage is cut off (our choice)."""

COVERED = 0.3
"""A step of which readings cover less tells nothing (our choice)."""

FREE_SD = 0.03
"""How exactly a free step shows the index beside the quick part (our choice)."""

CHOSEN_SD = 0.4
"""How little some free steps say of the hours beside them (our choice):"""

LOW_SUN_DEG = 15.0
"""a hill, haze or a tree may take a sun that stands lower than this (our choice),"""

BESIDE_S = 900
"""and a regulated array so near to held steps is free just because a cloud came: those beside were brighter
(our choice)."""

QUICK_SD = (0.04, 0.35)
"""Bounds of how far single clouds make the index jump: haze, and broken cumulus (our choice)."""

QUICK_SD_UNKNOWN = 0.15
"""Where a day has too few free steps to tell (our choice)."""

QUICK_STEPS = 6

SEEN_WELL = 0.12
"""Steps seen less well are no measure of jumps (our choice)."""

MOST = 1.15
"""The sky's most beside the array's own clear level: a cloud's edge seldom adds more (our choice)."""

DEPTHS = (0.1, 0.3, 1.01)
"""Bounds of the share taken within which an error of the voltage's reading is the same (our choice); an array
of which less is taken stands as good as open and shows nothing."""

LEAST_INDEX = 0.05
"""No index is taken for smaller where it is divided by."""

USUAL_INDEX = 0.8
"""How sure the voltage is is judged at this index at least, so that a small one is not believed for being
small (our choice)."""

BRIDGE_S = 2700
"""Steps so near a free one have its index, for learning the voltage's rise (our choice)."""


@dataclass(frozen=True, slots=True)
class Left:
    """What the bank left of a day: energy that the array could have given and was not asked for, and how
    much it could have given in all, each with its deviation."""

    unused_Wh: float
    allowed_Wh: float
    sd_Wh: float


@dataclass(frozen=True, slots=True)
class Judged:
    """A history's steps judged, and the array's learnt factor for each day."""

    seen: list[tuple[Seen, ...]]
    levels: list[Level]


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
    rise = fitted(rise, _bridges(days, free, held, rise))
    told = [
        _seen_of(day, supply, index, of_day, heights, rise, level)
        for day, index, of_day, heights, level in zip(days, free, held, rise.heights, known, strict=True)
    ]
    return Judged(told, known)


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


def _bridges(
    days: Sequence[Day],
    free: Sequence[Sequence[float | None]],
    held: Sequence[Sequence[bool]],
    rise: Rise,
) -> list[tuple[float, float]]:
    """Heights of held steps beside the share that they gave of what the nearest free steps promise."""
    pairs = []
    for day, index, of_day, heights in zip(days, free, held, rise.heights, strict=True):
        reach = BRIDGE_S // day.step_s
        for at, height in enumerate(heights):
            power_W = day.steps[at].power_W
            if not of_day[at] or height is None or power_W is None or day.clear[at].passed_W <= 0:
                continue
            near = [
                index[other] or 0.0
                for other in range(max(0, at - reach), min(len(index), at + reach + 1))
                if index[other] is not None and day.steps[other].stage not in REGULATED
            ]
            if len(near) >= 3 and max(near) - min(near) <= 0.1 * max(near) and min(near) > 0.3:
                pairs.append((height, min(1.0, power_W / day.clear[at].passed_W / median(near))))
    return pairs


def _seen_of(
    day: Day,
    supply: Supply,
    index: Sequence[float | None],
    held: Sequence[bool],
    heights: Sequence[float | None],
    rise: Rise,
    level: Level,
) -> tuple[Seen, ...]:
    guesses = _guesses(day, supply, index, held, heights, rise, level) if any(held) else None
    told = []
    for at, (step, clear) in enumerate(zip(day.steps, day.clear, strict=True)):
        allowed_W, sd_W = (None if cut_off(step, clear, supply) else step.power_W), 0.0
        if held[at] and guesses is not None and clear.passed_W > 0:
            full_W = level.at(clear) * clear.passed_W
            floor = max(0.0, step.power_W or 0.0) / full_W
            within = between(guesses[at], floor, max(MOST, floor))
            allowed_W, sd_W = within.index * full_W, within.sd * full_W
        told.append(Seen(step.start_ms, held[at], index[at], allowed_W, sd_W))
    return tuple(told)


def _guesses(
    day: Day,
    supply: Supply,
    index: Sequence[float | None],
    held: Sequence[bool],
    heights: Sequence[float | None],
    rise: Rise,
    level: Level,
) -> list[Guess]:
    """The index over the array's level in each step, from free steps and from the voltage of held ones."""
    free: list[Glimpse | None] = []
    beside = max(1, BESIDE_S // day.step_s)
    for at, (clear, value) in enumerate(zip(day.clear, index, strict=True)):
        chosen = any(held[max(0, at - beside) : at + beside + 1])
        sd = FREE_SD
        if clear.elevation_deg < LOW_SUN_DEG or (chosen and day.steps[at].stage in REGULATED):
            sd = CHOSEN_SD
        free.append(None if value is None else Glimpse(value / level.at(clear), sd))
    by_time = _course_of(free, day.step_s)
    shown: list[Shown | None] = []
    for at, (step, clear) in enumerate(zip(day.steps, day.clear, strict=True)):
        height, power_W = heights[at], step.power_W
        if held[at] and height is not None and power_W is not None and daylight(clear, supply):
            gave = max(0.0, power_W) / clear.passed_W / level.at(clear)
            shown.append(rise.shown(gave, height, floating=step.stage is Stage.FLOAT))
        else:
            shown.append(None)
    if not any(shown):
        return by_time
    by_height = settled(shown, by_time)
    return _course_of([one or other for one, other in zip(free, by_height, strict=True)], day.step_s)


def _course_of(glimpses: Sequence[Glimpse | None], step_s: int) -> list[Guess]:
    return course([[] if each is None else [each] for each in glimpses], step_s, quick_sd(glimpses))


def settled(shown: Sequence[Shown | None], by_time: Sequence[Guess]) -> list[Glimpse | None]:
    """What the voltage shows of held steps, its error of the whole day taken out as far as free steps tell.

    The form of the knee and the panel's temperature are off the same way all day, and the more the nearer the
    array stands to open; what changes from step to step is well seen all the same.
    """
    glimpses: list[Glimpse | None] = [None] * len(shown)
    for low, high in pairwise(DEPTHS):
        some = [(at, each) for at, each in enumerate(shown) if each is not None and low <= each.share < high]
        if not some:
            continue
        off = median(math.log(each.index / max(LEAST_INDEX, by_time[at].index)) for at, each in some)
        common_sd = median(each.common_sd for _, each in some)
        time_sd = median(by_time[at].sd / max(LEAST_INDEX, by_time[at].index) for at, _ in some)
        factor = math.exp(off * common_sd**2 / (common_sd**2 + time_sd**2))
        left_sd = common_sd * time_sd / math.hypot(common_sd, time_sd)
        for at, each in some:
            could = each.index / factor
            glimpses[at] = Glimpse(could, max(could, USUAL_INDEX) * math.hypot(each.noise_sd, left_sd))
    return glimpses


def quick_sd(glimpses: Sequence[Glimpse | None]) -> float:
    """How far single clouds make the index jump, from neighbouring steps that are seen well."""
    jumps = [
        abs(later.index - glimpse.index)
        for glimpse, later in pairwise(glimpses)
        if glimpse is not None and later is not None and max(glimpse.sd, later.sd) <= SEEN_WELL
    ]
    if len(jumps) < QUICK_STEPS:
        return QUICK_SD_UNKNOWN
    low, high = QUICK_SD
    return min(high, max(low, fmean(jumps) * math.sqrt(math.pi) / 2))


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
