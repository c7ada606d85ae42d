"""The chance of a dark night by month: years of this place's weather over the bank, begun at its days.

A night is dark where the bank comes down to its reserve before the sun is back. Each day goes by the
estimator's own constants (`nature.py`): what the loads take in the dark hours and in the light, what the
array gives, what of it the bank keeps, what it loses by itself. Below the reserve nobody is supposed to
switch anything off: the loads go on until the controller cuts them, or the bank is empty. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.bank.tables import rest_voltage_V
from monitor.plan import nature
from monitor.plan.sunlight import SkyDay, season, through_year
from monitor.plan.system import System

LEAST_RECORD = 30
"""Fewer days of weather tell no chance, and fewer of a season not its sky (our choice: a month holds several
wet spells)."""

MOST_STARTS = 73
"""At most so many of the days begin a year, evenly spread (our choice: every fifth of a year's, which tells
a chance to 1.4 %, and a small computer has it in a second)."""


VOLT_STEPS = 50
"""Steps of charge in which the bank's voltage is kept (our choice: 0.03 V of a 12 V bank)."""


@dataclass(frozen=True, slots=True)
class Year:
    """What a year asks and offers. load_Wh is drawn a day, dark_share of it in the dark hours of a month,
    which has night_h of them; clear_Ah reaches the bank on its clear day."""

    load_Wh: float
    dark_share: Mapping[int, float]
    night_h: Mapping[int, float]
    clear_Ah: Mapping[int, float]


@dataclass(frozen=True, slots=True)
class DarkMonth:
    """chance of at least one dark night in the month (1..12) and their mean number; seen: by days of this
    place in that month and its neighbours, else the sky of its other days is supposed."""

    month: int
    chance: float
    nights: float
    seen: bool


def dark_months(system: System, year: Year, days: Sequence[SkyDay]) -> tuple[DarkMonth, ...]:
    """The twelve months from the shares of a clear sky's light that the days had, in their order, so that wet
    spells stay together; nothing below LEAST_RECORD days or where the cold has no table.

    Each run is a year that begins with a full bank in the sunniest month, the record from another day on.
    """
    if len(days) < LEAST_RECORD or system.usable_Ah is None or not year.clear_Ah:
        return ()
    ordered = sorted(days, key=lambda day: day.day)
    shares = {month: _shares(month, ordered) for month in year.clear_Ah}
    clear = through_year(year.clear_Ah)
    counts: dict[int, list[int]] = {month: [] for month in year.clear_Ah}
    first = max(year.clear_Ah, key=lambda month: year.clear_Ah[month])
    starts = min(MOST_STARTS, len(ordered))
    for start in range(starts):
        bank, at = _Bank(system), start * len(ordered) // starts
        for month in ((first + ahead - 1) % 12 + 1 for ahead in range(12)):
            dark, some = 0, shares[month]
            for clear_Ah in clear[month]:
                dark += bank.night(year, month)
                bank.day(year, month, clear_Ah * some[at % len(some)])
                at += 1
            counts[month].append(dark)
    return tuple(
        DarkMonth(
            month,
            sum(dark > 0 for dark in counts[month]) / starts,
            sum(counts[month]) / starts,
            _seen(month, ordered),
        )
        for month in sorted(counts)
    )


class _Bank:
    """A bank on its way through a year; missing is the share of its present capacity that is taken out. Loads
    take the more charge the lower its voltage has come."""

    def __init__(self, system: System) -> None:
        self._chemistry = system.chemistry
        self._capacity_Ah = system.present_Ah
        self._volts = [
            system.cells * rest_voltage_V(system.chemistry, 1 - step / VOLT_STEPS)
            for step in range(VOLT_STEPS + 1)
        ]
        self._reserve = system.deepest
        self._deepest = max(system.deepest, 1 - system.cut_off_soc)
        self._lost = nature.lost_a_day(system.chemistry, system.temperature_C) / 2
        self._missing = 0.0

    def night(self, year: Year, month: int) -> bool:
        """The dark hours of a day of a month; whether they bring it down to its reserve."""
        self._take(self._share_of(year.load_Wh * year.dark_share[month]))
        return self._missing > self._reserve

    def day(self, year: Year, month: int, gives_Ah: float) -> None:
        """The light hours, in which the loads take theirs first."""
        net = gives_Ah / self._capacity_Ah - self._share_of(year.load_Wh * (1 - year.dark_share[month]))
        if net <= 0:
            self._take(-net)
            return
        hours = max(1.0, 24 - year.night_h[month])
        self._missing -= nature.stored(self._chemistry, self._missing, net, hours)
        self._missing = min(self._deepest, max(0.0, self._missing) + self._lost)

    def _share_of(self, energy_Wh: float) -> float:
        """What an energy takes of the capacity at the bank's voltage now."""
        return energy_Wh / self._volts[round(self._missing * VOLT_STEPS)] / self._capacity_Ah

    def _take(self, share: float) -> None:
        self._missing = min(self._deepest, self._missing + share + self._lost)


def _seen(month: int, days: Sequence[SkyDay]) -> bool:
    return len(season(month, days)) >= LEAST_RECORD


def _shares(month: int, days: Sequence[SkyDay]) -> list[float]:
    """The shares of a month's days, by its season's sky where that is known, else by all days'."""
    some = season(month, days) if _seen(month, days) else days
    return [min(1.0, day.share) for day in some]
