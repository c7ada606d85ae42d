"""Statistics of a span that begins or ends within a day, by the same rules as those of whole days."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from zoneinfo import ZoneInfo

from monitor.local_days import LocalDay, local_day, pieces_of
from monitor.records import HOUR_MS, DayStat, to_datetime
from monitor.store.base import StoreReader
from monitor.store.days import GAP_FLOOR_MS, DaySum
from monitor.store.steps import steps_of

BESIDE_MS = HOUR_MS
"""How far beside its day a part's neighbouring readings are looked for (our choice; readings further apart
than three usual intervals are not joined anyway)."""


def span_stats(
    reader: StoreReader, zone: ZoneInfo, quantities: Sequence[str], start_ms: int, end_ms: int
) -> list[DayStat]:
    """Statistics of [start, end), one a quantity and local day; days that it cuts count with their part.

    A whole day's come from the store's own; a part's from its readings, joined as its whole day is.
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
            stats = [stat for stat in stats if stat.day != day] + _part_stats(reader, quantities, whole, part)
        day += timedelta(days=1)
    return stats


def _part_stats(
    reader: StoreReader, quantities: Sequence[str], whole: LocalDay, part: LocalDay
) -> list[DayStat]:
    """Statistics of a part of a day from its readings, streamed.

    Where they are far apart all of the day are read: a part may hold too few to tell what is usual.
    """
    if part.end_ms <= part.start_ms:
        return []
    sums = _sums(reader, quantities, part, part, GAP_FLOOR_MS)
    sparse = [name for name in quantities if name not in sums or sums[name].hangs_on_day]
    if sparse:
        days = _sums(reader, sparse, whole, whole, BESIDE_MS)
        sums |= _sums(reader, sparse, part, whole, BESIDE_MS)
        for quantity in days.keys() & sums.keys():
            sums[quantity].joins_ms = days[quantity].gap_limit_ms()
    stats = [total.stat("", quantity, steps_of(quantity)) for quantity, total in sums.items()]
    return [stat for stat in stats if stat.covered_s or not sums[stat.quantity].is_crossed]


def _sums(
    reader: StoreReader, quantities: Sequence[str], span: LocalDay, seen: LocalDay, beside_ms: int
) -> dict[str, DaySum]:
    """Of each quantity that is known in a span its sums, from what lies in `seen` and beside that."""
    sums = {quantity: DaySum(span) for quantity in quantities}
    ahead: dict[str, tuple[int, int]] = {}
    per_unit = {quantity: steps_of(quantity) for quantity in quantities}
    for time_ms, row in reader.rows(quantities, seen.start_ms - beside_ms, seen.end_ms + beside_ms):
        for quantity, number in row.items():
            value, total = round(number * per_unit[quantity]), sums[quantity]
            if time_ms < span.start_ms:
                ahead[quantity] = time_ms, value
            elif time_ms < span.end_ms:
                if not total.count and quantity in ahead:
                    total.before(*ahead[quantity])
                total.add(time_ms, value)
            elif not total.is_ended and total.count:
                total.after(time_ms, value)
            elif not total.is_ended and quantity in ahead:
                total.cross(ahead[quantity], (time_ms, value))
    return {quantity: total for quantity, total in sums.items() if total.count}
