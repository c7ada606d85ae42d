"""Taking a device's readings of a span out of the tables; their days and their channel's ends stay right.

Only what is worked out from measurements (estimates) is ever taken out, to be put in anew.
"""

from __future__ import annotations

import sqlite3
from zoneinfo import ZoneInfo

from monitor.local_days import day_at
from monitor.records import LATEST_MS, Quality, Reading
from monitor.store.blocks import first_from, last_before, take_out
from monitor.store.channels import (
    Channel,
    drop_open_day,
    good_after,
    good_before,
    open_channel,
    sum_up,
    write_channels,
)
from monitor.store.days import DaySum
from monitor.store.tracks import drop_tiers


def forget(
    write: sqlite3.Connection, zone: ZoneInfo, device: str, start_ms: int, end_ms: int
) -> list[tuple[Channel, DaySum]]:
    """Take a device's readings in [start, end) out; the days that are cut by it, summed anew."""
    cut: list[tuple[Channel, DaySum]] = []
    first, last = day_at(zone, start_ms), day_at(zone, end_ms - 1)
    sql = "SELECT quantity FROM channel WHERE device = ?"
    channels = [
        open_channel(write, zone, device, name) for (name,) in write.execute(sql, (device,)).fetchall()
    ]
    take_out(write, [channel.id for channel in channels], start_ms, end_ms)
    for channel in channels:
        drop_tiers(write, channel.id, start_ms, end_ms)
        write.execute(
            "DELETE FROM flawed WHERE channel = ? AND time_ms >= ? AND time_ms < ?",
            (channel.id, start_ms, end_ms),
        )
        _find_ends(write, channel)
        if channel.open_day is not None and first.day.toordinal() <= channel.open_day <= last.day.toordinal():
            drop_open_day(write, channel.id)
            channel.open_day = None
        write.execute(
            "DELETE FROM day WHERE channel = ? AND day BETWEEN ? AND ?",
            (channel.id, first.day.toordinal(), last.day.toordinal()),
        )
        neighbours = good_before(write, channel, start_ms), good_after(write, channel, end_ms)
        spans = {first, last} | {day_at(zone, each[0]) for each in neighbours if each is not None}
        sums = [sum_up(write, channel, span) for span in spans]
        cut += [(channel, day) for day in sums if day.count]
        channel.changed = channel.first_changed = True
        write_channels(write, [channel])
    return cut


def _find_ends(write: sqlite3.Connection, channel: Channel) -> None:
    """The channel's first and newest readings, from its rows."""
    flawed = (
        "SELECT time_ms, value, quality, text FROM flawed JOIN reason ON reason.id = flawed.reason"
        " WHERE channel = ? ORDER BY time_ms"
    )
    first_good, last_good = first_from(write, channel.id, 0), last_before(write, channel.id, LATEST_MS)
    first_flawed = write.execute(f"{flawed} LIMIT 1", (channel.id,)).fetchone()
    last_flawed = write.execute(f"{flawed} DESC LIMIT 1", (channel.id,)).fetchone()
    channel.first_ms = min((row[0] for row in (first_good, first_flawed) if row is not None), default=None)
    channel.good_first_ms = None if first_good is None else first_good[0]
    channel.good_ms, channel.good_steps = last_good or (-1, 0)
    newest: list[Reading] = []
    if last_good is not None:
        value = channel.good_steps / channel.per_unit
        newest.append(Reading(channel.good_ms, channel.device, channel.quantity, value))
    if last_flawed is not None:
        time_ms, value, quality, reason = last_flawed
        newest.append(Reading(time_ms, channel.device, channel.quantity, value, Quality(quality), reason))
    channel.last = max(newest, key=lambda reading: reading.time_ms, default=None)
    channel.last_ms = -1 if channel.last is None else channel.last.time_ms
