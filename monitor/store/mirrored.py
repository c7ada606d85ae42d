"""What a mirror has not been given yet: batches of readings, and the place that is reached with each.

A `Place` says of each channel up to which time its readings were given, and how many of the notes of late
readings (`late.py`) were heard. `next_batch` gives the notes' readings first, then those after the place, in
order of time, all from one committed state; so every reading is in exactly one batch, whatever order they
landed in. Statistics follow the readings that they are made of. The place is the mirror's to keep.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.local_days import day_at
from monitor.records import HOUR_MS
from monitor.store.connect import connect, told
from monitor.store.mirrored_days import (
    all_days,
    day_points,
    days_of,
    hour_points,
    hours_of_day,
    ready,
    unsure_days,
)
from monitor.store.mirrored_place import Batch, Gone, Place, Point, Wanted, What
from monitor.store.mirrored_readings import go_on, hear, moved_on
from monitor.store.queries import ChannelRow, read_channels, zone_in
from monitor.store.schema import check
from monitor.store.steps import CODES

FORM = 2
"""The form of the statistics that are given; with a higher one all are given anew."""


@contextmanager
def snapshot(path: Path) -> Iterator[sqlite3.Connection]:
    """One committed state of a store, to ask several things of. Raises StoreError."""
    with closing(connect(path, read_only=True)) as ask, told(path):
        check(ask, path)
        ask.execute("BEGIN")
        yield ask


def newest_points(ask: sqlite3.Connection, wanted: Wanted) -> list[Point]:
    """The newest good reading of each channel, those of one device and time together, in order of time."""
    values: dict[tuple[int, str], dict[str, float]] = {}
    for channel in _channels(ask, wanted):
        if channel.good is None or channel.good.value is None:
            continue
        value = channel.good.value
        kept = int(value) if channel.quantity in CODES else value
        values.setdefault((channel.good.time_ms, channel.device), {})[channel.quantity] = kept
    return [Point(time_ms, device, values[time_ms, device]) for time_ms, device in sorted(values)]


def oldest_waiting(ask: sqlite3.Connection, place: Place, wanted: Wanted) -> int | None:
    """A time before which nothing waits to be given (late readings aside), None where nothing waits."""
    waits = [
        max(place.of(channel), (channel.good_first_ms or 0) - 1)
        for channel in _channels(ask, wanted)
        if channel.good is not None and channel.good.time_ms > place.of(channel)
    ]
    return min(waits) + 1 if waits else None


def next_batch(
    ask: sqlite3.Connection,
    place: Place,
    wanted: Wanted,
    most: int,
    *,
    with_days: bool = False,
    with_all: bool = False,
    with_running: bool = False,
) -> Batch:
    """The next points after a place: `most` of them, or a few more of the last time.

    ask is a `snapshot`; with_days says that finished days' statistics are wanted, too; with_all everything
    that a reader of the copy needs: readings that are not good, and statistics of days and hours, with
    with_running those that still go on.
    """
    channels = _channels(ask, wanted, with_flawed=with_all)
    points: list[Point] = []
    place = _not_beyond(ask, place, channels, with_flawed=with_all)
    zone = zone_in(ask) if with_days or with_all else None
    if zone is not None:
        place = _cut_anew(ask, place, zone, f"{zone.key} {FORM}{' hours' if with_all else ''}")
    replaced: list[tuple[str, int, int]] = []
    place = hear(ask, place, channels, points, replaced, most)
    gone: tuple[Gone, ...] = ()
    if zone is not None:
        gone = tuple(_gone(zone, *each) for each in replaced if with_all and wanted(each[0]))
        place = _more_due(place, *_of_gone(zone, gone))
        place = _more_due(place, days_of(zone, _times(points), beside=True), _hours_of(points))
    if len(points) >= most or _has_notes(ask, place):
        return Batch(points, place, is_all=False, gone=gone)
    late = len(points)
    reached_ms = go_on(ask, place, channels, points, most)
    before, place = place, moved_on(place, channels, reached_ms)
    is_all = reached_ms is None
    if zone is not None:
        former = {(each.device, each.quantity): before.of(each) for each in channels}
        place = _more_due(place, _touched(zone, points[late:], former), _hours_of(points[late:]))
        up_to_ms = max(place.given.values(), default=0) if reached_ms is None else reached_ms
        place, is_done = _finished(ask, place, zone, channels, points, most, up_to_ms, with_all)
        is_all = is_all and is_done
        if with_running and is_all:
            place = _running(ask, place, zone, channels, points)
    return Batch(points, place, is_all, gone)


def _gone(zone: ZoneInfo, device: str, start_ms: int, end_ms: int) -> Gone:
    days = day_at(zone, start_ms).start_ms, day_at(zone, end_ms - 1).end_ms
    return Gone(device, start_ms, end_ms, *days)


def _of_gone(zone: ZoneInfo, gone: Sequence[Gone]) -> tuple[set[int], set[int]]:
    """The days, those beside them, and the hours that have to be given anew after something was taken out."""
    days: set[int] = set()
    for each in gone:
        first, last = (day_at(zone, time_ms).day.toordinal() for time_ms in (each.start_ms, each.end_ms - 1))
        days.update(range(first - 1, last + 2))
    return days, {time_ms // HOUR_MS for each in gone for time_ms in (each.start_ms, each.end_ms - 1)}


def _cut_anew(ask: sqlite3.Connection, place: Place, zone: ZoneInfo, cut: str) -> Place:
    """The place with all days due where they were given in another form; of those that go on, all hours."""
    if place.cut == cut:
        return place
    due, up_to_ms = all_days(ask), max(place.given.values(), default=-1)
    begun = {day for day in due if hours_of_day(zone, day)[0] * HOUR_MS <= up_to_ms}
    going_on = begun.difference(ready(zone, begun, up_to_ms))
    hours = {hour for day in going_on for hour in hours_of_day(zone, day)}
    return replace(place, cut=cut, due=tuple(sorted(due)), hours=tuple(sorted(hours)))


def _times(points: Sequence[Point]) -> Iterator[int]:
    """The times of good readings."""
    return (point.time_ms for point in points if point.what is not What.FLAWED)


def _hours_of(points: Sequence[Point]) -> set[int]:
    """The hours in which good readings lie."""
    return {time_ms // HOUR_MS for time_ms in _times(points)}


def _more_due(place: Place, days: set[int], hours: set[int]) -> Place:
    due = place.due if days <= set(place.due) else tuple(sorted({*place.due, *days}))
    if hours <= set(place.hours):
        return place if due is place.due else replace(place, due=due)
    return replace(place, due=due, hours=tuple(sorted({*place.hours, *hours})))


def _touched(zone: ZoneInfo, points: Sequence[Point], before: Mapping[tuple[str, str], int]) -> set[int]:
    """The days whose statistics change by readings that follow their channels' former ones: their own, and
    those of the former ones, which may be joined with them across midnight."""
    former = {
        before[point.device, quantity]
        for point in points
        if point.what is not What.FLAWED
        for quantity in point.values
        if before[point.device, quantity] >= 0
    }
    return days_of(zone, [*sorted(former), *_times(points)])


def _finished(
    ask: sqlite3.Connection,
    place: Place,
    zone: ZoneInfo,
    channels: Sequence[ChannelRow],
    points: list[Point],
    most: int,
    up_to_ms: int,
    with_hours: bool,
) -> tuple[Place, bool]:
    """Add the due days that have ended, as far as there is room; the place then, and whether that is all.

    A day of an old store waits until the daemon has found its gaps, which it does by and by.
    """
    found = ready(zone, place.due, up_to_ms)
    if not found:
        return place, True
    unsure = unsure_days(ask)
    for day in found:
        hours = hours_of_day(zone, day)
        if day not in unsure:
            if len(points) >= most:
                return place, False
            points += day_points(ask, zone, day, channels)
            if with_hours:
                points += hour_points(ask, hours, channels)
            place = replace(place, due=tuple(each for each in place.due if each != day))
        place = replace(place, hours=tuple(each for each in place.hours if each not in hours))
    return place, True


def _running(
    ask: sqlite3.Connection,
    place: Place,
    zone: ZoneInfo,
    channels: Sequence[ChannelRow],
    points: list[Point],
) -> Place:
    """Add the statistics, so far, of days that go on, where a reading came since these were last given."""
    if not place.hours:
        return place
    for day in sorted({*place.due} - unsure_days(ask)):
        points += day_points(ask, zone, day, channels)
    points += hour_points(ask, place.hours, channels)
    return replace(place, hours=())


def _channels(ask: sqlite3.Connection, wanted: Wanted, *, with_flawed: bool = False) -> list[ChannelRow]:
    """The wanted channels that have a good reading, or any."""
    return [each for each in read_channels(ask) if (with_flawed or each.good) and wanted(each.device)]


def _not_beyond(
    ask: sqlite3.Connection, place: Place, channels: Sequence[ChannelRow], *, with_flawed: bool
) -> Place:
    """The place, no further than the store is: a backup may have been put in its place.

    What is not wanted is forgotten: notes of it pass by unheard, so if it is wanted again it is given anew.
    """
    noted = ask.execute("SELECT seq FROM sqlite_sequence WHERE name = 'late'").fetchone()
    if place.heard > (noted[0] if noted else 0):
        place = replace(place, heard=noted[0] if noted else 0, within_ms=-1)
    given, flawed = dict[tuple[str, str], int](), dict[tuple[str, str], int]()
    for each in channels:
        key, up_to_ms = (each.device, each.quantity), min(place.of(each), each.last.time_ms)
        flawed_ms = -1 if place.flawed is None else min(place.flawed_of(each), each.last.time_ms)
        if up_to_ms >= 0:
            given[key] = up_to_ms
        if flawed_ms != up_to_ms:
            flawed[key] = flawed_ms
    return replace(place, given=given, flawed=flawed if with_flawed else None)


def _has_notes(ask: sqlite3.Connection, place: Place) -> bool:
    return ask.execute("SELECT 1 FROM late WHERE id > ? LIMIT 1", (place.heard,)).fetchone() is not None
