"""One channel's raw course: reduced to buckets, and its silences, wherever its readings stand."""

from __future__ import annotations

import sqlite3
from bisect import bisect_left
from itertools import pairwise

from monitor.store.blocks import SPAN_MS, Times, Values, held, open_columns, span_readings, stretches
from monitor.store.reduce import Part, add_up, sum_parts

ROWS_UP_TO_MS = 2 * SPAN_MS
"""So much of rows is summed here, more by SQLite (measured: half the time, but all of it in memory)."""

SPANS_HELD = 8
"""Unpacked columns that a `Course` remembers (our choice: two days' worth, some 2 MB)."""


class Course:
    """One channel's raw course inside one read transaction; remembers the columns it has unpacked."""

    def __init__(self, ask: sqlite3.Connection, channel: int) -> None:
        self._ask = ask
        self.channel = channel
        self._held: dict[int, tuple[Times, Values]] = {}

    def parts(self, start_ms: int, end_ms: int, width_ms: int, origin_ms: int) -> list[Part]:
        """Readings in [start, end) reduced to buckets counted from origin; empty ones are left out."""
        column = f"c{self.channel}"
        sql = (
            f"SELECT (time_ms - ?) / ? AS bucket, count(*), min({column}), sum({column}), max({column}),"
            " min(time_ms), max(time_ms) FROM poll"
            f" WHERE time_ms >= ? AND time_ms < ? AND {column} IS NOT NULL GROUP BY bucket ORDER BY bucket"
        )
        parts: list[Part] = []
        for from_ms, until_ms, span in stretches(self._ask, start_ms, end_ms):
            if span is None and until_ms - from_ms > ROWS_UP_TO_MS:
                found = self._ask.execute(sql, (origin_ms, width_ms, from_ms, until_ms))
                parts.extend(map(Part._make, found))
                continue
            if span is None:
                moments, columns = open_columns(self._ask, [self.channel], from_ms, until_ms)
                times, values = held(moments, columns[0])
            else:
                times, values = self._span(span)
                inside = slice(bisect_left(times, from_ms), bisect_left(times, until_ms))
                times, values = times[inside], values[inside]
            parts.extend(sum_parts(times, values, width_ms, origin_ms))
        return add_up(parts)

    def pairs(self, first_ms: int, last_ms: int, limit_ms: float) -> list[tuple[int, int]]:
        """Neighbouring readings between two readings that are further apart than a limit."""
        column = f"c{self.channel}"
        sql = (
            "SELECT former_ms, time_ms FROM (SELECT lag(time_ms) OVER (ORDER BY time_ms) AS former_ms,"
            f" time_ms FROM poll WHERE time_ms >= ? AND time_ms < ? AND {column} IS NOT NULL)"
            " WHERE former_ms IS NULL OR time_ms - former_ms > ? ORDER BY time_ms"
        )
        found: list[tuple[int, int]] = []
        reached: int | None = None
        for from_ms, until_ms, span in stretches(self._ask, first_ms, last_ms + 1):
            if span is None:
                pairs = self._ask.execute(sql, (from_ms, until_ms, limit_ms)).fetchall()
                newest = last_row_before(self._ask, self.channel, until_ms, from_ms)
            else:
                times = self._span(span)[0]
                times = times[bisect_left(times, from_ms) : bisect_left(times, until_ms)]
                pairs = [pair for pair in pairwise(times) if pair[1] - pair[0] > limit_ms]
                pairs[:0] = [(None, time_ms) for time_ms in times[:1]]
                newest = times[-1] if times else None
            for former_ms, time_ms in pairs:
                if former_ms is not None:
                    found.append((former_ms, time_ms))
                elif reached is not None and time_ms - reached > limit_ms:
                    found.append((reached, time_ms))
            reached = reached if newest is None else newest
        return found

    def _span(self, span: int) -> tuple[Times, Values]:
        if span not in self._held:
            if len(self._held) == SPANS_HELD:
                del self._held[next(iter(self._held))]
            self._held[span] = span_readings(self._ask, span, self.channel)
        return self._held[span]


def last_row_before(ask: sqlite3.Connection, channel: int, time_ms: int, not_before_ms: int) -> int | None:
    """The time of a channel's last reading in [not_before, time) that stands in a row."""
    sql = (
        f"SELECT time_ms FROM poll WHERE time_ms >= ? AND time_ms < ? AND c{channel} IS NOT NULL"
        " ORDER BY time_ms DESC LIMIT 1"
    )
    row = ask.execute(sql, (not_before_ms, time_ms)).fetchone()
    return None if row is None else int(row[0])
