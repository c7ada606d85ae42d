"""A reduced series by way of the coarsest tier that is fine enough.

Up to RAW_UP_TO_MS buckets are of exactly equal width, and the raw readings answer; but those of a whole day
that are whole steps of five minutes by themselves come from that tier. Beyond, buckets are whole
numbers of a tier's steps (local days, hours, five minutes, all counted from the step in which the span
begins), provided that this makes no bucket more than COARSER times as wide as equal ones would be. Counts,
extremes and means are exact everywhere: where the span cuts a step, and where no tier has been made yet
(today, an old store), the readings themselves are summed. The spans without readings are those that the
days' statistics keep, so that a long chart breaks where the day's energy has a hole.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple
from zoneinfo import ZoneInfo

from monitor.records import Series
from monitor.store.blocks import first_from, last_before
from monitor.store.course import Course
from monitor.store.days import day_at, local_day, zone_of
from monitor.store.pack import split_columns, unpack_pairs
from monitor.store.reduce import GAP_BUCKETS, Run, Step, bucket_width_ms, put_together, runs
from monitor.store.steps import LATEST_MS
from monitor.store.tiers import DAY_MS, FIVE_MINUTES_MS, HOUR_MS, join_steps, unpack_steps

RAW_UP_TO_MS = 26 * HOUR_MS
"""A day's chart, with an hour around it, has the edges that it asks for (our choice; 18,700 readings at 5 s
take 3 ms)."""

A_DAY_FROM_MS = 22 * HOUR_MS
"""The shortest local day has 23 hours; a shorter span tells silences of some seconds, too (our choice)."""

COARSER = 1.5
"""How much wider than equal ones a tier's buckets may be (our choice: two thirds of the points at least)."""

EPOCH = date(1970, 1, 1).toordinal()

DAYS_A_CHANNEL = 1 << 17
"""A tier's row has the number channel times this plus the day since 1970 in UTC, so that a channel's years
lie side by side."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Buckets of a whole number of steps: `length_ms` each, or local days in `zone`."""

    origin: int
    a_bucket: int
    length_ms: int
    zone: ZoneInfo | None = None

    def edges(self, bucket: int) -> tuple[int, int]:
        """Where a bucket begins and ends, in ms."""
        first = self.origin + bucket * self.a_bucket
        if self.zone is None:
            return first * self.length_ms, (first + self.a_bucket) * self.length_ms
        span = local_day(self.zone, date.fromordinal(first))
        if self.a_bucket == 1:
            return span.start_ms, span.end_ms
        return span.start_ms, local_day(self.zone, date.fromordinal(first + self.a_bucket)).start_ms


class KeptDay(NamedTuple):
    """What a row of `day` says of one channel's local day; values in the quantity's units."""

    day: int
    readings: int
    minimum: float
    mean: float
    maximum: float
    first_ms: int
    last_ms: int
    limit_ms: int
    gaps: bytes


def read_series(
    ask: sqlite3.Connection,
    quantity: str,
    per_unit: int,
    channels: Sequence[int],
    start_ms: int,
    end_ms: int,
    points: int,
) -> Series:
    """A quantity in [start, end) from its channels, best-ranked first, in at most `points` buckets."""
    courses = [Course(ask, channel) for channel in channels]
    grid = grid_of(ask, start_ms, end_ms, points)
    by_rank: list[tuple[Sequence[Step], Sequence[Run]]] = []
    if grid is not None:
        days = [_kept_days(ask, course.channel, grid, start_ms, end_ms) for course in courses]
        if all(kept is not None for kept in days):
            for course, kept in zip(courses, days, strict=True):
                if kept:
                    sums = _by_grid(ask, course, grid, kept, per_unit, start_ms, end_ms)
                    if sums:
                        by_rank.append((sums, _runs(ask, course.channel, kept, start_ms, end_ms)))
            return put_together(quantity, per_unit, grid.edges, by_rank, start_ms, end_ms)
    width_ms = bucket_width_ms(start_ms, end_ms, points)
    for course in courses:
        parts = course.parts(start_ms, end_ms, width_ms, start_ms)
        if parts:
            finer = parts
            if points < GAP_BUCKETS:
                finer_ms = bucket_width_ms(start_ms, end_ms, GAP_BUCKETS)
                finer = course.parts(start_ms, end_ms, finer_ms, start_ms)
            by_rank.append(([part[:5] for part in parts], runs(finer, course.pairs)))
    return put_together(
        quantity,
        per_unit,
        lambda bucket: (start_ms + bucket * width_ms, start_ms + (bucket + 1) * width_ms),
        by_rank,
        start_ms,
        end_ms,
    )


def grid_of(ask: sqlite3.Connection, start_ms: int, end_ms: int, points: int) -> Grid | None:
    """The coarsest grid that is fine enough, None where raw readings must answer."""
    if start_ms < 0 or end_ms > LATEST_MS:
        return None
    if end_ms - start_ms <= RAW_UP_TO_MS:
        return _even_grid(start_ms, end_ms, points)
    widest_ms = COARSER * (end_ms - start_ms) / points
    if widest_ms >= DAY_MS:
        (name,) = ask.execute("SELECT value FROM meta WHERE key = 'time_zone'").fetchone()
        zone = zone_of(name)
        first, last = (day_at(zone, time_ms).day.toordinal() for time_ms in (start_ms, end_ms - 1))
        a_bucket = -(-(last + 1 - first) // points)
        if a_bucket * DAY_MS <= widest_ms:
            return Grid(first, a_bucket, DAY_MS, zone)
    for length_ms in (HOUR_MS, FIVE_MINUTES_MS):
        first, last = start_ms // length_ms, (end_ms - 1) // length_ms
        a_bucket = -(-(last + 1 - first) // points)
        if a_bucket * length_ms <= widest_ms:
            return Grid(first, a_bucket, length_ms)
    return None


def _even_grid(start_ms: int, end_ms: int, points: int) -> Grid | None:
    """The grid of a day whose equal buckets are whole steps of five minutes, None of any other span."""
    width_ms = bucket_width_ms(start_ms, end_ms, points)
    if end_ms - start_ms < A_DAY_FROM_MS or start_ms % FIVE_MINUTES_MS or width_ms % FIVE_MINUTES_MS:
        return None
    return Grid(start_ms // FIVE_MINUTES_MS, width_ms // FIVE_MINUTES_MS, FIVE_MINUTES_MS)


def read_steps(
    ask: sqlite3.Connection, course: Course, start_ms: int, end_ms: int, length_ms: int
) -> list[Step]:
    """A channel in [start, end) in steps of a tier, in order; steps cut by the span hold what is inside."""
    first, after = -(-start_ms // length_ms), end_ms // length_ms
    steps: list[Step] = []

    def sum_raw(from_ms: int, until_ms: int) -> None:
        if from_ms < until_ms:
            steps.extend(part[:5] for part in course.parts(from_ms, until_ms, length_ms, 0))

    at_ms = start_ms
    if first < after:
        at_ms = first * length_ms
        sum_raw(start_ms, at_ms)
        for day, packed in _tier_days(ask, course.channel, at_ms, after * length_ms, length_ms):
            sum_raw(at_ms, day * DAY_MS)
            found = unpack_steps(packed)
            if found[0][0] < first or after <= found[-1][0]:
                found = [step for step in found if first <= step[0] < after]
            steps += found
            at_ms = min((day + 1) * DAY_MS, after * length_ms)
    sum_raw(at_ms, end_ms)
    return steps


def _tier_days(
    ask: sqlite3.Connection, channel: int, start_ms: int, end_ms: int, length_ms: int
) -> Iterator[tuple[int, bytes]]:
    """The days (UTC) of a span that have tiers, and their packed steps of a length."""
    ids = tier_id(channel, start_ms // DAY_MS), tier_id(channel, (end_ms - 1) // DAY_MS)
    day_of_id = f"tier.id % {DAYS_A_CHANNEL}"
    if length_ms == HOUR_MS:
        sql = f"SELECT {day_of_id}, hours FROM tier WHERE id BETWEEN ? AND ? ORDER BY id"
        yield from ask.execute(sql, ids).fetchall()
    else:
        sql = (
            "SELECT day, head, body FROM tier JOIN five_minutes"
            f" ON day = {day_of_id} WHERE tier.id BETWEEN ? AND ? ORDER BY tier.id"
        )
        for day, head, body in ask.execute(sql, ids):
            yield day, split_columns(head, body, channel)[channel].values


def tier_id(channel: int, day: int) -> int:
    """The number of a tier's row."""
    return channel * DAYS_A_CHANNEL + day


def _by_grid(
    ask: sqlite3.Connection,
    course: Course,
    grid: Grid,
    kept: Sequence[KeptDay],
    per_unit: int,
    start_ms: int,
    end_ms: int,
) -> Sequence[Step]:
    """A channel's buckets."""
    if grid.zone is None:
        steps = read_steps(ask, course, start_ms, end_ms, grid.length_ms)
        return join_steps(steps, grid.origin, grid.a_bucket)
    days: list[Step] = []
    for each in kept:
        if start_ms <= each.first_ms and each.last_ms < end_ms:
            total = round(each.mean * each.readings * per_unit)
            low, high = round(each.minimum * per_unit), round(each.maximum * per_unit)
            days.append((each.day, each.readings, low, total, high))
        else:
            span = local_day(grid.zone, date.fromordinal(each.day))
            from_ms, until_ms = max(start_ms, span.start_ms), min(end_ms, span.end_ms)
            hours = read_steps(ask, course, from_ms, until_ms, HOUR_MS)
            days.extend((each.day, *step[1:]) for step in hours)
    return join_steps(days, grid.origin, grid.a_bucket)


def _kept_days(
    ask: sqlite3.Connection, channel: int, grid: Grid, start_ms: int, end_ms: int
) -> list[KeptDay] | None:
    """The channel's local days that [start, end) touches; None where one does not know its gaps yet."""
    sql = (
        "SELECT day, count, minimum, mean, maximum, first_ms, last_ms, limit_ms, gaps FROM day"
        " WHERE channel = ? AND day BETWEEN ? AND ? ORDER BY day"
    )
    ends = EPOCH + start_ms // DAY_MS - 1, EPOCH + end_ms // DAY_MS + 1
    kept = [*map(KeptDay._make, ask.execute(sql, (channel, *ends)))]
    if any(day.gaps is None for day in kept):
        return None
    return [day for day in kept if day.first_ms < end_ms and start_ms <= day.last_ms]


def _runs(
    ask: sqlite3.Connection, channel: int, kept: Sequence[KeptDay], start_ms: int, end_ms: int
) -> list[Run]:
    """The spans [first, last reading] in [start, end) without a gap, by the days' own limits."""
    silences: list[Run] = []
    for former, day in zip([None, *kept], kept, strict=False):
        if former is not None and day.first_ms - former.last_ms > day.limit_ms:
            silences.append((former.last_ms, day.first_ms))
        if day.gaps:
            silences.extend(unpack_pairs(day.gaps))
    inside = [(last, first) for last, first in silences if start_ms <= last and first < end_ms]
    first = (
        (kept[0].first_ms,) if start_ms <= kept[0].first_ms else first_from(ask, channel, start_ms, end_ms)
    )
    last = (kept[-1].last_ms,) if kept[-1].last_ms < end_ms else last_before(ask, channel, end_ms, start_ms)
    if first is None or last is None:
        return []
    starts, ends = (first[0], *(time_ms for _, time_ms in inside)), (*(t for t, _ in inside), last[0])
    return list(zip(starts, ends, strict=True))


def drop_tiers(write: sqlite3.Connection, channel: int, start_ms: int, end_ms: int) -> None:
    """Drop a channel's tiers of the days (UTC) that [start, end) touches; they are made anew by and by."""
    ids = tier_id(channel, start_ms // DAY_MS), tier_id(channel, (end_ms - 1) // DAY_MS)
    write.execute(
        f"INSERT OR IGNORE INTO stale SELECT id % {DAYS_A_CHANNEL}, ? FROM tier WHERE id BETWEEN ? AND ?",
        (channel, *ids),
    )
    write.execute("DELETE FROM tier WHERE id BETWEEN ? AND ?", ids)
