"""What SQLite keeps of one channel, as a series needs it: its course, tiers, days' statistics and ends."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from datetime import date

from monitor.records import DAY_MS, HOUR_MS
from monitor.store.blocks import first_from, last_before
from monitor.store.course import Course
from monitor.store.pack import split_columns, unpack_pairs
from monitor.store.queries import OPEN_DAYS
from monitor.store.reduce import Run, Step
from monitor.store.tiers import unpack_steps
from monitor.store.zoom import KeptDay, by_readings

EPOCH = date(1970, 1, 1).toordinal()

DAYS_A_CHANNEL = 1 << 17
"""A tier's row has the number channel times this plus the day since 1970 in UTC, so that a channel's years
lie side by side."""


class StoredTrack(Course):
    """A channel inside one read transaction (`zoom.Track`)."""

    def buckets(self, start_ms: int, end_ms: int, points: int) -> tuple[Sequence[Step], Sequence[Run]]:
        return by_readings(self, start_ms, end_ms, points)

    def steps(self, start_ms: int, end_ms: int, length_ms: int) -> list[Step]:
        """Where no tier has been made yet (today, an old store), the readings themselves are summed."""
        first, after = -(-start_ms // length_ms), end_ms // length_ms
        steps: list[Step] = []

        def sum_raw(from_ms: int, until_ms: int) -> None:
            if from_ms < until_ms:
                steps.extend(part[:5] for part in self.parts(from_ms, until_ms, length_ms, 0))

        at_ms = start_ms
        if first < after:
            at_ms = first * length_ms
            sum_raw(start_ms, at_ms)
            for day, packed in _tier_days(self._ask, self.channel, at_ms, after * length_ms, length_ms):
                sum_raw(at_ms, day * DAY_MS)
                found = unpack_steps(packed)
                if found[0][0] < first or after <= found[-1][0]:
                    found = [step for step in found if first <= step[0] < after]
                steps += found
                at_ms = min((day + 1) * DAY_MS, after * length_ms)
        sum_raw(at_ms, end_ms)
        return steps

    def days(self, start_ms: int, end_ms: int) -> Sequence[KeptDay] | None:
        sql = (
            "SELECT day, count, minimum, mean, maximum, first_ms, last_ms, limit_ms, gaps FROM {}"
            " WHERE channel = ? AND day BETWEEN ? AND ? ORDER BY day"
        )
        asked = self.channel, EPOCH + start_ms // DAY_MS - 1, EPOCH + end_ms // DAY_MS + 1
        # the open day is the newest
        rows = [row for days in ("day", OPEN_DAYS) for row in self._ask.execute(sql.format(days), asked)]
        if any(row[-1] is None for row in rows):
            return None
        return [KeptDay._make([*row[:-1], tuple(unpack_pairs(row[-1])) if row[-1] else ()]) for row in rows]

    def first_from(self, start_ms: int, end_ms: int) -> int | None:
        found = first_from(self._ask, self.channel, start_ms, end_ms)
        return None if found is None else found[0]

    def last_before(self, end_ms: int, start_ms: int) -> int | None:
        found = last_before(self._ask, self.channel, end_ms, start_ms)
        return None if found is None else found[0]


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


def drop_tiers(write: sqlite3.Connection, channel: int, start_ms: int, end_ms: int) -> None:
    """Drop a channel's tiers of the days (UTC) that [start, end) touches; they are made anew by and by."""
    ids = tier_id(channel, start_ms // DAY_MS), tier_id(channel, (end_ms - 1) // DAY_MS)
    write.execute(
        f"INSERT OR IGNORE INTO stale SELECT id % {DAYS_A_CHANNEL}, ? FROM tier WHERE id BETWEEN ? AND ?",
        (channel, *ids),
    )
    write.execute("DELETE FROM tier WHERE id BETWEEN ? AND ?", ids)
