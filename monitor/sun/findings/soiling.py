"""Dirt: the clear days' level sinks slowly for weeks, until rain or a cloth brings it back at once.

The method's family is the stochastic rate and recovery of Deceglie, Micheli and Muller (2018, from memory):
slopes between cleanings, cleanings as upward steps of the daily level. Here one saw tooth at a time is
fitted; a slow drift without flat days before it is the season's or the expectation's, and is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.sun.findings.finding import Finding, Kind
from monitor.sun.findings.levels import Levels
from monitor.sun.findings.record import Column, Record

LEAST_DAYS, MOST_DAYS = 16, 120
LEAST_LEVELS = 10
"""A tooth lasts so many days and has so many days with a level at least (our choice)."""

LEAST_RATE, MOST_RATE = 0.0015, 0.015
"""Less than 0.15 % a day is within the season's drift of the expectation; dirt seldom takes more than 1 %
(common practice, no source), what takes more is smoke or haze (our choice)."""

LEAST_LOSS, LEAST_LOSS_OPEN = 0.05, 0.08
"""The loss at the tooth's end, with a recovery seen and without (our choice)."""

NOISES = 3.5
RECOVERED = 0.6
BETTER_THAN_FLAT, BETTER_THAN_LINE = 0.5, 0.7
"""What the tooth must leave of the squared misfit of a flat level and of a straight drift (our choice)."""

CLIP = 0.04
"""A level further than this from the median of its neighbours is moved to it: hazy days are no dirt."""

LOOK = (
    "Look at the glass at close range: dust, pollen, bird droppings, salt. Wash early, with the glass cold,"
    " with plain water and something soft, from firm ground; panels are live in daylight, so leave"
    " connectors dry and alone, and open the array's disconnect first if it is rated for load."
)


@dataclass(frozen=True)
class _Tooth:
    first: int
    last: int
    rate: float
    misfit: float


def find(record: Record, levels: Levels) -> list[Finding]:
    """Saw teeth of the daily level."""
    level = np.where(levels.of_day < 0.7 * levels.usual, np.nan, levels.of_day)
    days = np.flatnonzero(np.isfinite(level))
    if len(days) < LEAST_LEVELS + 3:
        return []
    return _teeth(record, days.astype(np.float64), _calm(np.log(level[days])))


def _calm(value: Column) -> Column:
    """The values, each at most CLIP from the median of the seven around it."""
    middle = np.array([np.median(value[max(0, at - 3) : at + 4]) for at in range(len(value))])
    return np.asarray(np.clip(value, middle - CLIP, middle + CLIP))


def _teeth(record: Record, day: Column, value: Column) -> list[Finding]:
    """The best tooth of a stretch of days, then what lies before and after it."""
    if len(day) < LEAST_LEVELS + 3:
        return []
    tooth = _best(day, value)
    finding = None if tooth is None else _judged(record, day, value, tooth)
    if tooth is None or finding is None:
        return []
    before, after = day < tooth.first, day >= tooth.last
    return [*_teeth(record, day[before], value[before]), finding, *_teeth(record, day[after], value[after])]


def _best(day: Column, value: Column) -> _Tooth | None:
    """The saw tooth with the least squared misfit: flat, sinking from first on, back again at last."""
    best: _Tooth | None = None
    for start in range(len(day)):
        for end in range(start + LEAST_LEVELS, len(day) + 1):
            last = day[end] if end < len(day) else day[-1] + 1
            if not LEAST_DAYS <= last - day[start] <= MOST_DAYS:
                continue
            ramp = np.where(day < last, np.clip(day - day[start], 0, None), 0.0)
            mean = ramp.mean()
            spread = float(((ramp - mean) ** 2).sum())
            if spread == 0:
                continue
            slope = float(((ramp - mean) * value).sum()) / spread
            if slope >= 0:
                continue
            misfit = float((((value - value.mean()) - slope * (ramp - mean)) ** 2).sum())
            if best is None or misfit < best.misfit:
                best = _Tooth(int(day[start]), int(last), -slope, misfit)
    return best


def _judged(record: Record, day: Column, value: Column, tooth: _Tooth) -> Finding | None:
    inside = (day >= tooth.first) & (day < tooth.last)
    behind, ahead = value[day >= tooth.last][:4], value[day < tooth.first]
    at_end = value[inside][-4:]
    lasted = tooth.last - tooth.first
    loss = 1 - np.exp(-tooth.rate * lasted)
    noise = float(np.sqrt(tooth.misfit / len(day)))
    back = float(np.median(behind) - np.median(at_end)) if len(behind) >= 2 else 0.0
    is_back = back >= RECOVERED * tooth.rate * lasted * 0.85
    ends = len(behind) > 0
    line = np.polyval(np.polyfit(day, value, 1), day)
    flat_misfit, line_misfit = (float(((value - model) ** 2).sum()) for model in (value.mean(), line))
    if (
        not LEAST_RATE <= tooth.rate <= MOST_RATE
        or loss < (LEAST_LOSS if is_back else LEAST_LOSS_OPEN)
        or loss < NOISES * noise
        or (ends and not is_back)
        or (not ends and len(ahead) < 4)
        or tooth.misfit > BETTER_THAN_FLAT * flat_misfit
        or tooth.misfit > BETTER_THAN_LINE * line_misfit
        or not _sinks(day[inside], value[inside], tooth.rate)
    ):
        return None
    start = 0 if tooth.first == day[0] else tooth.first
    text = (
        f"On {int(inside.sum())} days with clear hours the array's level sank by {100 * tooth.rate:.2f} % a"
        f" day, to {100 * loss:.0f} % below the clean one"
        + (
            f", and rose by {100 * (np.exp(back) - 1):.0f} % at once."
            if is_back
            else ", and has not come back yet."
        )
    )
    return Finding(
        Kind.SOILING,
        record.days[start].start_ms,
        record.days[tooth.last].start_ms if ends else None,
        float(loss),
        min(0.92, (0.6 if is_back else 0.45) + 0.02 * inside.sum() + loss),
        text,
        LOOK,
    )


def _sinks(day: Column, value: Column, rate: float) -> bool:
    """Whether the levels of the tooth themselves sink (Theil 1950, Sen 1968, from memory): the median of all
    slopes between two of them is half of the rate at least, and nine in ten of the long ones are negative."""
    at, to = np.triu_indices(len(day), 1)
    far = day[to] - day[at] >= 3
    slopes = (value[to] - value[at])[far] / (day[to] - day[at])[far]
    long = (day[to] - day[at])[far] >= (day[-1] - day[0]) / 2
    return bool(len(slopes) and np.median(slopes) <= -rate / 2 and (slopes[long] < 0).mean() >= 0.9)
