"""The writer's work behind the readings: ended spans into blocks, ended days into tiers, a piece a commit.

Each commit does a bounded piece, so that none is slow on a small computer, and what a piece has made waits in
memory until its span or day is whole; then it is written in one go with that commit. Whatever ends the
process before loses nothing but the work. Rows that come into what waits make it start again.

An old store, or one into which years were imported, is packed the same way, from its oldest rows on.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from datetime import date
from zoneinfo import ZoneInfo

from monitor.local_days import LocalDay, local_day
from monitor.records import DAY_MS, HOUR_MS
from monitor.store.blocks import SPAN_MS, channel_readings, held, read_block, span_columns, write_block
from monitor.store.days import gaps_of
from monitor.store.pack import Column, join_columns, pack_numbers, pack_pairs, split_columns
from monitor.store.tiers import FIVE_MINUTES_MS, join_steps, pack_steps, sum_steps
from monitor.store.tracks import EPOCH, tier_id

SETTLED_MS = 900_000
"""A span is packed when readings a quarter of an hour past its end come (our choice: estimates and slow
devices have come by then; what comes later is packed once more)."""

AT_ONCE = 20_000
"""Readings that one commit packs, at least (our choice: some 25 ms on a desktop, a fifth of a second on the
slowest Pi; a day of twenty channels at 5 s is done after twenty commits; an old store's backlog takes five to
six days a stored year, by calculation, with 21 channels at 5 s and a commit a minute)."""

A_NEW_ONE = 3
"""Readings packed for each that lands (our choice: an import leaves no heap of rows behind)."""

TOGETHER = 4
"""Channels of a span that are read together (our choice: a megabyte at 5 s)."""

LEAST = 200
"""What a piece counts at least, for its questions (our choice)."""


class Packer:
    """Packs inside the writer's transactions. Its memory is one span or day."""

    def __init__(self, write: sqlite3.Connection, zone: ZoneInfo) -> None:
        self._write = write
        self._zone = zone
        self._job: _Span | _Day | _Gaps | None = None
        self._touched: set[int] = set()

    def forget(self) -> None:
        """Drop what waits: somebody else wrote, rows were taken out, or the transaction failed."""
        self._job = None

    def rows_come(self, rows: dict[int, list[tuple[int, int]]]) -> None:
        """Good readings (by time: channel and value) are about to land: their days' tiers no longer hold."""
        if not rows:
            return
        self._touched.update(time_ms // SPAN_MS for time_ms in rows)
        job = self._job
        if job is not None and any(job.start_ms <= time_ms < job.end_ms for time_ms in rows):
            self._job = None
        (newest,) = self._write.execute("SELECT max(day) FROM five_minutes").fetchone()
        if newest is not None and min(rows) // DAY_MS <= newest:
            touched = {
                (time_ms // DAY_MS, channel)
                for time_ms, values in rows.items()
                if time_ms // DAY_MS <= newest
                for channel, _ in values
            }
            self._drop_tiers(touched)

    def _drop_tiers(self, touched: Iterable[tuple[int, int]]) -> None:
        for day, channel in touched:
            cursor = self._write.execute("DELETE FROM tier WHERE id = ?", (tier_id(channel, day),))
            if cursor.rowcount:
                self._write.execute("INSERT OR IGNORE INTO stale VALUES (?, ?)", (day, channel))

    def work(self, present_ms: int, landed: int) -> bool:
        """Do a commit's piece of the work; whether more may be due.

        present_ms is the time of the newest reading that came with the commit.
        """
        left, settled_ms = max(AT_ONCE, A_NEW_ONE * landed), present_ms - SETTLED_MS
        touched, self._touched = self._touched, set()
        while left > 0:
            if self._job is None:
                self._job = self._next_job(settled_ms, touched)
            if self._job is None:
                return False
            left -= max(LEAST, self._job.go_on(self._write))
            if self._job.done:
                self._job = None
        return True

    def _next_job(self, settled_ms: int, touched: set[int]) -> _Span | _Day | _Gaps | None:
        """A day whose tiers are to be made, a packed day that does not know its gaps, the oldest span.

        What this commit has touched waits: a device that is read a day late would have the same span packed
        every minute, and the card written for nothing.
        """
        row = self._write.execute("SELECT day FROM stale ORDER BY day LIMIT 1").fetchone()
        if row is not None and (row[0] + 1) * DAY_MS <= settled_ms:
            spans = range(row[0] * DAY_MS // SPAN_MS, (row[0] + 1) * DAY_MS // SPAN_MS)
            if touched.isdisjoint(spans):
                return _Day(self._write, row[0])
        (oldest_ms,) = self._write.execute("SELECT min(time_ms) FROM poll").fetchone()
        until_ms = settled_ms if oldest_ms is None else min(oldest_ms, settled_ms)
        sql = "SELECT day, channel FROM day WHERE gaps IS NULL AND day < ? ORDER BY day LIMIT 1"
        row = self._write.execute(sql, (EPOCH + until_ms // DAY_MS,)).fetchone()
        if row is not None:
            return _Gaps(local_day(self._zone, date.fromordinal(row[0])), row[1])
        if oldest_ms is None or oldest_ms // SPAN_MS in touched:
            return None
        if (oldest_ms // SPAN_MS + 1) * SPAN_MS <= settled_ms:
            return _Span(self._write, oldest_ms // SPAN_MS)
        return None


class _Gaps:
    """One channel's local day, of a store from before days knew where their gaps are."""

    def __init__(self, span: LocalDay, channel: int) -> None:
        self.start_ms, self.end_ms = span.start_ms, span.end_ms
        self._key = channel, span.day.toordinal()
        self.done = False

    def go_on(self, write: sqlite3.Connection) -> int:
        """Look for them; what that costs in readings packed."""
        times, _ = channel_readings(write, self._key[0], self.start_ms, self.end_ms)
        if times:
            limit_ms, gaps = gaps_of(times)
            write.execute(
                "UPDATE day SET first_ms = ?, last_ms = ?, limit_ms = ?, gaps = ?"
                " WHERE channel = ? AND day = ?",
                (times[0], times[-1], limit_ms, pack_pairs(gaps), *self._key),
            )
        else:
            write.execute("DELETE FROM day WHERE channel = ? AND day = ?", self._key)
        self.done = True
        return len(times) // 4


class _Span:
    """One span of rows on its way into its block."""

    def __init__(self, write: sqlite3.Connection, span: int) -> None:
        self.span = span
        self.start_ms, self.end_ms = span * SPAN_MS, (span + 1) * SPAN_MS
        self.done = False
        self._packed: dict[int, Column] = {}
        channels = [number for (number,) in write.execute("SELECT id FROM channel ORDER BY id")]
        counts = ", ".join(f"count(c{channel})" for channel in channels)
        sql = f"SELECT {counts} FROM poll WHERE time_ms >= ? AND time_ms < ?"
        found = write.execute(sql, (self.start_ms, self.end_ms)).fetchone()
        self._left = [channel for channel, count in zip(channels, found, strict=True) if count]

    def go_on(self, write: sqlite3.Connection) -> int:
        """Pack some channels, or write the block when all are packed; how many readings that took."""
        if self._left:
            channels, self._left = self._left[:TOGETHER], self._left[TOGETHER:]
            return self._pack(write, channels)
        columns = read_block(write, self.span) | self._packed
        write_block(write, self.span, dict(sorted(columns.items())))
        cursor = write.execute(
            "DELETE FROM poll WHERE time_ms >= ? AND time_ms < ?", (self.start_ms, self.end_ms)
        )
        day = self.start_ms // DAY_MS
        write.executemany(
            "INSERT OR IGNORE INTO stale SELECT ?1, ?2 WHERE NOT EXISTS (SELECT 1 FROM tier WHERE id = ?3)",
            ((day, channel, tier_id(channel, day)) for channel in self._packed),
        )
        self.done = True
        return cursor.rowcount

    def _pack(self, write: sqlite3.Connection, channels: Sequence[int]) -> int:
        moments, columns = span_columns(write, self.span, channels)
        clock, done = pack_numbers(moments), 0
        for channel, column in zip(channels, columns, strict=True):
            times, values = held(moments, column)
            same = len(times) == len(moments)
            self._packed[channel] = Column(clock if same else pack_numbers(times), pack_numbers(values))
            done += len(times)
        return done


class _Day:
    """One day (UTC) on its way into the tiers."""

    def __init__(self, write: sqlite3.Connection, day: int) -> None:
        self.day = day
        self.start_ms, self.end_ms = day * DAY_MS, (day + 1) * DAY_MS
        self.done = False
        self._hours: dict[int, bytes] = {}
        self._five_minutes: dict[int, Column] = {}
        found = write.execute("SELECT channel FROM stale WHERE day = ? ORDER BY channel", (day,))
        self._left = [channel for (channel,) in found]

    def go_on(self, write: sqlite3.Connection) -> int:
        """Sum one channel up, or write the tiers when all are; how many readings that took."""
        if self._left:
            channel = self._left.pop()
            times, values = channel_readings(write, channel, self.start_ms, self.end_ms)
            if times:
                steps = sum_steps(times, values, FIVE_MINUTES_MS)
                self._five_minutes[channel] = Column(b"", pack_steps(steps))
                self._hours[channel] = pack_steps(join_steps(steps, 0, HOUR_MS // FIVE_MINUTES_MS))
            return len(times)
        row = write.execute("SELECT head, body FROM five_minutes WHERE day = ?", (self.day,)).fetchone()
        columns = ({} if row is None else split_columns(*row)) | self._five_minutes
        if columns:
            write.execute(
                "INSERT OR REPLACE INTO five_minutes VALUES (?, ?, ?)", (self.day, *join_columns(columns))
            )
        write.executemany(
            "INSERT OR REPLACE INTO tier VALUES (?, ?)",
            ((tier_id(channel, self.day), hours) for channel, hours in self._hours.items()),
        )
        write.execute("DELETE FROM stale WHERE day = ?", (self.day,))
        self.done = True
        return LEAST
