"""The chance of a dark night by month: a year of this site's own sky over the bank, begun at each day.

A night is dark where the bank comes down to its reserve before morning. The day's use counts before its sun,
which is the cautious order, and at the reserve the loads are switched off. Pure.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.plan import sizing
from monitor.plan.sunlight import OwnDay
from monitor.plan.system import System

LEAST_RECORD = 30
"""Fewer own days tell no chance, and fewer of a season not its sky (our choice: a month holds several wet
spells)."""


@dataclass(frozen=True, slots=True)
class DarkMonth:
    """chance of at least one dark night in the month (1..12) and their mean number; seen: by days of this
    site in that month and its neighbours, else the sky of its other days is supposed."""

    month: int
    chance: float
    nights: float
    seen: bool


def dark_months(
    system: System, load_Ah: float, clear_h: Mapping[int, float], own: Sequence[OwnDay]
) -> tuple[DarkMonth, ...]:
    """The twelve months from the share of a clear sky's light that own days had, in their order, so that wet
    spells stay together; nothing below LEAST_RECORD days or where the cold has no table.

    Each run is a year that begins with a full bank in the sunniest month, the record from another day on.
    """
    usable_Ah = system.usable_Ah
    if len(own) < LEAST_RECORD or usable_Ah is None:
        return ()
    days = sorted(own, key=lambda day: day.day)
    gives_Ah = {month: _gives(system, month, clear_h[month], days) for month in clear_h}
    counts: dict[int, list[int]] = {month: [] for month in clear_h}
    first = max(clear_h, key=lambda month: clear_h[month])
    for start in range(len(days)):
        charge_Ah, at = usable_Ah, start
        for month in ((first + ahead - 1) % 12 + 1 for ahead in range(12)):
            dark, given_Ah = 0, gives_Ah[month]
            for _ in range(monthrange(2025, month)[1]):
                dark += charge_Ah < load_Ah
                charge_Ah = min(usable_Ah, max(0.0, charge_Ah - load_Ah) + given_Ah[at % len(given_Ah)])
                at += 1
            counts[month].append(dark)
    return tuple(
        DarkMonth(
            month,
            sum(dark > 0 for dark in counts[month]) / len(days),
            sum(counts[month]) / len(days),
            _seen(month, days),
        )
        for month in sorted(counts)
    )


def _season(month: int, days: Sequence[OwnDay]) -> list[OwnDay]:
    """The days of a month and of its two neighbours: one month alone is one winter's luck (our choice)."""
    return [day for day in days if (day.day.month - month + 1) % 12 <= 2]


def _seen(month: int, days: Sequence[OwnDay]) -> bool:
    return len(_season(month, days)) >= LEAST_RECORD


def _gives(system: System, month: int, clear_h: float, days: Sequence[OwnDay]) -> list[float]:
    """What reaches the loads of a month's days, losses counted: by its season's sky, else by all days'."""
    some = _season(month, days) if _seen(month, days) else days
    kept = sizing.WIRE_EFFICIENCY * sizing.BATTERY_EFFICIENCY
    return [kept * system.gives_Ah(clear_h * min(1.0, day.share)) for day in some]
