"""The array's own level: the index that clear moments reach, day by day, with its course over the day taken
out.

A site file's tilt, azimuth, ratings and the sky's usual haze are all a little wrong, so a healthy array's
index is not 1. Its level is learnt as an upper quantile of smooth stretches; its course over the day as a
smooth curve over the sun's azimuth, too stiff to follow an obstacle's edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.sun.findings.record import Column, Mask, Record

LEVEL_QUANTILE = 0.75
"""Of a day's smooth steps: the upper quarter is clear sky where any of the day is (our choice)."""

NEAR_LEVEL = 0.06
LEAST_NEAR_S = 2700
"""A day has a level only where 45 minutes lie within 6 % of it (our choice)."""

REFERENCE_QUANTILE = 0.8
REFERENCE_DAYS = 20
"""The usual level is the upper fifth of the levels within twenty days before and after (our choice)."""

BEST_DAYS, BEST_REACH, BEST_LEVELS = 10, 60, 3
"""The best level is the highest upper fifth of three levels or more within ten days, that was reached within
sixty days before or after: a loss that stays does not become its own measure (our choice)."""

COURSE_DEGREE, COURSE_ROUNDS, COURSE_LIMIT = 2, 4, 0.25
"""The course is a parabola over azimuth, fitted to logarithms, outliers dropped in four rounds, and never
taken for more than 25 % (our choice: six degrees of wrong azimuth make about 10 %)."""

LEAST_COURSE_STEPS = 60


@dataclass(frozen=True)
class Levels:
    """relative: each step's index over course; of_day: each day's level; usual: the level around each
    day, whatever the day itself reached; best: the highest of those within two months. All are nan where
    unknown."""

    relative: Column
    of_day: Column
    usual: Column
    best: Column
    course: Column

    def share(self, record: Record) -> Column:
        """Each step's index over the usual level: near 1 under a clear sky on a healthy array."""
        return np.asarray(self.relative / self.usual[record.day])

    def corrected(self, record: Record, losses: Sequence[tuple[int, int | None, float]]) -> Levels:
        """As if lost parts of the power, each (from ms, to ms, share), were still there."""
        relative, by_day = self.relative.copy(), self.of_day.copy()
        for start_ms, end_ms, share in losses:
            inside = record.between(start_ms, end_ms)
            relative[inside] /= 1 - share
            whole = np.array(
                [start_ms <= day.start_ms and (end_ms or day.end_ms) >= day.end_ms for day in record.days]
            )
            by_day[whole] /= 1 - share
        return Levels(relative, by_day, usual_level(by_day), best_level(by_day), self.course)


def levels_of(record: Record) -> Levels:
    """The levels of a record."""
    course = _course(record)
    relative = np.where(record.free, record.index / course, np.nan)
    of_day = np.full(record.count, np.nan)
    for number in range(record.count):
        here = record.of_day(number)
        of_day[number] = _level(relative[here][record.smooth[here]], record.step_s)
    return Levels(relative, of_day, usual_level(of_day), best_level(of_day), course)


def usual_level(of_day: Column) -> Column:
    """The upper level within REFERENCE_DAYS of each day, nan without any level near."""
    return _upper(of_day, REFERENCE_DAYS, 1)


def best_level(of_day: Column) -> Column:
    """The highest of the upper levels that BEST_LEVELS days tell together within BEST_REACH of each day."""
    upper = _upper(of_day, BEST_DAYS, BEST_LEVELS)
    best = np.full(len(of_day), np.nan)
    for number in range(len(of_day)):
        near = upper[max(0, number - BEST_REACH) : number + BEST_REACH + 1]
        if np.isfinite(near).any():
            best[number] = np.nanmax(near)
    return best


def _upper(of_day: Column, reach: int, least: int) -> Column:
    upper = np.full(len(of_day), np.nan)
    for number in range(len(of_day)):
        near = of_day[max(0, number - reach) : number + reach + 1]
        near = near[np.isfinite(near)]
        if len(near) >= least:
            upper[number] = np.quantile(near, REFERENCE_QUANTILE)
    return upper


def _level(smooth: Column, step_s: int) -> float:
    if len(smooth) * step_s < LEAST_NEAR_S:
        return float("nan")
    level = float(np.quantile(smooth, LEVEL_QUANTILE))
    near = np.abs(smooth / level - 1) <= NEAR_LEVEL
    return float(np.median(smooth[near])) if near.sum() * step_s >= LEAST_NEAR_S else float("nan")


def _course(record: Record) -> Column:
    """How the index of a clear day goes over the sun's azimuth, 1 on the mean; 1 where too little is
    known."""
    used: Mask = record.smooth.copy()
    level = np.full(record.count, np.nan)
    for number in range(record.count):
        here = record.of_day(number)
        level[number] = _level(record.index[here][used[here]], record.step_s)
    value = np.log(
        record.index / level[record.day], where=used & (record.index > 0), out=np.full(len(used), np.nan)
    )
    used &= np.isfinite(value) & (np.abs(value) < COURSE_LIMIT)
    at = _around(record)
    flat = np.ones(len(used))
    if used.sum() < LEAST_COURSE_STEPS:
        return flat
    bend = np.zeros(COURSE_DEGREE + 1)
    for _ in range(COURSE_ROUNDS):
        bend = np.polyfit(at[used], value[used], COURSE_DEGREE)
        off = value - np.polyval(bend, at)
        spread = max(0.02, 1.5 * float(np.median(np.abs(off[used]))))
        used &= np.abs(off) < 2.5 * spread
        if used.sum() < LEAST_COURSE_STEPS:
            return flat
    low, high = np.quantile(at[used], [0.01, 0.99])
    course = np.polyval(bend, np.clip(at, low, high))
    return np.asarray(np.exp(np.clip(course - np.median(course[used]), -COURSE_LIMIT, COURSE_LIMIT)))


def _around(record: Record) -> Column:
    """The sun's azimuth from the day's highest sun, in right angles, alike in both hemispheres."""
    highest = 180.0 if record.supply.latitude_deg >= 0 else 0.0
    return np.asarray(((record.azimuth_deg - highest + 180) % 360 - 180) / 90)
