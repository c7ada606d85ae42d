"""Times under a picture, from years to seconds, and spans in words, all in the site's local time. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from dashboard.local import clock, day_text, full_hour, present
from monitor.local_days import day_at, local_day
from monitor.records import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, to_datetime, to_ms

MOST_MARKS, MOST_LONG_MARKS = 5, 4
"""So many times fit under a picture on a phone; with seconds they are longer (our choice)."""

STEPS_MS = (
    *(count * SECOND_MS for count in (5, 10, 15, 30)),
    *(count * MINUTE_MS for count in (1, 2, 5, 10, 15, 30)),
    *(count * HOUR_MS for count in (1, 2, 3, 6, 12)),
)
"""Distances of marks within a day."""

DAY_STEPS = (1, 2, 7, 14)
MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60)

EVEN_UP_TO_MS = 15 * MINUTE_MS
"""Every zone's distance from UTC is a whole number of quarters of an hour (IANA's zones since 1972, from
memory), so that so fine a step is even in UTC and on the wall at once."""

BY_DAY_FROM_MS = 2 * HOUR_MS
"""What is known less exactly is told by its day (our choice)."""

TELL_CHANGES_DAYS = 40
"""In a longer picture an hour is too narrow to be marked (our choice)."""


def time_marks(start_ms: int, end_ms: int, zone: ZoneInfo) -> list[tuple[int, str]]:
    """(time, label) at round local times in [start, end), few enough for a phone."""
    length_ms = end_ms - start_ms
    for step_ms in STEPS_MS:
        most = MOST_LONG_MARKS if step_ms < MINUTE_MS else MOST_MARKS
        if length_ms <= most * step_ms:
            return _within_days(start_ms, end_ms, step_ms, zone)
    for days in DAY_STEPS:
        if length_ms <= MOST_MARKS * days * DAY_MS:
            return list(_of_days(start_ms, end_ms, days, zone))
    for months in MONTH_STEPS:
        if length_ms <= MOST_MARKS * months * 30.5 * DAY_MS:
            return list(_of_months(start_ms, end_ms, months, zone))
    return list(_of_months(start_ms, end_ms, MONTH_STEPS[-1], zone))


def _within_days(start_ms: int, end_ms: int, step_ms: int, zone: ZoneInfo) -> list[tuple[int, str]]:
    if step_ms <= EVEN_UP_TO_MS:
        found: Sequence[int] = range(-(-start_ms // step_ms) * step_ms, end_ms, step_ms)
    else:
        found = on_the_wall(start_ms, end_ms, step_ms, zone)
    many_days = day_at(zone, start_ms).day != day_at(zone, end_ms - 1).day
    return [(at_ms, _label(at_ms, step_ms, zone, many_days)) for at_ms in found]


def _label(at_ms: int, step_ms: int, zone: ZoneInfo, many_days: bool) -> str:
    local = to_datetime(at_ms).astimezone(zone)
    if many_days and local.time() == time():
        return day_text(local)
    return full_hour(local.hour) if step_ms >= HOUR_MS else clock(local, seconds=step_ms < MINUTE_MS)


def on_the_wall(start_ms: int, end_ms: int, step_ms: int, zone: ZoneInfo) -> list[int]:
    """The moments in [start, end) at which a local clock shows a multiple of the step, in order: one twice
    where the clocks go back, none where they skip it."""
    found = set()
    day, last = day_at(zone, start_ms).day, day_at(zone, end_ms - 1).day
    while day <= last:
        for offset_ms in range(0, DAY_MS, step_ms):
            wall = datetime.combine(day, time()) + timedelta(milliseconds=offset_ms)
            for fold in (0, 1):
                moment = wall.replace(tzinfo=zone, fold=fold).astimezone(UTC)
                if moment.astimezone(zone).replace(tzinfo=None) == wall:
                    found.add(to_ms(moment))
        day += timedelta(days=1)
    return sorted(at_ms for at_ms in found if start_ms <= at_ms < end_ms)


def _of_days(start_ms: int, end_ms: int, days: int, zone: ZoneInfo) -> Iterator[tuple[int, str]]:
    """Local midnights; of weeks the Mondays."""
    first = day_at(zone, start_ms).day
    if days % 7 == 0:
        first -= timedelta(days=first.weekday())
    for at in range(0, (end_ms - start_ms) // DAY_MS + 2 + days, days):
        day = local_day(zone, first + timedelta(days=at))
        if start_ms <= day.start_ms < end_ms:
            yield day.start_ms, day_text(day.day)


def _of_months(start_ms: int, end_ms: int, months: int, zone: ZoneInfo) -> Iterator[tuple[int, str]]:
    """First days of months, counted from a January; it carries the year."""
    month = day_at(zone, start_ms).day.year // max(1, months // 12) * max(1, months // 12) * 12
    while True:
        day = local_day(zone, date(month // 12, month % 12 + 1, 1))
        if day.start_ms >= end_ms:
            return
        if day.start_ms >= start_ms:
            yield day.start_ms, f"{day.day.year}" if day.day.month == 1 else f"{day.day:%b}"
        month += months


@lru_cache(maxsize=64)
def clock_changes(start_ms: int, end_ms: int, zone: ZoneInfo) -> tuple[tuple[int, int], ...]:
    """(moment, minutes) at which the local clocks are put forward (more than 0) or back in [start, end)."""
    if end_ms - start_ms > TELL_CHANGES_DAYS * DAY_MS:
        return ()
    found = []
    day, last = day_at(zone, start_ms), day_at(zone, end_ms - 1).day
    while day.day <= last:
        if _offset_s(day.start_ms, zone) != _offset_s(day.end_ms, zone):
            before_ms, after_ms = day.start_ms, day.end_ms
            while after_ms - before_ms > 1:
                middle_ms = (before_ms + after_ms) // 2
                if _offset_s(middle_ms, zone) == _offset_s(day.start_ms, zone):
                    before_ms = middle_ms
                else:
                    after_ms = middle_ms
            if start_ms <= after_ms < end_ms:
                shift_s = _offset_s(after_ms, zone) - _offset_s(before_ms, zone)
                found.append((after_ms, round(shift_s / 60)))
        day = local_day(zone, day.day + timedelta(days=1))
    return tuple(found)


def _offset_s(time_ms: int, zone: ZoneInfo) -> float:
    offset = to_datetime(time_ms).astimezone(zone).utcoffset()
    return 0.0 if offset is None else offset.total_seconds()


def moment_text(time_ms: int, fine_ms: int, zone: ZoneInfo, *, with_day: bool) -> str:
    """A local time no finer than it is known: '25 Nov', '07:20', '25 Nov 07:20', '07:20:15'.

    fine_ms is how exactly it is known. Where the clocks show it twice the zone's letters stand behind it.
    """
    local = to_datetime(time_ms).astimezone(zone)
    if fine_ms > BY_DAY_FROM_MS:
        return day_text(local, year=True)
    text = clock(local, seconds=fine_ms < MINUTE_MS)
    if local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset():
        text += f" {local:%Z}"
    return f"{day_text(local)} {text}" if with_day else text


def days_text(first: date, last: date) -> str:
    """Days as a heading: 'Wednesday 25 November 2026', '12 to 25 November 2026'."""
    end = day_text(last, year=True, whole=True)
    if first == last:
        return f"{last:%A} {end}"
    if (first.year, first.month) == (last.year, last.month) and present().order == "dmy":
        return f"{first.day} to {end}"
    return f"{day_text(first, year=first.year != last.year, whole=True)} to {end}"


def span_words(start_ms: int, end_ms: int, zone: ZoneInfo) -> str:
    """A span as a heading: whole days by their dates, others with the times at which they begin and end."""
    first, last = day_at(zone, start_ms), day_at(zone, end_ms - 1)
    if first.start_ms == start_ms and last.end_ms == end_ms:
        return days_text(first.day, last.day)
    fine_ms = MINUTE_MS if start_ms % MINUTE_MS == end_ms % MINUTE_MS == 0 else SECOND_MS
    begins, ends = (moment_text(edge, fine_ms, zone, with_day=False) for edge in (start_ms, end_ms))
    if first.day == last.day:
        return f"{days_text(first.day, first.day)}, {begins} to {ends}"
    last_day = to_datetime(end_ms).astimezone(zone).date()
    return f"{day_text(first.day, year=True)} {begins} to {day_text(last_day, year=True)} {ends}"
