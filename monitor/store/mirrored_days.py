"""Which days' statistics a mirror has to be given, and the points that they are.

Every reading that is given makes its day due; a late one also the days beside it, whose statistics may join
with it across midnight. A due day is given once an hour of the next one was given, so that a device that
answers late still counts; what lands in it afterwards makes it due again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from datetime import date
from zoneinfo import ZoneInfo

from monitor.store.days import day_at, local_day

READY_AFTER_MS = 3_600_000
"""How long after its end a day is given (our choice)."""

FIELDS = ("count", "minimum", "mean", "maximum", "integral_h", "positive_h", "negative_h", "covered_s")
"""What is given of a day, named as in `records.DayStat`."""

DayRow = tuple[int, str, str, dict[str, float]]
"""When the day began, device, quantity, and the values of FIELDS."""


def all_days(ask: sqlite3.Connection) -> set[int]:
    """The numbers of all days that have statistics."""
    return {day for (day,) in ask.execute("SELECT DISTINCT day FROM day")}


def days_of(zone: ZoneInfo, times_ms: Iterable[int], *, beside: bool = False) -> set[int]:
    """The numbers of the days in which times lie; with those before and after them if wanted."""
    days: set[int] = set()
    start_ms = end_ms = 0
    for time_ms in times_ms:
        if not start_ms <= time_ms < end_ms:
            span = day_at(zone, time_ms)
            start_ms, end_ms, number = span.start_ms, span.end_ms, span.day.toordinal()
            days |= {number - 1, number, number + 1} if beside else {number}
    return days


def ready(zone: ZoneInfo, due: Iterable[int], reached_ms: int) -> list[int]:
    """Those of the due days that can be given when all readings up to a time were given, in order."""
    return [
        number
        for number in sorted(due)
        if local_day(zone, date.fromordinal(number)).end_ms + READY_AFTER_MS <= reached_ms
    ]


def rows_of(ask: sqlite3.Connection, zone: ZoneInfo, day: int, channels: Sequence[int]) -> list[DayRow]:
    """The statistics of a day's channels."""
    start_ms = local_day(zone, date.fromordinal(day)).start_ms
    marks = ", ".join("?" for _ in channels)
    sql = (
        f"SELECT device, quantity, {', '.join(f'day.{name}' for name in FIELDS)} FROM day"
        f" JOIN channel ON channel.id = day.channel WHERE day = ? AND day.channel IN ({marks})"
        " ORDER BY day.channel"
    )
    return [
        (start_ms, device, quantity, dict(zip(FIELDS, values, strict=True)))
        for device, quantity, *values in ask.execute(sql, (day, *channels))
    ]
