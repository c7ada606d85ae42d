"""Peak sun hours of each month on the array's plane, and the month that decides. Pure.

A month is known from this site's own days in it; else it is a clear sky's light times the share of it that
this site's other days had, and told as supposed; without own days it is unknown, for how cloudy a place is no
formula tells.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import fmean
from typing import Literal

Basis = Literal["own days", "supposed", "clear sky", "given"]

LEAST_DAYS = 10
"""So many own days tell a month, or the share of a clear sky (our choice: several spells of weather)."""


@dataclass(frozen=True, slots=True)
class OwnDay:
    """One day of this site: the light on the plane [kWh/m², which are peak sun hours], and its share of a
    clear sky's."""

    day: date
    sun_h: float
    share: float


@dataclass(frozen=True, slots=True)
class Month:
    """Peak sun hours a day of a month (1..12, 0: not said); sun_h is None where only the clear sky's are
    known."""

    month: int
    sun_h: float | None
    clear_h: float
    basis: Basis
    days: int


def months(clear_h: Mapping[int, float], own: Iterable[OwnDay]) -> tuple[Month, ...]:
    """The twelve months from the clear sky's peak sun hours of each and this site's own days."""
    days = list(own)
    share = fmean(day.share for day in days) if len(days) >= LEAST_DAYS else None
    return tuple(
        _month(month, clear_h[month], [day.sun_h for day in days if day.day.month == month], share, len(days))
        for month in sorted(clear_h)
    )


def _month(month: int, clear_h: float, seen_h: Sequence[float], share: float | None, days: int) -> Month:
    if len(seen_h) >= LEAST_DAYS:
        return Month(month, fmean(seen_h), clear_h, "own days", len(seen_h))
    if share is not None:
        return Month(month, clear_h * min(1.0, share), clear_h, "supposed", days)
    return Month(month, None, clear_h, "clear sky", 0)


def design_month(months: Sequence[Month]) -> Month:
    """The month with the least sun; where cloud is unknown, with the least under a clear sky."""
    return min(months, key=lambda month: month.clear_h if month.sun_h is None else month.sun_h)
