"""When nobody watched: the days and hours without readings. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from monitor.local_days import LocalDay
from monitor.records import DayStat
from monitor.season.bank import Spell

AT_THE_BANK = ("battery_voltage_V", "battery_current_A", "charge_current_A")
"""Whichever of these was read longest on a day tells how long somebody watched."""

LEAST_HOLE_S = 3600.0
"""A day with less unread than that counts as watched (our choice: a start, a replug)."""


@dataclass(frozen=True, slots=True)
class Watched:
    """The days that were asked about, those with readings among them, and the hours without any.

    partly are the days that were watched in part only, with partly_h unread; silent are the rows of days
    without any reading, in order. What lies before the first reading ever or has not come yet is no hole.
    """

    days: int
    read_days: int
    unseen_h: float
    partly: int
    partly_h: float
    silent: tuple[Spell, ...]


def watched(
    days: Sequence[LocalDay], read: Collection[date], stats: Iterable[DayStat], first_ms: int, now_ms: int
) -> Watched:
    """How far the days were watched: read are those with any reading, stats those of what tells how long;
    first_ms is the store's first reading."""
    covered_s = _covered_s(stats)
    unread_s = {}
    for day in days:
        span_s = (min(day.end_ms, now_ms) - max(day.start_ms, first_ms)) / 1000
        if span_s > 0:
            unread_s[day.day] = max(0.0, span_s - covered_s.get(day.day, 0.0))
    partly_s = [left_s for day, left_s in unread_s.items() if day in read and left_s >= LEAST_HOLE_S]
    return Watched(
        len(days),
        len(read),
        sum(unread_s.values()) / 3600,
        len(partly_s),
        sum(partly_s) / 3600,
        tuple(_rows(day for day in unread_s if day not in read)),
    )


def _covered_s(stats: Iterable[DayStat]) -> dict[date, float]:
    found: dict[date, float] = {}
    for stat in stats:
        if stat.quantity in AT_THE_BANK:
            found[stat.day] = max(found.get(stat.day, 0.0), stat.covered_s)
    return found


def _rows(days: Iterable[date]) -> list[Spell]:
    """Days in order as rows of days that follow one another."""
    rows: list[Spell] = []
    for day in days:
        if rows and day - rows[-1].last == timedelta(days=1):
            rows[-1] = Spell(rows[-1].first, day)
        else:
            rows.append(Spell(day, day))
    return rows
