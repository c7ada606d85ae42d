"""Which statistics a mirror has to be given, and the points that they are.

Every reading that is given makes its day due; a late one also the days beside it, whose statistics may join
with it across midnight. A due day is given, with its hours, once an hour of the next one was given, so that a
device that answers late still counts; what lands in it afterwards makes it due again. Where the mirror is
read as a store, days that still go on are given now and then, too, with those of their hours that changed.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from itertools import pairwise
from zoneinfo import ZoneInfo

from monitor.local_days import day_at, local_day
from monitor.records import HOUR_MS
from monitor.store.documents import gaps_document
from monitor.store.mirrored_place import Point, What
from monitor.store.pack import unpack_pairs
from monitor.store.queries import OPEN_DAYS, ChannelRow
from monitor.store.steps import steps_of
from monitor.store.tracks import StoredTrack

READY_AFTER_MS = HOUR_MS
"""How long after its end a day is given (our choice)."""

FIELDS = (
    "count", "minimum", "min_ms", "mean", "maximum", "first", "last", "integral_h", "positive_h",
    "negative_h", "covered_s", "first_ms", "last_ms", "limit_ms", "gaps",
)  # fmt: skip
"""What is given of a day: all of `records.DayStat`, when its first and last reading were, the longest silence
that is no gap, and its gaps as JSON."""


def all_days(ask: sqlite3.Connection) -> set[int]:
    """The numbers of all days that have statistics."""
    return {day for (day,) in ask.execute(f"SELECT day FROM day UNION SELECT day FROM {OPEN_DAYS}")}


def unsure_days(ask: sqlite3.Connection) -> set[int]:
    """The numbers of the days of an old store whose gaps the daemon has yet to look for."""
    return {day for (day,) in ask.execute("SELECT DISTINCT day FROM day WHERE gaps IS NULL")}


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


def day_points(
    ask: sqlite3.Connection, zone: ZoneInfo, day: int, channels: Sequence[ChannelRow]
) -> list[Point]:
    """The statistics of a day's channels."""
    start_ms = local_day(zone, date.fromordinal(day)).start_ms
    marks = ", ".join(f"?{place}" for place in range(2, len(channels) + 2))
    sql = " UNION ALL ".join(
        f"SELECT each.channel, device, quantity, {', '.join(f'each.{name}' for name in FIELDS)}"
        f" FROM {days} AS each JOIN channel ON channel.id = each.channel"
        f" WHERE day = ?1 AND each.channel IN ({marks})"
        for days in ("day", OPEN_DAYS)
    )
    points = []
    found = sorted(ask.execute(sql, (day, *(channel.id for channel in channels))))
    for _, device, quantity, *values in found:
        named = {name: value for name, value in zip(FIELDS, values, strict=True) if value is not None}
        if "gaps" in named:
            named["gaps"] = gaps_document(unpack_pairs(named["gaps"]))
        points.append(Point(start_ms, device, named, quantity))
    return points


def hours_of_day(zone: ZoneInfo, day: int) -> range:
    """The numbers of the hours (UTC, since 1970) that a local day touches."""
    span = local_day(zone, date.fromordinal(day))
    return range(span.start_ms // HOUR_MS, -(-span.end_ms // HOUR_MS))


def hour_points(
    ask: sqlite3.Connection, hours: Sequence[int], channels: Sequence[ChannelRow]
) -> Iterator[Point]:
    """The statistics of the channels in some hours, which come in order."""
    for channel in channels:
        per_unit, track = steps_of(channel.quantity), StoredTrack(ask, channel.id)
        for first, after in _runs(hours):
            for number, count, low, total, high in track.steps(first * HOUR_MS, after * HOUR_MS, HOUR_MS):
                values: dict[str, float | str] = {
                    "count": count,
                    "minimum": low / per_unit,
                    "mean": total / count / per_unit,
                    "maximum": high / per_unit,
                }
                yield Point(number * HOUR_MS, channel.device, values, channel.quantity, What.HOUR)


def _runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """Numbers in order as spans [first, after)."""
    if not numbers:
        return []
    breaks = [(former, latter) for former, latter in pairwise(numbers) if latter > former + 1]
    starts = (numbers[0], *(latter for _, latter in breaks))
    ends = (*(former + 1 for former, _ in breaks), numbers[-1] + 1)
    return [*zip(starts, ends, strict=True)]
