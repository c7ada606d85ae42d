"""What a mirror has not been given yet: batches of readings, and the place that is reached with each.

A `Place` says of each channel up to which time its readings were given, and how many of the notes of late
readings (`late.py`) were heard. `next_batch` gives the notes' readings first, then those after the place, in
order of time, all from one committed state; so every good reading is in exactly one batch, whatever order
they landed in. The place is the mirror's to keep. Of the store's own tables a mirror changes three things,
all of them rare and small: its line in `mirror`, how many notes it has heard, and an event.
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

from monitor.records import Event
from monitor.store.blocks import rows_in
from monitor.store.connect import connect, told
from monitor.store.late import drop_heard
from monitor.store.pack import unpack_numbers
from monitor.store.queries import ChannelRow, read_channels
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
    """What one device gave at one time: values by quantity, a code as an int."""

    time_ms: int
    device: str
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Place:
    """How far a mirror has come.

    key is the one under which the store knows the mirror: with another key the store may have forgotten
    notes, and all is given anew. heard is the last note of late readings that is finished; of the next one
    all up to within_ms was given. given is the time up to which a channel's readings were given, by (device,
    quantity).
    """

    key: int
    heard: int = 0
    within_ms: int = -1
    given: Mapping[tuple[str, str], int] = field(default_factory=dict)

    def of(self, channel: ChannelRow) -> int:
        """The time up to which a channel's readings were given, -1 where none was."""
        return self.given.get((channel.device, channel.quantity), -1)


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


def enrol(path: Path, names: Sequence[str]) -> dict[str, int]:
    """Make these and no others the store's mirrors; the key of each. From now on late readings are noted.

    Writes only where something changes. Raises StoreError.
    """
    with closing(connect(path, read_only=True)) as ask, told(path):
        check(ask, path)
        known = dict(ask.execute("SELECT name, key FROM mirror").fetchall())
    if known.keys() == set(names):
        return known
    with _writing(path) as write:
        marks = ", ".join("?" for _ in names)
        write.execute(f"DELETE FROM mirror WHERE name NOT IN ({marks})", tuple(names))
        # any number that no earlier store or mirror of this name had
        write.executemany(
            "INSERT OR IGNORE INTO mirror VALUES (?, random(), (SELECT coalesce(max(id), 0) FROM late))",
            ((name,) for name in names),
        )
        drop_heard(write)
        return dict(write.execute("SELECT name, key FROM mirror").fetchall())


def keep_only(path: Path, names: Sequence[str]) -> None:
    """Forget the mirrors that the site file does not name any more, so that no notes are made for them.

    Writes only where there is one. Raises StoreError.
    """
    with closing(connect(path, read_only=True)) as ask, told(path):
        known = [name for (name,) in ask.execute("SELECT name FROM mirror")]
    gone = [(name,) for name in known if name not in names]
    if gone:
        with _writing(path) as write:
            write.executemany("DELETE FROM mirror WHERE name = ?", gone)
            drop_heard(write)


def note_heard(path: Path, name: str, heard: int) -> None:
    """Tell the store up to which note a mirror needs none again. Raises StoreError."""
    with _writing(path) as write:
        write.execute("UPDATE mirror SET heard = ? WHERE name = ?", (heard, name))
        drop_heard(write)


def tell(path: Path, event: Event) -> None:
    """Keep an event of a mirror; the very same one again changes nothing. Raises StoreError."""
    row = (event.time_ms, event.kind, event.subject, event.text)
    with _writing(path) as write:
        write.execute(
            "INSERT INTO event (time_ms, kind, subject, text) SELECT ?, ?, ?, ? WHERE NOT EXISTS"
            " (SELECT 1 FROM event WHERE time_ms = ? AND kind = ? AND subject = ? AND text = ?)",
            row + row,
        )


@contextmanager
def _writing(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(connect(path, read_only=False)) as write, told(path):
        check(write, path)
        write.execute("BEGIN IMMEDIATE")
        yield write
        write.execute("COMMIT")


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


def next_batch(ask: sqlite3.Connection, place: Place, wanted: Wanted, most: int) -> Batch:
    """The next points after a place: `most` of them, or a few more of the last time.

    ask is a `snapshot`.
    """
    channels = _channels(ask, wanted)
    points: list[Point] = []
    place = _not_beyond(ask, place, channels)
    place = _hear(ask, place, channels, points, most)
    if len(points) >= most or _has_notes(ask, place):
        return Batch(points, place, is_all=False)
    reached_ms = _go_on(ask, place, channels, points, most)
    given = dict(place.given)
    for channel in channels:
        last_ms = channel.last.time_ms
        up_to_ms = last_ms if reached_ms is None else min(last_ms, reached_ms)
        given[channel.device, channel.quantity] = max(place.of(channel), up_to_ms)
    return Batch(points, replace(place, given=given), is_all=reached_ms is None)


def _channels(ask: sqlite3.Connection, wanted: Wanted) -> list[ChannelRow]:
    return [each for each in read_channels(ask) if each.good is not None and wanted(each.device)]


def _not_beyond(ask: sqlite3.Connection, place: Place, channels: Sequence[ChannelRow]) -> Place:
    """The place, no further than the store is: a backup may have been put in its place."""
    noted = ask.execute("SELECT seq FROM sqlite_sequence WHERE name = 'late'").fetchone()
    if place.heard > (noted[0] if noted else 0):
        place = replace(place, heard=noted[0] if noted else 0, within_ms=-1)
    beyond = {
        (each.device, each.quantity): each.last.time_ms
        for each in channels
        if place.of(each) > each.last.time_ms
    }
    return replace(place, given={**place.given, **beyond}) if beyond else place


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
    behind: dict[int, list[ChannelRow]] = {}
    for channel in channels:
        if channel.good is not None and channel.good.time_ms > place.of(channel):
            behind.setdefault(place.of(channel), []).append(channel)
    streams = [
        _rows(
            ask,
            together,
            max(from_ms + 1, min(c.good_first_ms or 0 for c in together)),
            1 + max(c.good.time_ms for c in together if c.good is not None),
        )
        for from_ms, together in behind.items()
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
