"""The weather book: a day's entry, and what days tell together: spells without a full bank, wet days.

Pure; `sun_report.py` makes the entries from the store.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from statistics import fmean, pstdev

from monitor.sun.level import Level
from monitor.sun.sky import DaySky
from monitor.sun.taken import Left
from monitor.sun.yields import Energies

WET = ("overcast", "dark")
"""The classes of a wet day."""


@dataclass(frozen=True, slots=True)
class DayEntry:
    """One day of the weather book; None is unknown.

    harvest_Wh is what the array gave, clear_sky_Wh what it would have under a clear sky, left what the bank
    left. full is whether the bank got full. soc_min is the lowest estimated state of charge.
    """

    day: date
    sky: DaySky
    level: Level
    harvest_Wh: float | None
    clear_sky_Wh: float
    left: Left | None
    used_Wh: float | None
    voltage_min_V: float | None
    soc_min: float | None
    full: bool | None
    energies: Energies


@dataclass(frozen=True, slots=True)
class Spell:
    """The longest row of days without a full bank: first and last day. A day without readings ends no spell
    and begins none."""

    first: date
    last: date

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1


def longest_spell(entries: Sequence[DayEntry]) -> Spell | None:
    """The longest time without a full bank, None where it was full on every day that was read."""
    longest: Spell | None = None
    begun: date | None = None
    for entry in entries:
        if entry.full is None:
            continue
        if entry.full:
            begun = None
            continue
        begun = begun or entry.day
        spell = Spell(begun, entry.day)
        if longest is None or spell.days > longest.days:
            longest = spell
    return longest


@dataclass(frozen=True, slots=True)
class WetYield:
    """What a wet day (overcast or dark) lets the array give: mean and deviation of single days [Wh]."""

    mean_Wh: float
    sd_Wh: float
    days: int


def wet_yield(entries: Sequence[DayEntry]) -> WetYield | None:
    """What wet days allowed here, None where there was none. For the outlook, too."""
    wet = [entry.left.allowed_Wh for entry in entries if entry.sky.sky in WET and entry.left]
    return WetYield(fmean(wet), pstdev(wet), len(wet)) if wet else None
