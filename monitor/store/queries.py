"""The questions the embedded store asks SQLite, and the order in which devices answer. No state.

A channel is a device's quantity; its good values stand in column c<id> of `poll`, in whole steps.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from monitor.local_days import zone_of
from monitor.quantities import QUANTITIES
from monitor.records import DAY_MS, Quality, Reading
from monitor.store.blocks import rows_in
from monitor.store.course import Course
from monitor.store.documents import ChannelEnds
from monitor.store.steps import CODES, steps_of

ORDER = {name: place for place, name in enumerate(QUANTITIES)}
"""Order of quantities in answers: that of `quantities.py`."""

AFTER_SITE = 10_000
BEHIND = {"import": AFTER_SITE + 1, "derived": AFTER_SITE + 2, "estimate": AFTER_SITE + 3}
"""Ranks behind the site file's devices; a device no longer in the site file stands between."""

AT_ONCE_MS = DAY_MS
"""How much time one query averages (our choice: a day's rows sort in memory)."""


ENDS = (
    "SELECT id, device, quantity, channel.first_ms, coalesce(last_ms, good_ms) AS last_ms,"
    " CASE WHEN last_ms IS NULL THEN good / per_unit ELSE last_value END AS last_value,"
    " coalesce(last_quality, 0) AS last_quality, coalesce(last_reason, '') AS last_reason, good_first_ms,"
    " good_ms, good / per_unit AS good_value, now.day AS open_day FROM channel"
    " CROSS JOIN now ON kind = 0 AND name = id"
)
"""Channels with their newest readings. `now` says nothing of the last reading where that is the good one."""

DAYS = (
    "day, channel, count, minimum, min_ms, mean, maximum, first, last, integral_h, positive_h, negative_h,"
    " covered_s, first_ms, last_ms, limit_ms, gaps"
)
"""What a row of `day` says, in its order."""

TO_HOURS = "(1.0 / (2 * per_unit * 3600000))"
OPEN_DAYS = (
    "(SELECT day, name AS channel, count, minimum / per_unit AS minimum, min_ms,"
    " total / count / per_unit AS mean, maximum / per_unit AS maximum, first / per_unit AS first,"
    f" good / per_unit AS last, above2 * {TO_HOURS} + below2 * {TO_HOURS} AS integral_h,"
    f" above2 * {TO_HOURS} AS positive_h, below2 * {TO_HOURS} AS negative_h, covered_ms / 1000 AS covered_s,"
    " first_ms, good_ms AS last_ms, limit_ms, gaps FROM now WHERE kind = 0 AND day IS NOT NULL)"
)
"""The days in which channels' newest good readings lie, as rows like those of `day`: the arithmetic is that
of `days.DaySum.numbers`, to the last bit."""


@dataclass(frozen=True, slots=True)
class ChannelRow(ChannelEnds):
    """One device's quantity as the store has it."""

    id: int


def rank_of(device: str, ranks: dict[str, int]) -> tuple[int, str]:
    """What devices are sorted by, best first."""
    return ranks.get(device, BEHIND.get(device, AFTER_SITE)), device


def read_channels(ask: sqlite3.Connection) -> list[ChannelRow]:
    """All channels that hold a reading."""
    return [
        ChannelRow(
            device,
            quantity,
            first_ms,
            Reading(last_ms, device, quantity, last_value, Quality(last_quality), last_reason),
            good_first_ms,
            None if good_ms is None else Reading(good_ms, device, quantity, good_value),
            number,
        )
        for (
            number, device, quantity, first_ms, last_ms, last_value, last_quality, last_reason,
            good_first_ms, good_ms, good_value, _,
        ) in ask.execute(ENDS)
        if last_ms is not None
    ]  # fmt: skip


def in_rank_order(readings: Iterable[Reading], ranks: dict[str, int]) -> list[Reading]:
    """Sorted by the devices' rank, then as `quantities.py` lists the quantities."""
    return sorted(readings, key=lambda r: (rank_of(r.device, ranks), ORDER.get(r.quantity, len(ORDER))))


def newest(readings: Iterable[Reading], ranks: dict[str, int]) -> Reading | None:
    """The newest reading; of equally new ones that of the best-ranked device."""
    in_order = sorted(readings, key=lambda reading: rank_of(reading.device, ranks))
    return max(in_order, key=lambda reading: reading.time_ms, default=None)


def read_ranks(ask: sqlite3.Connection) -> dict[str, int]:
    """The site file's devices, 0 the best."""
    return dict(ask.execute("SELECT name, rank FROM device").fetchall())


def zone_in(ask: sqlite3.Connection) -> ZoneInfo:
    """The time zone that cuts the store's days."""
    (name,) = ask.execute("SELECT value FROM meta WHERE key = 'time_zone'").fetchone()
    return zone_of(name)


def good_readings(
    ask: sqlite3.Connection, channels: Sequence[ChannelRow], start_ms: int, end_ms: int
) -> Iterator[Reading]:
    """The channels' good readings in [start, end), in order of time."""
    columns = [(each.device, each.quantity, steps_of(each.quantity)) for each in channels]
    for time_ms, *values in rows_in(ask, [each.id for each in channels], start_ms, end_ms):
        for (device, quantity, per_unit), steps in zip(columns, values, strict=True):
            if steps is not None:
                yield Reading(time_ms, device, quantity, steps / per_unit)


def flawed_readings(
    ask: sqlite3.Connection, channel: ChannelRow, start_ms: int, end_ms: int
) -> Iterator[Reading]:
    """A channel's readings in [start, end) that are not good, in order of time."""
    sql = (
        "SELECT time_ms, value, quality, text FROM flawed JOIN reason ON reason.id = flawed.reason"
        " WHERE channel = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms"
    )
    for time_ms, value, quality, reason in ask.execute(sql, (channel.id, start_ms, end_ms)):
        yield Reading(time_ms, channel.device, channel.quantity, value, Quality(quality), reason)


def averaged_rows(
    ask: sqlite3.Connection, channels: Sequence[ChannelRow], start_ms: int, end_ms: int, step_ms: int
) -> Iterator[Sequence[Any]]:
    """Start and the channels' means (of codes the highest) of each step in [start, end), in order.

    Values are whole steps of the store, or their means; None where a channel has no reading.
    """
    courses = [(Course(ask, channel.id), channel.quantity in CODES) for channel in channels]
    at_once_ms = step_ms * max(1, AT_ONCE_MS // step_ms)
    for from_ms in range(start_ms, end_ms, at_once_ms):
        until_ms = min(end_ms, from_ms + at_once_ms)
        steps: dict[int, list[float | None]] = {}
        for place, (course, is_code) in enumerate(courses):
            for part in course.parts(from_ms, until_ms, step_ms, start_ms):
                row = steps.setdefault(part.bucket, [None] * len(courses))
                row[place] = part.maximum if is_code else part.total / part.readings
        for bucket, row in sorted(steps.items()):
            yield start_ms + bucket * step_ms, *row
