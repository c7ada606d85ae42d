"""Statistics of a span that begins or ends within a day, by the same rules as those of whole days."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from zoneinfo import ZoneInfo

from monitor.local_days import LocalDay, local_day, pieces_of
from monitor.records import HOUR_MS, DayStat, to_datetime
from monitor.store.base import StoreReader
from monitor.store.days import DaySum
from monitor.store.steps import steps_of

BESIDE_MS = HOUR_MS
"""How far beside its day a part's neighbouring readings are looked for (our choice; readings further apart
than three usual intervals are not joined anyway)."""


def span_stats(
    reader: StoreReader, zone: ZoneInfo, quantities: Sequence[str], start_ms: int, end_ms: int
) -> list[DayStat]:
    """Statistics of [start, end), one a quantity and local day; days that it cuts count with their part.

    A whole day's come from the store's own; a part's from its readings, joined as its whole day is. A part
    without a reading has none, though a line may cross it: less than an interval is lost.
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
    """Statistics of a part of a day from the day's readings, streamed."""
    if part.end_ms <= part.start_ms:
        return []
    parts = {quantity: _Part(whole, part) for quantity in quantities}
    per_unit = {quantity: steps_of(quantity) for quantity in quantities}
    for time_ms, row in reader.rows(quantities, whole.start_ms - BESIDE_MS, whole.end_ms + BESIDE_MS):
        for quantity, number in row.items():
            parts[quantity].add(time_ms, round(number * per_unit[quantity]))
    stats = (each.stat(quantity, per_unit[quantity]) for quantity, each in parts.items())
    return [stat for stat in stats if stat is not None]


class _Part:
    """A quantity's sums in a part of a day, joined as the whole day is: a part may hold too few to tell."""

    def __init__(self, whole: LocalDay, part: LocalDay) -> None:
        self._whole, self._part = DaySum(whole), DaySum(part)
        self._ahead: tuple[int, int] | None = None
        self._is_past = False

    def add(self, time_ms: int, value: int) -> None:
        """The next reading of the day, or one beside it, in order of time."""
        whole, part = self._whole.span, self._part.span
        if whole.start_ms <= time_ms < whole.end_ms:
            self._whole.add(time_ms, value)
        if time_ms < part.start_ms:
            self._ahead = time_ms, value
        elif time_ms < part.end_ms:
            if not self._part.count and self._ahead is not None:
                self._part.before(*self._ahead)
            self._part.add(time_ms, value)
        elif self._part.count and not self._is_past:
            self._part.after(time_ms, value)
            self._is_past = True

    def stat(self, quantity: str, per_unit: int) -> DayStat | None:
        """What the part amounts to, None where it holds no reading."""
        if not self._part.count:
            return None
        self._part.joins_ms = self._whole.gap_limit_ms()
        return self._part.stat("", quantity, per_unit)
