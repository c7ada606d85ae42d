"""A channel (a device's quantity) while it is written: its ends, its last day, and what stands of it.

Functions that ask or write take the connection, which is inside the landing's transaction.
"""

from __future__ import annotations

import sqlite3
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from monitor.local_days import LocalDay, day_at
from monitor.records import Quality, Reading
from monitor.store.blocks import SPAN_MS, Times, Values, channel_runs, first_from, last_before, read_block
from monitor.store.days import FARTHEST_MS, DaySum
from monitor.store.pack import Column, pack_pairs, unpack_numbers
from monitor.store.queries import DAYS, ENDS, OPEN_DAYS
from monitor.store.schema import CHANNEL
from monitor.store.steps import steps_of


@dataclass(slots=True)
class Channel:
    """A device's quantity while it is written: its newest readings and the running sums of its last day.

    coming_ms and coming are times and values of those good readings of a commit that follow the newest;
    open_day is the number of the day whose statistics stand in `now`, summed the day itself where these have
    changed; first_changed tells that the time of a first reading has changed.
    """

    id: int
    device: str
    quantity: str
    per_unit: int
    first_ms: int | None = None
    last: Reading | None = None
    last_ms: int = -1
    good_first_ms: int | None = None
    good_ms: int = -1
    good_steps: int = 0
    day: DaySum | None = None
    open_day: int | None = None
    summed: DaySum | None = None
    changed: bool = False
    first_changed: bool = False
    coming_ms: list[int] = field(default_factory=list)
    coming: list[int] = field(default_factory=list)


def open_channel(write: sqlite3.Connection, zone: ZoneInfo, device: str, quantity: str) -> Channel:
    """The channel as the table has it, or a new one with its column."""
    per_unit = steps_of(quantity)
    sql = f"{ENDS} WHERE device = ? AND quantity = ?"
    row = write.execute(sql, (device, quantity)).fetchone()
    if row is None:
        cursor = write.execute("INSERT INTO channel (device, quantity) VALUES (?, ?)", (device, quantity))
        channel = Channel(int(cursor.lastrowid or 0), device, quantity, per_unit)
        write.execute("INSERT INTO now (kind, name) VALUES (?, ?)", (CHANNEL, channel.id))
        write.execute(f"ALTER TABLE poll ADD COLUMN c{channel.id} INTEGER")
    else:
        (
            number, _, _, first_ms, last_ms, value, quality, reason,
            good_first_ms, good_ms, good_value, open_day,
        ) = row  # fmt: skip
        channel = Channel(number, device, quantity, per_unit, first_ms, good_first_ms=good_first_ms)
        channel.open_day = open_day
        if last_ms is not None:
            channel.last_ms = last_ms
            channel.last = Reading(last_ms, device, quantity, value, Quality(quality), reason)
        if good_ms is not None:
            channel.good_ms, channel.good_steps = good_ms, round(good_value * per_unit)
            channel.day = sum_up(write, channel, day_at(zone, good_ms))
    return channel


def sum_up(write: sqlite3.Connection, channel: Channel, span: LocalDay) -> DaySum:
    """The sums of a channel's day from its rows and its neighbours."""
    day = DaySum(span)
    before, after = good_before(write, channel, span.start_ms), good_after(write, channel, span.end_ms)
    if before is not None:
        day.before(*before)
    for times, values in channel_runs(write, channel.id, span.start_ms, span.end_ms):
        day.extend(times, values)
    if after is not None:
        day.after(*after)
    return day


WRITE_DAY = "INSERT OR REPLACE INTO day VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"


def write_days(write: sqlite3.Connection, sums: Iterable[tuple[Channel, DaySum]]) -> None:
    """Write days' statistics into `day`; those of a channel's newest good reading go with its ends.

    Comes before `write_channels`, since a day that is closed takes its last reading from the former ends.
    """
    closed: list[tuple[int | float | bytes, ...]] = []
    for channel, day in sums:
        if channel.day is not None and channel.day.span == day.span:
            channel.changed, channel.summed = True, day
            number = day.span.day.toordinal()
            if channel.open_day != number:
                close_day(write, channel.id)
                write.execute("DELETE FROM day WHERE channel = ? AND day = ?", (channel.id, number))
                channel.open_day = number
        else:
            closed.append(day_row(channel, day))
    write.executemany(WRITE_DAY, closed)


def close_day(write: sqlite3.Connection, channel: int) -> None:
    """Let the statistics of a channel's open day stand in `day`."""
    write.execute(f"INSERT OR REPLACE INTO day SELECT {DAYS} FROM {OPEN_DAYS} WHERE channel = ?", (channel,))
    drop_open_day(write, channel)


def drop_open_day(write: sqlite3.Connection, channel: int) -> None:
    """Let `now` have no statistics of a channel."""
    write.execute("UPDATE now SET day = NULL WHERE kind = ? AND name = ?", (CHANNEL, channel))


def day_row(channel: Channel, day: DaySum) -> tuple[int | float | bytes, ...]:
    """A day as its row; the day must hold a reading."""
    return (
        day.span.day.toordinal(),
        channel.id,
        *day.numbers(channel.per_unit),
        day.first_ms,
        day.last_ms,
        day.gap_limit_ms(),
        _packed_gaps(day),
    )


def open_day_row(day: DaySum) -> tuple[int | float | bytes, ...]:
    """An open day as WRITE_ALL takes it; the day must hold a reading."""
    area = day.area()
    return (
        day.span.day.toordinal(),
        day.count,
        day.minimum,
        day.min_ms,
        float(day.total),
        day.maximum,
        day.first,
        float(area.above2),
        float(area.below2),
        area.covered_ms,
        day.first_ms,
        day.gap_limit_ms(),
        _packed_gaps(day),
    )


def _packed_gaps(day: DaySum) -> bytes:
    gaps = day.gaps()
    return pack_pairs(gaps) if gaps else b""


def good_before(write: sqlite3.Connection, channel: Channel, time_ms: int) -> tuple[int, int] | None:
    """The last good reading before a time, if near enough ever to be joined."""
    return last_before(write, channel.id, time_ms, time_ms - FARTHEST_MS)


def good_after(write: sqlite3.Connection, channel: Channel, time_ms: int) -> tuple[int, int] | None:
    """The first good reading at or after a time, if near enough ever to be joined."""
    return first_from(write, channel.id, time_ms, time_ms + FARTHEST_MS)


class Standing:
    """What stands under one time after another.

    Remembers what it has unpacked of the last span's block, since late readings come in order of time, and by
    thousands where a table is imported once more; no block may be changed meanwhile.
    """

    def __init__(self, write: sqlite3.Connection) -> None:
        self._write = write
        self._span = -1
        self._packed: dict[int, Column] = {}
        self._unpacked: dict[int, tuple[Times, Values]] = {}
        self._clocks: dict[bytes, Times] = {}

    def at(self, channel: Channel, time_ms: int) -> Reading | None:
        """The channel's reading that stands under this time, if any."""
        steps = self._steps(channel.id, time_ms)
        if steps is not None:
            return Reading(time_ms, channel.device, channel.quantity, steps / channel.per_unit)
        sql = (
            "SELECT value, quality, text FROM flawed JOIN reason ON reason.id = flawed.reason"
            " WHERE channel = ? AND time_ms = ?"
        )
        row = self._write.execute(sql, (channel.id, time_ms)).fetchone()
        if row is None:
            return None
        value, quality, reason = row
        return Reading(time_ms, channel.device, channel.quantity, value, Quality(quality), reason)

    def _steps(self, channel: int, time_ms: int) -> int | None:
        """The good value, from its row or its block."""
        row = self._write.execute(f"SELECT c{channel} FROM poll WHERE time_ms = ?", (time_ms,)).fetchone()
        if row is not None and row[0] is not None:
            return int(row[0])
        times, values = self._column(time_ms // SPAN_MS, channel)
        at = bisect_left(times, time_ms)
        return values[at] if at < len(times) and times[at] == time_ms else None

    def _column(self, span: int, channel: int) -> tuple[Times, Values]:
        if span != self._span:
            self._span, self._packed = span, read_block(self._write, span)
            self._unpacked, self._clocks = {}, {}
        if channel not in self._unpacked:
            column = self._packed.get(channel)
            self._unpacked[channel] = ([], []) if column is None else self._unpack(column)
        return self._unpacked[channel]

    def _unpack(self, column: Column) -> tuple[Times, Values]:
        # channels of one poll share one list of times
        if column.clock not in self._clocks:
            self._clocks[column.clock] = unpack_numbers(column.clock)
        return self._clocks[column.clock], unpack_numbers(column.values)


ENDS_SET = (
    "per_unit = ?, good_ms = ?, good = ?, last_ms = ?, last_value = ?, last_quality = ?, last_reason = ?"
)

DAY_SET = (
    "day = ?, count = ?, minimum = ?, min_ms = ?, total = ?, maximum = ?, first = ?, above2 = ?, below2 = ?,"
    " covered_ms = ?, first_ms = ?, limit_ms = ?, gaps = ?"
)

WRITE_ENDS = f"UPDATE now SET {ENDS_SET} WHERE kind = {CHANNEL} AND name = ?"
WRITE_ALL = f"UPDATE now SET {ENDS_SET}, {DAY_SET} WHERE kind = {CHANNEL} AND name = ?"


def write_channels(write: sqlite3.Connection, channels: Iterable[Channel]) -> None:
    """Write the ends of those channels that changed, and their open days."""
    changed = [channel for channel in channels if channel.changed]
    write.executemany(
        WRITE_ALL,
        ((*_ends_row(c), *open_day_row(c.summed), c.id) for c in changed if c.summed is not None),
    )
    write.executemany(WRITE_ENDS, ((*_ends_row(c), c.id) for c in changed if c.summed is None))
    write.executemany(
        "UPDATE channel SET first_ms = ?, good_first_ms = ? WHERE id = ?",
        ((each.first_ms, each.good_first_ms, each.id) for each in changed if each.first_changed),
    )
    for channel in changed:
        channel.changed = channel.first_changed = False
        channel.summed = None


def _ends_row(channel: Channel) -> tuple[int | float | str | None, ...]:
    last = channel.last
    good = (channel.good_ms, channel.good_steps) if channel.good_ms >= 0 else (None, None)
    if last is None or last.quality is Quality.GOOD:
        return channel.per_unit, *good, None, None, None, None
    return channel.per_unit, *good, last.time_ms, last.value, last.quality.value, last.reason
