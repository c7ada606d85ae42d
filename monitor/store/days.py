"""A local day's statistics from its readings; pure.

The integral is the trapezoid sum between neighbouring good readings. Two neighbours further apart than the
day's gap limit, max(300 s, 3 x the day's median interval; our choice), are not joined. A pair on both sides
of local midnight is cut there by linear interpolation and each part counts in its own day; a pair on both
sides of zero is split at the crossing into the parts above and below.

Values are whole steps (see `steps.py`), so that counts, sums and areas are exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from operator import add, mul, sub

from monitor.local_days import LocalDay
from monitor.records import HOUR_MS, DayStat

GAP_FLOOR_MS = 300_000
"""Readings up to five minutes apart are always joined (our choice: hand-fed and slow devices)."""

GAP_INTERVALS = 3
"""Joined are also readings up to three usual intervals apart (our choice: two lost readings are no gap)."""

CANDIDATE_MS = GAP_FLOOR_MS // GAP_INTERVALS
"""Intervals at most this long cannot lift the gap limit above its floor."""

FARTHEST_MS = GAP_INTERVALS * 25 * HOUR_MS
"""No two readings further apart are ever joined: a median interval cannot exceed the longest day."""

Numbers = tuple[int, float, int, float, float, float, float, float, float, float, float]


def gaps_of(times: Sequence[int]) -> tuple[int, list[tuple[int, int]]]:
    """A day's gap limit and the neighbours further apart, from its readings' times in order."""
    intervals = sorted(map(sub, times[1:], times))
    limit_ms = GAP_FLOOR_MS
    if intervals:
        limit_ms = max(GAP_FLOOR_MS, GAP_INTERVALS * intervals[len(intervals) // 2])
    if not intervals or intervals[-1] <= limit_ms:
        return limit_ms, []
    return limit_ms, [pair for pair in pairwise(times) if pair[1] - pair[0] > limit_ms]


@dataclass(slots=True)
class Area:
    """Twice the area between a quantity and zero, in step·ms, and the time it covers.

    Whole numbers but where a line is cut, at zero or at midnight.
    """

    above2: float = 0
    below2: float = 0
    covered_ms: int = 0

    def add(self, other: Area) -> None:
        self.above2 += other.above2
        self.below2 += other.below2
        self.covered_ms += other.covered_ms


def area_between(span_ms: int, first: float, last: float) -> Area:
    """The trapezoid between two values span_ms apart, split where the line between them crosses zero."""
    if first >= 0 and last >= 0:
        return Area((first + last) * span_ms, 0, span_ms)
    if first <= 0 and last <= 0:
        return Area(0, (first + last) * span_ms, span_ms)
    to_zero_ms = span_ms * first / (first - last)
    parts = first * to_zero_ms, last * (span_ms - to_zero_ms)
    return Area(max(parts), min(parts), span_ms)


@dataclass(slots=True)
class DaySum:
    """The running sums of one channel in one local day.

    Call `before` at most once and first, then `add` or `extend` in order of time, then `after` at most once;
    `stat` may be asked at any time. Pairs longer than the floor wait in `_long` until the day's median is
    known; where the span is a part of a day, `joins_ms` hands in the limit of the day. Whole areas are added
    up apart from cut ones, so that `extend` may take them all at once and still give the same sums to the
    last bit.
    """

    span: LocalDay
    count: int = 0
    minimum: float = 0
    min_ms: int = 0
    maximum: float = 0
    total: float = 0
    first: float = 0
    first_ms: int = 0
    last: float = 0
    last_ms: int = 0
    joins_ms: int | None = None
    is_ended: bool = False
    is_crossed: bool = False
    _joined: Area = field(default_factory=Area)
    _cut: Area = field(default_factory=Area)
    _long: list[tuple[int, Area]] = field(default_factory=list)
    _slow_intervals: list[int] = field(default_factory=list)
    _apart: list[tuple[int, int]] = field(default_factory=list)
    _ahead: tuple[int, int] | None = None

    def before(self, time_ms: int, value: int) -> None:
        """The last good reading ahead of the day."""
        self._ahead = (time_ms, value)

    def add(self, time_ms: int, value: float) -> None:
        """The next good reading of the day, in order of time."""
        if self.count:
            span_ms = time_ms - self.last_ms
            if span_ms > CANDIDATE_MS:
                self._slow_intervals.append(span_ms)
                if span_ms > GAP_FLOOR_MS:
                    self._apart.append((self.last_ms, time_ms))
            self._join(span_ms, area_between(span_ms, self.last, value))
            if value < self.minimum:
                self.minimum, self.min_ms = value, time_ms
            if value > self.maximum:
                self.maximum = value
        else:
            self.first = self.minimum = self.maximum = value
            self.min_ms = self.first_ms = time_ms
            if self._ahead is not None:
                self._join_ahead(*self._ahead, time_ms, value)
        self.count += 1
        self.total += value
        self.last, self.last_ms = value, time_ms

    def extend(self, times: Sequence[int], values: Sequence[float]) -> None:
        """The next good readings of the day, in order of time."""
        if not times:
            return
        if self.count:
            times, values = [self.last_ms, *times], [self.last, *values]
        else:
            self.add(times[0], values[0])
        low, high = min(values), max(values)
        intervals = [*map(sub, times[1:], times)]
        if low < 0 < high or (intervals and max(intervals) > CANDIDATE_MS):
            for time_ms, value in zip(times[1:], values[1:], strict=True):
                self.add(time_ms, value)
            return
        doubled = sum(map(mul, intervals, map(add, values[1:], values)))
        if low >= 0:
            self._joined.above2 += doubled
        else:
            self._joined.below2 += doubled
        self._joined.covered_ms += times[-1] - times[0]
        if low < self.minimum:
            self.minimum, self.min_ms = low, times[values.index(low)]
        if high > self.maximum:
            self.maximum = high
        self.count += len(intervals)
        self.total += sum(values) - values[0]
        self.last, self.last_ms = values[-1], times[-1]

    def after(self, time_ms: int, value: int) -> None:
        """The first good reading past the day."""
        whole_ms, inside_ms = time_ms - self.last_ms, self.span.end_ms - self.last_ms
        at_end = self.last + (value - self.last) * inside_ms / whole_ms
        self._join(whole_ms, area_between(inside_ms, self.last, at_end))
        self.is_ended = True

    def cross(self, ahead: tuple[int, int], behind: tuple[int, int]) -> None:
        """The readings on both sides of a part that holds none: it then tells of the line between them, and
        counts one, where it begins. Called once, instead of all else."""
        (ahead_ms, former), (behind_ms, latter) = ahead, behind
        slope = (latter - former) / (behind_ms - ahead_ms)
        at_start = former + slope * (self.span.start_ms - ahead_ms)
        at_end = former + slope * (self.span.end_ms - ahead_ms)
        inside_ms = self.span.end_ms - self.span.start_ms
        self.count, self.is_crossed, self.is_ended, self._ahead = 1, True, True, ahead
        self.first_ms = self.min_ms = self.last_ms = self.span.start_ms
        self.first = self.minimum = self.maximum = self.last = self.total = at_start
        self._join(behind_ms - ahead_ms, area_between(inside_ms, at_start, at_end))

    @property
    def hangs_on_day(self) -> bool:
        """Whether a part's sums may change with what is usual in its day, or with readings further off."""
        return bool(self._long) or self._ahead is None or not self.is_ended

    def gap_limit_ms(self) -> int:
        """Readings further apart than this are not joined (median: the higher one of an even number)."""
        if self.joins_ms is not None:
            return self.joins_ms
        intervals = self.count - 1
        quick = intervals - len(self._slow_intervals)
        middle = intervals // 2
        if intervals < 1 or middle < quick:
            return GAP_FLOOR_MS
        return max(GAP_FLOOR_MS, GAP_INTERVALS * sorted(self._slow_intervals)[middle - quick])

    def gaps(self) -> list[tuple[int, int]]:
        """The day's neighbouring readings that are not joined."""
        if not self._apart:
            return []
        limit_ms = self.gap_limit_ms()
        return [(former, latter) for former, latter in self._apart if latter - former > limit_ms]

    def stat(self, device: str, quantity: str, per_unit: int) -> DayStat:
        """What the day amounts to, in units. The day must hold a reading."""
        return DayStat(self.span.day, device, quantity, *self.numbers(per_unit))

    def numbers(self, per_unit: int) -> Numbers:
        """The numbers of a DayStat in their order, from the count on."""
        area = self.area()
        to_hours = 1 / (2 * per_unit * HOUR_MS)
        positive_h, negative_h = area.above2 * to_hours, area.below2 * to_hours
        return (
            self.count,
            self.minimum / per_unit,
            self.min_ms,
            self.total / self.count / per_unit,
            self.maximum / per_unit,
            self.first / per_unit,
            self.last / per_unit,
            positive_h + negative_h,
            positive_h,
            negative_h,
            area.covered_ms / 1000,
        )

    def area(self) -> Area:
        """All that is joined of the day."""
        joined, cut = self._joined, self._cut
        area = Area(
            joined.above2 + cut.above2, joined.below2 + cut.below2, joined.covered_ms + cut.covered_ms
        )
        if self._long:
            limit_ms = self.gap_limit_ms()
            for span_ms, part in self._long:
                if span_ms <= limit_ms:
                    area.add(part)
        return area

    def _join(self, span_ms: int, area: Area) -> None:
        if span_ms > GAP_FLOOR_MS:
            self._long.append((span_ms, area))
        elif isinstance(area.above2, int) and isinstance(area.below2, int):
            self._joined.add(area)
        else:
            self._cut.add(area)

    def _join_ahead(self, ahead_ms: int, ahead: int, time_ms: int, value: float) -> None:
        """Join the day's first reading with the one ahead of the day, from midnight on."""
        whole_ms, inside_ms = time_ms - ahead_ms, time_ms - self.span.start_ms
        at_start = value + (ahead - value) * inside_ms / whole_ms
        self._join(whole_ms, area_between(inside_ms, at_start, value))
