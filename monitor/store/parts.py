"""Statistics of a span that begins or ends within a day, by the same rules as those of whole days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

from monitor.local_days import LocalDay, local_day, pieces_of
from monitor.records import DayStat, to_datetime
from monitor.store.base import StoreReader
from monitor.store.days import DaySum
from monitor.store.steps import steps_of

BESIDE_MS = 3_600_000
"""How far beside a part its neighbouring readings are looked for (our choice; readings further apart than
three usual intervals are not joined anyway)."""


def span_stats(
    reader: StoreReader, zone: ZoneInfo, quantities: Sequence[str], start_ms: int, end_ms: int
) -> list[DayStat]:
    """Statistics of [start, end), one a quantity and local day; days that it cuts count with their part.

    A whole day's come from the store's own; a part's from its readings, as if the day were that long.
    """
    last_ms = (reader.span() or (0, -1))[1]
    day, last_day = to_datetime(start_ms).astimezone(zone).date(), to_datetime(end_ms).astimezone(zone).date()
    stats = [
        stat
        for first, last in pieces_of(day, last_day)
        for stat in reader.days(first, last)
        if stat.quantity in quantities
    ]
    while day <= last_day and end_ms > start_ms:
        whole = local_day(zone, day)
        ends_within = end_ms < whole.end_ms and end_ms <= last_ms
        if start_ms > whole.start_ms or ends_within:
            part = LocalDay(day, max(start_ms, whole.start_ms), min(end_ms, whole.end_ms))
            stats = [stat for stat in stats if stat.day != day] + part_stats(reader, quantities, part)
        day += timedelta(days=1)
    return stats


def part_stats(reader: StoreReader, quantities: Sequence[str], part: LocalDay) -> list[DayStat]:
    """Statistics of a part of a day from its readings, streamed."""
    if part.end_ms <= part.start_ms:
        return []
    sums = {quantity: DaySum(part) for quantity in quantities}
    ahead: dict[str, tuple[int, int]] = {}
    done: set[str] = set()
    per_unit = {quantity: steps_of(quantity) for quantity in quantities}
    for time_ms, row in reader.rows(quantities, part.start_ms - BESIDE_MS, part.end_ms + BESIDE_MS):
        for quantity, number in row.items():
            value, total = round(number * per_unit[quantity]), sums[quantity]
            if time_ms < part.start_ms:
                ahead[quantity] = (time_ms, value)
            elif time_ms < part.end_ms:
                if not total.count and quantity in ahead:
                    total.before(*ahead[quantity])
                total.add(time_ms, value)
            elif total.count and quantity not in done:
                total.after(time_ms, value)
                done.add(quantity)
    return [
        replace(total.stat("", quantity, per_unit[quantity]), day=part.day)
        for quantity, total in sums.items()
        if total.count
    ]
