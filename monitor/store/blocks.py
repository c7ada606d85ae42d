"""Good readings read from where they stand: rows of `poll` and the packed blocks of spans that ended.

A good reading stands in `poll` or in one block, never in both. A span of six hours that has a block may have
rows as well: late ones, until they are packed too. A channel's column in `poll` is c<id>.
"""

from __future__ import annotations

import json
import sqlite3
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from typing import Any

from monitor.records import LATEST_MS
from monitor.store.pack import (
    Column,
    channels_in,
    join_columns,
    pack_column,
    split_columns,
    unpack_numbers,
)

SPAN_MS = 21_600_000
"""How long a block is (measured: a day's packs 1 % smaller, an hour's 6 % larger; and what a chart of the
present day must read in rows stays short)."""

Times = Sequence[int]
Values = Sequence[int]


def stretches(ask: sqlite3.Connection, start_ms: int, end_ms: int) -> list[tuple[int, int, int | None]]:
    """[start, end) cut where blocks begin and end: start, end and the span of a block or None, in order."""
    if end_ms <= start_ms:
        return []
    sql = "SELECT span FROM block WHERE span BETWEEN ? AND ? ORDER BY span"
    cut: list[tuple[int, int, int | None]] = []
    at_ms = start_ms
    for (span,) in ask.execute(sql, (start_ms // SPAN_MS, (end_ms - 1) // SPAN_MS)):
        from_ms, until_ms = max(start_ms, span * SPAN_MS), min(end_ms, (span + 1) * SPAN_MS)
        if at_ms < from_ms:
            cut.append((at_ms, from_ms, None))
        cut.append((from_ms, until_ms, span))
        at_ms = until_ms
    if at_ms < end_ms:
        cut.append((at_ms, end_ms, None))
    return cut


def read_block(ask: sqlite3.Connection, span: int, channel: int | None = None) -> dict[int, Column]:
    """The columns of a span's block by channel, all or one; none where there is no block."""
    row = ask.execute("SELECT head, body FROM block WHERE span = ?", (span,)).fetchone()
    if row is None:
        return {}
    head, body = row
    return split_columns(head, body, channel)


def open_rows(ask: sqlite3.Connection, channel: int, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
    """Time and value of a channel's readings in [start, end) that stand in rows, in order."""
    sql = (
        f"SELECT time_ms, c{channel} FROM poll WHERE time_ms >= ? AND time_ms < ? AND c{channel} IS NOT NULL"
        " ORDER BY time_ms"
    )
    return ask.execute(sql, (start_ms, end_ms)).fetchall()


def span_readings(ask: sqlite3.Connection, span: int, channel: int) -> tuple[Times, Values]:
    """A channel's readings of a span, from its block and its rows, in order of time."""
    return _with_rows(ask, span, channel, read_block(ask, span, channel).get(channel), {})


def _with_rows(
    ask: sqlite3.Connection, span: int, channel: int, packed: Column | None, clocks: dict[bytes, Times]
) -> tuple[Times, Values]:
    """clocks holds clocks that were unpacked before, so that channels of one poll share one list."""
    rows = open_rows(ask, channel, span * SPAN_MS, (span + 1) * SPAN_MS)
    if packed is None:
        return [time_ms for time_ms, _ in rows], [value for _, value in rows]
    if packed.clock not in clocks:
        clocks[packed.clock] = unpack_numbers(packed.clock)
    times, values = clocks[packed.clock], unpack_numbers(packed.values)
    if rows:
        both = sorted([*zip(times, values, strict=True), *rows])
        times, values = [time_ms for time_ms, _ in both], [value for _, value in both]
    return times, values


def open_columns(
    ask: sqlite3.Connection, channels: Sequence[int], start_ms: int, end_ms: int
) -> tuple[Times, list[list[int | None]]]:
    """Times and the channels' values (None where there is none) of the rows in [start, end), a span at most.

    As JSON, which takes a quarter of the time of a Python tuple a row.
    """
    columns = ["time_ms", *(f"c{channel}" for channel in channels)]
    grouped = ", ".join(f"json_group_array({column})" for column in columns)
    sql = (
        f"SELECT {grouped} FROM (SELECT {', '.join(columns)} FROM poll"
        " WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms)"
    )
    times, *values = map(json.loads, ask.execute(sql, (start_ms, end_ms)).fetchone())
    return times, values


def channel_runs(
    ask: sqlite3.Connection, channel: int, start_ms: int, end_ms: int
) -> Iterator[tuple[Times, Values]]:
    """Times and values of a channel's good readings in [start, end), in order, six hours at most at once."""
    for from_ms, until_ms, span in stretches(ask, start_ms, end_ms):
        if span is None:
            yield from _open_runs(ask, channel, from_ms, until_ms)
        else:
            times, values = span_readings(ask, span, channel)
            inside = slice(bisect_left(times, from_ms), bisect_left(times, until_ms))
            yield times[inside], values[inside]


def _open_runs(
    ask: sqlite3.Connection, channel: int, start_ms: int, end_ms: int
) -> Iterator[tuple[Times, Values]]:
    sql = f"SELECT min(time_ms) FROM poll WHERE time_ms >= ? AND time_ms < ? AND c{channel} IS NOT NULL"
    at_ms: int | None = start_ms
    while at_ms is not None:
        (at_ms,) = ask.execute(sql, (at_ms, end_ms)).fetchone()
        if at_ms is not None:
            until_ms = min(end_ms, (at_ms // SPAN_MS + 1) * SPAN_MS)
            moments, (column,) = open_columns(ask, [channel], at_ms, until_ms)
            yield held(moments, column)
            at_ms = until_ms


def held(moments: Times, column: Sequence[int | None]) -> tuple[Times, Values]:
    """Times and values of a column without the moments at which it has none."""
    if None not in column:
        return moments, column  # type: ignore[return-value]
    there = [(time_ms, value) for time_ms, value in zip(moments, column, strict=True) if value is not None]
    return [time_ms for time_ms, _ in there], [value for _, value in there]


def channel_readings(
    ask: sqlite3.Connection, channel: int, start_ms: int, end_ms: int
) -> tuple[Times, Values]:
    """Times and values of a channel's good readings in [start, end), in order; of a day at most."""
    times, values = list[int](), list[int]()
    for more_times, more_values in channel_runs(ask, channel, start_ms, end_ms):
        times += more_times
        values += more_values
    return times, values


def rows_in(
    ask: sqlite3.Connection, channels: Sequence[int], start_ms: int, end_ms: int
) -> Iterator[Sequence[Any]]:
    """Time and the channels' values (None where there is none) in [start, end), in order, streamed."""
    columns = ", ".join(f"c{channel}" for channel in channels)
    sql = f"SELECT time_ms, {columns} FROM poll WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms"
    for from_ms, until_ms, span in stretches(ask, start_ms, end_ms):
        if span is None:
            # not the cursor itself: who stops midway would close it after its connection, which it refuses
            yield from (row for row in ask.execute(sql, (from_ms, until_ms)))
        else:
            yield from _span_rows(ask, span, channels, from_ms, until_ms)


def _span_rows(
    ask: sqlite3.Connection, span: int, channels: Sequence[int], from_ms: int, until_ms: int
) -> Iterator[Sequence[Any]]:
    moments, columns = span_columns(ask, span, channels)
    inside = slice(bisect_left(moments, from_ms), bisect_left(moments, until_ms))
    yield from zip(moments[inside], *(column[inside] for column in columns), strict=True)


def span_columns(
    ask: sqlite3.Connection, span: int, channels: Sequence[int]
) -> tuple[Times, list[list[int | None]]]:
    """Times and the channels' values (None where there is none) of a span, from its block and its rows."""
    packed, clocks = read_block(ask, span), dict[bytes, Times]()
    if not packed:
        return open_columns(ask, channels, span * SPAN_MS, (span + 1) * SPAN_MS)
    there = [_with_rows(ask, span, channel, packed.get(channel), clocks) for channel in channels]
    moments = there[0][0]
    if any(times is not moments for times, _ in there):
        moments = sorted(set().union(*(times for times, _ in there)))
    columns: list[list[int | None]] = []
    for times, values in there:
        if times is moments:
            columns.append([*values])
        else:
            at = dict(zip(times, values, strict=True))
            columns.append([at.get(moment) for moment in moments])
    return moments, columns


def last_before(
    ask: sqlite3.Connection, channel: int, time_ms: int, not_before_ms: int = 0
) -> tuple[int, int] | None:
    """Time and value of a channel's last good reading in [not_before, time), None where there is none."""
    sql = (
        f"SELECT time_ms, c{channel} FROM poll WHERE time_ms >= ? AND time_ms < ? AND c{channel} IS NOT NULL"
        " ORDER BY time_ms DESC LIMIT 1"
    )
    row: tuple[int, int] | None = ask.execute(sql, (not_before_ms, time_ms)).fetchone()
    if row is not None:
        not_before_ms = row[0]
    sql = "SELECT head, body FROM block WHERE span BETWEEN ? AND ? ORDER BY span DESC"
    for head, body in ask.execute(sql, (not_before_ms // SPAN_MS, (time_ms - 1) // SPAN_MS)):
        if channel in channels_in(head):
            times, values = split_columns(head, body, channel)[channel].unpack()
            at = bisect_left(times, time_ms) - 1
            if at >= 0:
                return (times[at], values[at]) if times[at] >= not_before_ms else row
    return row


def first_from(
    ask: sqlite3.Connection, channel: int, time_ms: int, before_ms: int = LATEST_MS
) -> tuple[int, int] | None:
    """Time and value of a channel's first good reading in [time, before), None where there is none."""
    sql = (
        f"SELECT time_ms, c{channel} FROM poll WHERE time_ms >= ? AND time_ms < ? AND c{channel} IS NOT NULL"
        " ORDER BY time_ms LIMIT 1"
    )
    row: tuple[int, int] | None = ask.execute(sql, (time_ms, before_ms)).fetchone()
    if row is not None:
        before_ms = row[0]
    sql = "SELECT head, body FROM block WHERE span BETWEEN ? AND ? ORDER BY span"
    for head, body in ask.execute(sql, (time_ms // SPAN_MS, (before_ms - 1) // SPAN_MS)):
        if channel in channels_in(head):
            times, values = split_columns(head, body, channel)[channel].unpack()
            at = bisect_left(times, time_ms)
            if at < len(times):
                return (times[at], values[at]) if times[at] < before_ms else row
    return row


def take_out(write: sqlite3.Connection, channels: Sequence[int], start_ms: int, end_ms: int) -> None:
    """Take the channels' good readings in [start, end) out of rows and blocks."""
    for channel in channels:
        write.execute(
            f"UPDATE poll SET c{channel} = NULL WHERE time_ms >= ? AND time_ms < ?"
            f" AND c{channel} IS NOT NULL",
            (start_ms, end_ms),
        )
    for from_ms, until_ms, span in stretches(write, start_ms, end_ms):
        if span is None:
            continue
        columns = read_block(write, span)
        for channel in columns.keys() & set(channels):
            times, values = map(list, columns.pop(channel).unpack())
            cut = slice(bisect_left(times, from_ms), bisect_left(times, until_ms))
            del times[cut], values[cut]
            if times:
                columns[channel] = pack_column(times, values)
        write_block(write, span, columns)


def write_block(write: sqlite3.Connection, span: int, columns: dict[int, Column]) -> None:
    """Put a span's block in the place of the former; without columns there is none."""
    if columns:
        write.execute("INSERT OR REPLACE INTO block VALUES (?, ?, ?)", (span, *join_columns(columns)))
    else:
        write.execute("DELETE FROM block WHERE span = ?", (span,))
