"""What a mirror has not been given yet: batches of readings, and the place that is reached with each.

A `Place` says of each channel up to which time its readings were given, and how many of the notes of late
readings (`late.py`) were heard. `next_batch` gives the notes' readings first, then those after the place, in
order of time, all from one committed state; so every good reading is in exactly one batch, whatever order
they landed in. The place is the mirror's to keep.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from heapq import merge
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.store.blocks import rows_in
from monitor.store.connect import connect, told
from monitor.store.mirrored_days import all_days, days_of, ready, rows_of
from monitor.store.pack import unpack_numbers
from monitor.store.queries import ChannelRow, read_channels, zone_in
from monitor.store.schema import check
from monitor.store.steps import CODES, steps_of

NOTES_AT_ONCE = 100
"""So many notes are looked at for one batch (our choice: an import by the minute makes four a day)."""

Wanted = Callable[[str], bool]
"""Whether a mirror takes a device's readings."""

Row = tuple[int, dict[str, dict[str, float]]]
"""A time, and values by device and quantity; a code is an int."""


@dataclass(frozen=True, slots=True)
class Point:
    """What one device gave at one time: values by quantity, a code as an int.

    Of a day's statistics: of is the quantity, time_ms when the day began, values are named as in
    `mirrored_days.FIELDS`.
    """

    time_ms: int
    device: str
    values: Mapping[str, float | str]
    of: str = ""


@dataclass(frozen=True, slots=True)
class Place:
    """How far a mirror has come.

    key is the one under which the store knows the mirror: with another key the store may have forgotten
    notes, and all is given anew. heard is the last note of late readings that is finished; of the next one
    all up to within_ms was given. given is the time up to which a channel's readings were given, by (device,
    quantity). due are the days whose statistics are to be given, cut by the time zone ('' where none are
    wanted).
    """

    key: int
    heard: int = 0
    within_ms: int = -1
    given: Mapping[tuple[str, str], int] = field(default_factory=dict)
    zone: str = ""
    due: tuple[int, ...] = ()

    def of(self, channel: ChannelRow) -> int:
        """The time up to which a channel's readings were given, -1 where none was."""
        return self.given.get((channel.device, channel.quantity), -1)


def going_back(place: Place, from_ms: int) -> Place:
    """The place from which all from a time on is given once more. Days' statistics all come again."""
    given = {channel: min(time_ms, from_ms - 1) for channel, time_ms in place.given.items()}
    return replace(place, given=given, zone="")


@dataclass(frozen=True, slots=True)
class Batch:
    """Points to give, the place that is reached with them, and whether that is all there was."""

    points: list[Point]
    place: Place
    is_all: bool


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
    ask: sqlite3.Connection, place: Place, wanted: Wanted, most: int, *, with_days: bool = False
) -> Batch:
    """The next points after a place: `most` of them, or a few more of the last time.

    ask is a `snapshot`; with_days says that finished days' statistics are wanted, too.
    """
    channels = _channels(ask, wanted)
    points: list[Point] = []
    place = _not_beyond(ask, place, channels)
    zone = zone_in(ask) if with_days else None
    if zone is not None and place.zone != zone.key:
        place = replace(place, zone=zone.key, due=tuple(sorted(all_days(ask))))
    place = _hear(ask, place, channels, points, most)
    if zone is not None and points:
        place = _more_due(place, days_of(zone, (point.time_ms for point in points), beside=True))
    if len(points) >= most or _has_notes(ask, place):
        return Batch(points, place, is_all=False)
    late = len(points)
    reached_ms = _go_on(ask, place, channels, points, most)
    given = dict(place.given)
    for channel in channels:
        last_ms = channel.last.time_ms
        up_to_ms = last_ms if reached_ms is None else min(last_ms, reached_ms)
        given[channel.device, channel.quantity] = max(place.of(channel), up_to_ms)
    is_all = reached_ms is None
    if zone is not None:
        before = {(each.device, each.quantity): place.of(each) for each in channels}
        place = _more_due(place, _touched(zone, points[late:], before))
        up_to_ms = max(given.values(), default=0) if reached_ms is None else reached_ms
        for day in ready(zone, place.due, up_to_ms):
            if len(points) >= most:
                is_all = False
                break
            rows = rows_of(ask, zone, day, [channel.id for channel in channels])
            points += (Point(start_ms, device, values, of) for start_ms, device, of, values in rows)
            place = replace(place, due=tuple(each for each in place.due if each != day))
    return Batch(points, replace(place, given=given), is_all)


def _more_due(place: Place, days: set[int]) -> Place:
    return place if days <= set(place.due) else replace(place, due=tuple(sorted({*place.due, *days})))


def _touched(zone: ZoneInfo, points: Sequence[Point], before: Mapping[tuple[str, str], int]) -> set[int]:
    """The days whose statistics change by readings that follow their channels' former ones: their own, and
    those of the former ones, which may be joined with them across midnight."""
    former = {
        before[point.device, quantity]
        for point in points
        for quantity in point.values
        if before[point.device, quantity] >= 0
    }
    return days_of(zone, [*sorted(former), *(point.time_ms for point in points)])


def _channels(ask: sqlite3.Connection, wanted: Wanted) -> list[ChannelRow]:
    return [each for each in read_channels(ask) if each.good is not None and wanted(each.device)]


def _not_beyond(ask: sqlite3.Connection, place: Place, channels: Sequence[ChannelRow]) -> Place:
    """The place, no further than the store is: a backup may have been put in its place.

    What is not wanted is forgotten: notes of it pass by unheard, so if it is wanted again it is given anew.
    """
    noted = ask.execute("SELECT seq FROM sqlite_sequence WHERE name = 'late'").fetchone()
    if place.heard > (noted[0] if noted else 0):
        place = replace(place, heard=noted[0] if noted else 0, within_ms=-1)
    given = {
        (each.device, each.quantity): min(place.of(each), each.last.time_ms)
        for each in channels
        if place.of(each) >= 0
    }
    return replace(place, given=given)


def _has_notes(ask: sqlite3.Connection, place: Place) -> bool:
    return ask.execute("SELECT 1 FROM late WHERE id > ? LIMIT 1", (place.heard,)).fetchone() is not None


def _hear(
    ask: sqlite3.Connection, place: Place, channels: Sequence[ChannelRow], points: list[Point], most: int
) -> Place:
    """Add the readings that notes tell of, as far as the place is past them; the place after that."""
    by_id = {channel.id: channel for channel in channels}
    sql = "SELECT id, channels, start_ms, end_ms, times FROM late WHERE id > ? ORDER BY id LIMIT ?"
    for number, ids, start_ms, end_ms, times in ask.execute(sql, (place.heard, NOTES_AT_ONCE)).fetchall():
        there = [by_id[each] for each in json.loads(ids) if each in by_id]
        if times is None:  # replaced from here on
            back = {(c.device, c.quantity): start_ms - 1 for c in there if place.of(c) >= start_ms}
            place = replace(place, given={**place.given, **back})
        elif there:
            wanted_ms = set(unpack_numbers(times))
            from_ms = max(start_ms, place.within_ms + 1)
            for time_ms, devices in _rows(ask, there, from_ms, end_ms, [place.of(c) for c in there]):
                if time_ms in wanted_ms:
                    points += (Point(time_ms, device, values) for device, values in devices.items())
                    if len(points) >= most:
                        return replace(place, within_ms=time_ms)
        place = replace(place, heard=number, within_ms=-1)
    return place


def _go_on(
    ask: sqlite3.Connection, place: Place, channels: Sequence[ChannelRow], points: list[Point], most: int
) -> int | None:
    """Add the readings after the place; the time up to which all are there, None where that is all."""
    # a device's channels share their times, which a block is read by much faster (measured: by half)
    behind: dict[tuple[int, str], list[ChannelRow]] = {}
    for channel in channels:
        if channel.good is not None and channel.good.time_ms > place.of(channel):
            behind.setdefault((place.of(channel), channel.device), []).append(channel)
    streams = [
        _rows(
            ask,
            together,
            max(from_ms + 1, min(c.good_first_ms or 0 for c in together)),
            1 + max(c.good.time_ms for c in together if c.good is not None),
        )
        for (from_ms, _), together in behind.items()
    ]
    time_ms: int
    for time_ms, rows in groupby(merge(*streams, key=itemgetter(0)), key=itemgetter(0)):
        devices: dict[str, dict[str, float]] = {}
        for _, row in rows:
            for device, values in row.items():
                devices.setdefault(device, {}).update(values)
        points += (Point(time_ms, device, values) for device, values in devices.items())
        if len(points) >= most:
            return time_ms
    return None


def _rows(
    ask: sqlite3.Connection,
    channels: Sequence[ChannelRow],
    start_ms: int,
    end_ms: int,
    up_to_ms: Sequence[int] | None = None,
) -> Iterator[Row]:
    """The channels' good readings in [start, end), by time; up_to_ms ends each channel's at a time."""
    ends = [end_ms for _ in channels] if up_to_ms is None else [last_ms + 1 for last_ms in up_to_ms]
    columns = [
        (each.device, each.quantity, None if each.quantity in CODES else steps_of(each.quantity), end)
        for each, end in zip(channels, ends, strict=True)
    ]
    for time_ms, *steps in rows_in(ask, [c.id for c in channels], start_ms, min(end_ms, max(ends))):
        devices: dict[str, dict[str, float]] = {}
        for (device, quantity, per_unit, until_ms), value in zip(columns, steps, strict=True):
            if value is not None and time_ms < until_ms:
                kept = value if per_unit is None else value / per_unit
                devices.setdefault(device, {})[quantity] = kept
        if devices:
            yield time_ms, devices
