"""The sun of each month on the array's plane, and the month that decides. Pure.

A month is known from days of this place in it: those of a typical year that a person gave, or this site's
own. Else it is a clear sky's light times the share of it that the site's other days had, and told as
supposed, or times a share that a person states. Without any of these it is unknown, for how cloudy a place is
no formula tells.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from math import acos, degrees, radians, sin, tan
from statistics import fmean, median
from typing import Literal

from monitor.sun.months import ClearMonth, mean_days

Basis = Literal["typical year", "own days", "supposed", "stated", "clear sky", "given"]

LEAST_DAYS = 10
"""So many own days tell a month, or the share of a clear sky (our choice: several spells of weather)."""


@dataclass(frozen=True, slots=True)
class SkyDay:
    """One day of this place: the light on the plane [peak sun hours], and its share of a clear sky's."""

    day: date
    sun_h: float
    share: float


@dataclass(frozen=True, slots=True)
class Sky:
    """What is known of this place's weather. scales are the array's learnt shares of its rated power by
    month, as far as they are known: a low sun, a horizon and dirt have their seasons; stated is a share of a
    clear sky that a person gave in place of days."""

    days: tuple[SkyDay, ...] = ()
    basis: Literal["typical year", "own days"] = "own days"
    scales: Mapping[int, float] = field(default_factory=dict)
    stated: float | None = None


@dataclass(frozen=True, slots=True)
class Month:
    """Peak sun hours a day of a month (1..12, 0: not said); sun_h is None where only the clear sky's are
    known."""

    month: int
    sun_h: float | None
    clear_h: float
    basis: Basis
    days: int


def declination_deg(day: date) -> float:
    """The sun's height over the equator: 23.45° sin(360° (284 + n) / 365) (Cooper 1969, from memory)."""
    return 23.45 * sin(radians(360 * (284 + day.timetuple().tm_yday) / 365))


def night_h(latitude_deg: float, month: int) -> float:
    """Hours of a month's mean day without sun: cos w = -tan(latitude) tan(declination) (textbook)."""
    declination = radians(declination_deg(mean_days()[month - 1]))
    sunset = acos(min(1.0, max(-1.0, -tan(radians(latitude_deg)) * tan(declination))))
    return 24 - 2 * degrees(sunset) / 15


def months(clear: Mapping[int, ClearMonth], sky: Sky) -> tuple[Month, ...]:
    """The twelve months from a clear day of each and what is known of the weather."""
    if sky.stated is not None:
        return tuple(
            Month(month, clear[month].sun_h * sky.stated, clear[month].sun_h, "stated", 0)
            for month in sorted(clear)
        )
    share = fmean(day.share for day in sky.days) if len(sky.days) >= LEAST_DAYS else None
    return tuple(_month(month, clear[month].sun_h, sky, share) for month in sorted(clear))


def _month(month: int, clear_h: float, sky: Sky, share: float | None) -> Month:
    if clear_h <= 0:  # beyond the polar circles, where no cloud can take anything
        return Month(month, 0.0, clear_h, "clear sky", 0)
    seen_h = [day.sun_h for day in sky.days if day.day.month == month]
    if len(seen_h) >= LEAST_DAYS:
        return Month(month, fmean(seen_h), clear_h, sky.basis, len(seen_h))
    if share is not None:
        return Month(month, clear_h * min(1.0, share), clear_h, "supposed", len(sky.days))
    return Month(month, None, clear_h, "clear sky", 0)


def design_month(months: Sequence[Month]) -> Month:
    """The month with the least sun; where cloud is unknown, with the least under a clear sky."""
    return min(months, key=lambda month: month.clear_h if month.sun_h is None else month.sun_h)


def in_season(month: int, day: date) -> bool:
    """Whether a day is of a month or of its two neighbours: one month alone is one winter's luck (our
    choice)."""
    return (day.month - month + 1) % 12 <= 2


def season(month: int, days: Iterable[SkyDay]) -> list[SkyDay]:
    """The days of a month's season."""
    return [day for day in days if in_season(month, day.day)]


def by_season(learnt: Sequence[tuple[date, float]]) -> dict[int, float]:
    """The middle one of what days taught, for each month: of its own days where there are LEAST_DAYS of them,
    else of its season's, else of all; none where nothing was learnt."""
    if not learnt:
        return {}
    every = [value for _, value in learnt]
    found = {}
    for month in range(1, 13):
        own = [value for day, value in learnt if day.month == month]
        near = [value for day, value in learnt if in_season(month, day)]
        enough = (some for some in (own, near) if len(some) >= LEAST_DAYS)
        found[month] = median(next(enough, every))
    return found


def through_year(by_month: Mapping[int, float]) -> dict[int, tuple[float, ...]]:
    """A clear sky's quantity of each month's mean day as that of each of its days: between two of them it
    goes with the sun's declination, so that it turns at the solstice and not at a mean day."""
    means = mean_days()
    year = means[0].year
    days: dict[int, list[float]] = {month: [] for month in range(1, 13)}
    day = date(year, 1, 1)
    while day.year == year:
        after = next((month for month, mean in enumerate(means, 1) if mean >= day), 1)
        before = after - 1 or 12
        low, high = declination_deg(means[before - 1]), declination_deg(means[after - 1])
        part = (declination_deg(day) - low) / (high - low)
        value = by_month[before] + part * (by_month[after] - by_month[before])
        days[day.month].append(max(0.0, value))
        day += timedelta(days=1)
    return {month: tuple(some) for month, some in days.items()}
