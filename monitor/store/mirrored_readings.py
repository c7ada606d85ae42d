"""The readings that a mirror has to be given after a place: late ones by their notes, the others by time."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import replace
from heapq import merge
from itertools import groupby
from operator import itemgetter

from monitor.records import Reading
from monitor.store.blocks import rows_in
from monitor.store.mirrored_place import Place, Point, What
from monitor.store.pack import unpack_numbers
from monitor.store.queries import ChannelRow, flawed_readings
from monitor.store.steps import CODES, steps_of

NOTES_AT_ONCE = 100
"""So many notes are looked at for one batch (our choice: an import by the minute makes four a day)."""

Row = tuple[int, dict[str, dict[str, float]] | Point]
"""A time, and values by device and quantity, a code as an int; or a reading that is not good."""


def hear(
    ask: sqlite3.Connection,
    place: Place,
    channels: Sequence[ChannelRow],
    points: list[Point],
    replaced: list[tuple[str, int, int]],
    most: int,
) -> Place:
    """Add the readings that notes tell of, as far as the place is past them, and the devices' spans that were
    replaced; the place after that."""
    by_id = {channel.id: channel for channel in channels}
    sql = "SELECT id, channels, start_ms, end_ms, times FROM late WHERE id > ? ORDER BY id LIMIT ?"
    for number, ids, start_ms, end_ms, times in ask.execute(sql, (place.heard, NOTES_AT_ONCE)).fetchall():
        there = [by_id[each] for each in json.loads(ids) if each in by_id]
        if times is None:  # replaced from here on
            place = _back_to(place, there, start_ms)
            if start_ms < end_ms:  # and not a backup put in the store's place
                replaced += ((device, start_ms, end_ms) for device in _devices_of(ask, json.loads(ids)))
        elif there:
            wanted_ms = set(unpack_numbers(times))
            from_ms = max(start_ms, place.within_ms + 1)
            streams = [
                _good(ask, [c for c in there if c.good], from_ms, end_ms, place),
                *_flawed(ask, there, from_ms, end_ms, place),
            ]
            in_time = (row for row in merge(*streams, key=itemgetter(0)) if row[0] in wanted_ms)
            for time_ms, rows in groupby(in_time, key=itemgetter(0)):
                points += _points(time_ms, rows)
                if len(points) >= most:
                    return replace(place, within_ms=time_ms)
        place = replace(place, heard=number, within_ms=-1)
    return place


def go_on(
    ask: sqlite3.Connection, place: Place, channels: Sequence[ChannelRow], points: list[Point], most: int
) -> int | None:
    """Add the readings after the place; the time up to which all are there, None where that is all."""
    # a device's channels share their times, which a block is read by much faster (measured: by half)
    behind: dict[tuple[int, str], list[ChannelRow]] = {}
    for channel in channels:
        if channel.good is not None and channel.good.time_ms > place.of(channel):
            behind.setdefault((place.of(channel), channel.device), []).append(channel)
    streams = [
        _good(
            ask,
            together,
            max(from_ms + 1, min(c.good_first_ms or 0 for c in together)),
            1 + max(c.good.time_ms for c in together if c.good is not None),
        )
        for (from_ms, _), together in behind.items()
    ]
    if place.flawed is not None:
        for channel in channels:
            from_ms = place.flawed_of(channel) + 1
            if channel.last.time_ms >= from_ms:
                streams += _flawed(ask, [channel], from_ms, channel.last.time_ms + 1)
    for time_ms, rows in groupby(merge(*streams, key=itemgetter(0)), key=itemgetter(0)):
        points += _points(time_ms, rows)
        if len(points) >= most:
            return int(time_ms)
    return None


def moved_on(place: Place, channels: Sequence[ChannelRow], reached_ms: int | None) -> Place:
    """The place when all readings up to a time were given, or all there are."""
    given, flawed = dict(place.given), dict[tuple[str, str], int]()
    for channel in channels:
        key, last_ms = (channel.device, channel.quantity), channel.last.time_ms
        up_to_ms = last_ms if reached_ms is None else min(last_ms, reached_ms)
        flawed_ms = max(place.flawed_of(channel), up_to_ms)
        given[key] = max(place.of(channel), up_to_ms)
        if flawed_ms != given[key]:
            flawed[key] = flawed_ms
    return replace(place, given=given, flawed=None if place.flawed is None else flawed)


def _devices_of(ask: sqlite3.Connection, channels: Sequence[int]) -> list[str]:
    """The devices of channels, which may have no reading any more."""
    marks = ", ".join("?" for _ in channels)
    sql = f"SELECT DISTINCT device FROM channel WHERE id IN ({marks})"
    return [device for (device,) in ask.execute(sql, tuple(channels))]


def _back_to(place: Place, channels: Sequence[ChannelRow], start_ms: int) -> Place:
    """The place from which the channels are given anew from a time on."""
    given, flawed = dict(place.given), dict(place.flawed or {})
    for channel in channels:
        key = channel.device, channel.quantity
        if place.of(channel) >= start_ms:
            given[key] = start_ms - 1
        if key in flawed:
            flawed[key] = min(flawed[key], start_ms - 1)
    return replace(place, given=given, flawed=None if place.flawed is None else flawed)


def _points(time_ms: int, rows: Iterator[Row]) -> list[Point]:
    """What came at one time, a point a device, and one for each reading that is not good."""
    devices: dict[str, dict[str, float]] = {}
    flawed: list[Point] = []
    for _, row in rows:
        if isinstance(row, Point):
            flawed.append(row)
            continue
        for device, values in row.items():
            devices.setdefault(device, {}).update(values)
    return [*(Point(time_ms, device, values) for device, values in devices.items()), *flawed]


def _good(
    ask: sqlite3.Connection,
    channels: Sequence[ChannelRow],
    start_ms: int,
    end_ms: int,
    up_to: Place | None = None,
) -> Iterator[Row]:
    """The channels' good readings in [start, end), by time; no further than up_to, where there is one."""
    if not channels:
        return
    ends = [end_ms if up_to is None else up_to.of(channel) + 1 for channel in channels]
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


def _flawed(
    ask: sqlite3.Connection,
    channels: Sequence[ChannelRow],
    start_ms: int,
    end_ms: int,
    up_to: Place | None = None,
) -> list[Iterator[Row]]:
    """A stream for each channel of its readings in [start, end) that are not good; no further than up_to,
    and none where that place says that they are not wanted."""
    if up_to is not None and up_to.flawed is None:
        return []
    return [
        _flawed_rows(
            ask, channel, start_ms, end_ms if up_to is None else min(end_ms, up_to.flawed_of(channel) + 1)
        )
        for channel in channels
    ]


def _flawed_rows(ask: sqlite3.Connection, channel: ChannelRow, start_ms: int, end_ms: int) -> Iterator[Row]:
    for reading in flawed_readings(ask, channel, start_ms, end_ms):
        yield reading.time_ms, flawed_point(reading)


def flawed_point(reading: Reading) -> Point:
    """A reading that is not good."""
    values: dict[str, float | str] = {"quality": reading.quality.value, "reason": reading.reason}
    if reading.value is not None:
        values["value"] = reading.value
    return Point(reading.time_ms, reading.device, values, reading.quantity, What.FLAWED)
