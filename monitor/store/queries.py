"""The questions the embedded store asks SQLite, and the order in which devices answer. No state.

A channel is a device's quantity; its good values stand in column c<id> of `poll`, in whole steps.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.quantities import QUANTITIES
from monitor.records import Quality, Reading
from monitor.store.reduce import Part
from monitor.store.steps import CODES, steps_of

ORDER = {name: place for place, name in enumerate(QUANTITIES)}
"""Order of quantities in answers: that of `quantities.py`."""

AFTER_SITE = 10_000
BEHIND = {"import": AFTER_SITE + 1, "derived": AFTER_SITE + 2, "estimate": AFTER_SITE + 3}
"""Ranks behind the site file's devices; a device no longer in the site file stands between."""

AT_ONCE_MS = 86_400_000
"""How much time one query averages (our choice: a day's rows sort in memory)."""


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """One device's quantity as the table `channel` has it."""

    id: int
    device: str
    quantity: str
    first_ms: int
    last: Reading
    good_first_ms: int | None
    good: Reading | None


def rank_of(device: str, ranks: dict[str, int]) -> tuple[int, str]:
    """What devices are sorted by, best first."""
    return ranks.get(device, BEHIND.get(device, AFTER_SITE)), device


def read_channels(ask: sqlite3.Connection) -> list[ChannelRow]:
    """All channels that hold a reading."""
    sql = (
        "SELECT id, device, quantity, first_ms, last_ms, last_value, last_quality, last_reason,"
        " good_first_ms, good_ms, good_value FROM channel WHERE last_ms IS NOT NULL"
    )
    return [
        ChannelRow(
            number,
            device,
            quantity,
            first_ms,
            Reading(last_ms, device, quantity, last_value, Quality(last_quality), last_reason),
            good_first_ms,
            None if good_ms is None else Reading(good_ms, device, quantity, good_value),
        )
        for (
            number, device, quantity, first_ms, last_ms, last_value, last_quality, last_reason,
            good_first_ms, good_ms, good_value,
        ) in ask.execute(sql)
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


def read_parts(
    ask: sqlite3.Connection, channel: int, start_ms: int, end_ms: int, width_ms: int
) -> list[Part]:
    """A channel reduced to buckets of a width, in order; a bucket without good readings is left out."""
    column = f"c{channel}"
    sql = (
        f"SELECT (time_ms - ?) / ? AS bucket, count(*), min({column}), sum({column}), max({column}),"
        f" min(time_ms), max(time_ms) FROM poll WHERE time_ms >= ? AND time_ms < ? AND {column} IS NOT NULL"
        " GROUP BY bucket ORDER BY bucket"
    )
    return [Part(*row) for row in ask.execute(sql, (start_ms, width_ms, start_ms, end_ms))]


def pair_finder(ask: sqlite3.Connection, channel: int) -> Callable[[int, int, float], list[tuple[int, int]]]:
    """Finds neighbouring readings of a channel that are further apart than a limit, for `reduce.runs`."""
    sql = (
        "SELECT former_ms, time_ms FROM (SELECT lag(time_ms) OVER (ORDER BY time_ms) AS former_ms, time_ms"
        f" FROM poll WHERE time_ms BETWEEN ? AND ? AND c{channel} IS NOT NULL)"
        " WHERE time_ms - former_ms > ? ORDER BY time_ms"
    )
    return lambda first_ms, last_ms, limit_ms: ask.execute(sql, (first_ms, last_ms, limit_ms)).fetchall()


def plain_rows(
    ask: sqlite3.Connection, channels: Sequence[tuple[str, int, str]], start_ms: int, end_ms: int
) -> Iterable[Sequence[Any]]:
    """Time and the channels' values of each row in [start, end), in order."""
    columns = ", ".join(column for _, _, column in channels)
    sql = f"SELECT time_ms, {columns} FROM poll WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms"
    return ask.execute(sql, (start_ms, end_ms))


def good_readings(
    ask: sqlite3.Connection, channels: Sequence[ChannelRow], start_ms: int, end_ms: int
) -> Iterator[Reading]:
    """The channels' good readings in [start, end), in order of time."""
    columns = [(each.quantity, steps_of(each.quantity), f"c{each.id}") for each in channels]
    for time_ms, *values in plain_rows(ask, columns, start_ms, end_ms):
        for channel, (quantity, per_unit, _), steps in zip(channels, columns, values, strict=True):
            if steps is not None:
                yield Reading(time_ms, channel.device, quantity, steps / per_unit)


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
    ask: sqlite3.Connection,
    channels: Sequence[tuple[str, int, str]],
    start_ms: int,
    end_ms: int,
    step_ms: int,
) -> Iterator[Sequence[Any]]:
    """Start and the channels' means (of codes the highest) of each step in [start, end), in order."""
    columns = ", ".join(
        f"{'max' if quantity in CODES else 'avg'}({column})" for quantity, _, column in channels
    )
    sql = (
        f"SELECT ? + (time_ms - ?) / ? * ? AS step, {columns} FROM poll WHERE time_ms >= ? AND time_ms < ?"
        " GROUP BY step ORDER BY step"
    )
    at_once_ms = step_ms * max(1, AT_ONCE_MS // step_ms)
    for from_ms in range(start_ms, end_ms, at_once_ms):
        until_ms = min(end_ms, from_ms + at_once_ms)
        yield from ask.execute(sql, (start_ms, start_ms, step_ms, step_ms, from_ms, until_ms))
