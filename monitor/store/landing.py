"""How readings land in the tables: each once, in whatever order they come, with their days kept right.

Readings that follow a channel's newest one (nearly all) only go on with the running sums of its day. Late
and repeated ones are compared with what is there; the days they touch are summed anew from the rows, and so
are the days of their neighbours across midnight. Both ways give the same numbers to the last bit.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby
from operator import itemgetter
from zoneinfo import ZoneInfo

from monitor.errors import StoreError
from monitor.local_days import LocalDay, day_at
from monitor.records import Quality, Reading
from monitor.store.base import Landed
from monitor.store.blocks import channel_runs
from monitor.store.channels import (
    Channel,
    Standing,
    drop_open_day,
    good_after,
    good_before,
    open_channel,
    sum_up,
    write_channels,
    write_days,
)
from monitor.store.days import DaySum
from monitor.store.forget import forget
from monitor.store.going import go_on, take_earlier
from monitor.store.late import note_ends, note_late, note_replaced
from monitor.store.packing import Packer
from monitor.store.steps import as_kept

Pending = tuple[int, tuple[str, str], int | None, Reading]
"""Time, (device, quantity), value in steps where good, and the reading as it will be read back."""

MOST_REASONS = 256
"""So many reasons are kept at hand, the newest ones (our choice: a site has some dozens, while an import may
bring another with each reading)."""


@dataclass(slots=True)
class Touched:
    """A channel's day into which late readings came, and the first and last of these."""

    channel: Channel
    span: LocalDay
    earliest_ms: int
    latest_ms: int


class Landing:
    """Takes readings into the tables of one connection, inside a transaction."""

    def __init__(self, connection: sqlite3.Connection, zone: ZoneInfo) -> None:
        self._write = connection
        self._zone = zone
        self._channels: dict[tuple[str, str], Channel] = {}
        self._reasons: dict[str, int] = {}
        self._sums: dict[tuple[int, int], tuple[Channel, DaySum]] = {}
        self._seen_version = -1
        self._packer = Packer(connection, zone)

    @contextmanager
    def transaction(self) -> Iterator[bool]:
        """All inside is written together or not at all; yields whether another process wrote meanwhile."""
        self._write.execute("BEGIN IMMEDIATE")
        try:
            (version,) = self._write.execute("PRAGMA data_version").fetchone()
            others_wrote = version != self._seen_version
            if others_wrote:
                self._forget()
            yield others_wrote
            self._write.execute("COMMIT")
            self._seen_version = version
        except BaseException:
            if self._write.in_transaction:
                self._write.execute("ROLLBACK")
            self._forget()
            raise

    def take(self, pending: Iterable[Pending]) -> Landed:
        """Write readings and bring the statistics of every touched day up to date."""
        landed = Landed()
        rows: dict[int, list[tuple[int, int]]] = {}
        flawed: list[tuple[int, int, int, int, float | None]] = []
        late: list[tuple[int, Channel, int | None, Reading]] = []
        gone_on: dict[int, Channel] = {}
        row: list[tuple[int, int]] = []
        row_ms, channels = -1, self._channels
        in_order = sorted(pending, key=itemgetter(0))
        if in_order:
            landed.latest_ms = in_order[-1][0]
        for time_ms, key, steps, reading in in_order:
            channel = channels.get(key) or self._channel(*key)
            if time_ms <= channel.last_ms:
                late.append((time_ms, channel, steps, reading))
                continue
            channel.last_ms, channel.last = time_ms, reading
            if steps is None:
                flawed.append(self._flawed_row(channel, reading))
                landed.suspect += reading.quality is Quality.SUSPECT
            else:
                if time_ms != row_ms:
                    row_ms, row = time_ms, []
                    rows[time_ms] = row
                row.append((channel.id, steps))
                channel.coming_ms.append(time_ms)
                channel.coming.append(steps)
            if not channel.changed:
                channel.changed = True
                gone_on[channel.id] = channel
                if channel.first_ms is None:
                    channel.first_ms, channel.first_changed = time_ms, True
        landed.new = len(in_order) - len(late)
        for channel in gone_on.values():
            self._go_on(channel, channel.coming_ms, channel.coming)
            channel.coming_ms, channel.coming = [], []
        self._write_rows(rows)
        self._write_flawed(flawed)
        self._take_late(late, landed)
        self._write_sums()
        write_channels(self._write, self._channels.values())
        return landed

    def pack(self, landed: Landed) -> None:
        """Do some of the packing that is due, as much as goes with what has landed."""
        if landed.latest_ms is not None:
            self._packer.work(landed.latest_ms, landed.new)

    def pack_on(self, present_ms: int) -> bool:
        """Do a piece of the packing that is due by a time; whether more may be due."""
        return self._packer.work(present_ms, 0)

    def forget(self, device: str, start_ms: int, end_ms: int) -> None:
        """Take a device's readings in [start, end) out."""
        note_replaced(self._write, device, start_ms, end_ms)
        cut = forget(self._write, self._zone, device, start_ms, end_ms)
        self._forget()
        for channel, day in cut:
            self._keep_sum(channel, day)
        self._write_sums()
        write_channels(self._write, [channel for channel, _ in cut])
        note_ends(self._write, device, start_ms)

    def recut_days(self, at_work: Callable[[], None]) -> None:
        """Make all days' statistics anew, after the time zone changed; at_work() before each channel."""
        self._write.execute("DELETE FROM day")
        self._forget()
        for device, quantity in self._write.execute("SELECT device, quantity FROM channel").fetchall():
            at_work()
            channel = self._channel(device, quantity)
            drop_open_day(self._write, channel.id)
            channel.day, channel.open_day, channel.changed = None, None, True
            newest = channel.good_ms, channel.good_steps
            channel.good_ms = -1
            for times, values in channel_runs(self._write, channel.id, 0, newest[0] + 1):
                self._go_on(channel, times, values)
            channel.good_ms, channel.good_steps = newest
            self._write_sums()
            write_channels(self._write, [channel])
        self._forget()

    def _forget(self) -> None:
        self._channels.clear()
        self._reasons.clear()
        self._sums.clear()
        self._packer.forget()

    def _channel(self, device: str, quantity: str) -> Channel:
        channel = open_channel(self._write, self._zone, device, quantity)
        self._channels[device, quantity] = channel
        return channel

    def _go_on(self, channel: Channel, times: Sequence[int], values: Sequence[int]) -> None:
        """Good readings newer than all good ones of their channel, in order of time."""
        for day in go_on(channel, self._zone, times, values):
            self._keep_sum(channel, day)

    def _keep_sum(self, channel: Channel, day: DaySum) -> None:
        self._sums[channel.id, day.span.start_ms] = (channel, day)

    def _take_late(self, late: Sequence[tuple[int, Channel, int | None, Reading]], landed: Landed) -> None:
        """Readings that may be there already, or stand before the newest of their channel."""
        touched: dict[tuple[int, int], Touched] = {}
        came: dict[int, list[int]] = {}
        standing = Standing(self._write)
        for time_ms, group in groupby(late, key=itemgetter(0)):
            row: list[tuple[int, int]] = []
            taken: dict[int, Reading] = {}
            for _, channel, steps, reading in group:
                there = taken.get(channel.id) or standing.at(channel, time_ms)
                if there is not None:
                    if _same(there, reading):
                        landed.known += 1
                    else:
                        landed.conflicts.append((reading, there))
                    continue
                landed.count(reading)
                taken[channel.id] = reading
                take_earlier(channel, time_ms, steps)
                came.setdefault(channel.id, []).append(time_ms)
                if steps is None:
                    self._write_flawed([self._flawed_row(channel, reading)])
                else:
                    row.append((channel.id, steps))
                    span = day_at(self._zone, time_ms)
                    each = touched.setdefault(
                        (channel.id, span.start_ms), Touched(channel, span, time_ms, time_ms)
                    )
                    each.latest_ms = time_ms
            self._write_rows({time_ms: row} if row else {})
        note_late(self._write, came)
        self._sum_anew(touched)

    def _sum_anew(self, touched: dict[tuple[int, int], Touched]) -> None:
        """Sum touched days up from their rows; where a day's first or last moved, its neighbour's day too."""
        spans = {key: (each.channel, each.span) for key, each in touched.items()}
        for each in touched.values():
            channel, span = each.channel, each.span
            day = sum_up(self._write, channel, span)
            self._keep_sum(channel, day)
            neighbours = [
                good_before(self._write, channel, span.start_ms)
                if each.earliest_ms == day.first_ms
                else None,
                good_after(self._write, channel, span.end_ms) if each.latest_ms == day.last_ms else None,
            ]
            for time_ms, _ in filter(None, neighbours):
                other = day_at(self._zone, time_ms)
                if (channel.id, other.start_ms) not in spans:
                    spans[channel.id, other.start_ms] = (channel, other)
                    self._keep_sum(channel, sum_up(self._write, channel, other))
        for channel, span in spans.values():
            if span.start_ms <= channel.good_ms < span.end_ms:
                channel.day = self._sums[channel.id, span.start_ms][1]

    def _flawed_row(self, channel: Channel, reading: Reading) -> tuple[int, int, int, int, float | None]:
        return channel.id, reading.time_ms, reading.quality.value, self._reason(reading.reason), reading.value

    def _reason(self, text: str) -> int:
        """The number under which a reason's words are kept once."""
        number = self._reasons.get(text)
        if number is None:
            self._write.execute("INSERT OR IGNORE INTO reason (text) VALUES (?)", (text,))
            (number,) = self._write.execute("SELECT id FROM reason WHERE text = ?", (text,)).fetchone()
            if len(self._reasons) >= MOST_REASONS:
                del self._reasons[next(iter(self._reasons))]
            self._reasons[text] = number
        return number

    def _write_rows(self, rows: dict[int, list[tuple[int, int]]]) -> None:
        """Good values that are not there yet, into rows that may be."""
        self._packer.rows_come(rows)
        # in order of time: rows put in between others would split pages and leave them half empty
        in_order = (
            (tuple([channel for channel, _ in values]), [*(steps for _, steps in values), time_ms])
            for time_ms, values in rows.items()
        )
        for channels, alike in groupby(in_order, key=itemgetter(0)):
            self._write.executemany(_insert(channels), (row for _, row in alike))

    def _write_flawed(self, rows: Sequence[tuple[int, int, int, int, float | None]]) -> None:
        self._write.executemany(
            "INSERT INTO flawed (channel, time_ms, quality, reason, value) VALUES (?, ?, ?, ?, ?)", rows
        )

    def _write_sums(self) -> None:
        write_days(self._write, self._sums.values())
        self._sums.clear()


def pending_of(reading: Reading) -> Pending:
    """A reading as the landing takes it. Raises StoreError for one that cannot be kept."""
    kept, steps = as_kept(reading)
    return kept.time_ms, (kept.device, kept.quantity), steps, kept


def of_span(reading: Reading, device: str, start_ms: int, end_ms: int) -> Pending:
    """A reading that replaces others, as the landing takes it. Raises StoreError for one that belongs
    elsewhere."""
    pending = pending_of(reading)
    time_ms, (found, _), _, _ = pending
    if found != device or not start_ms <= time_ms < end_ms:
        raise StoreError(
            f"a reading of {found} at {time_ms} ms cannot replace readings of {device}"
            f" in [{start_ms}, {end_ms})"
        )
    return pending


@lru_cache(maxsize=256)
def _insert(channels: tuple[int, ...]) -> str:
    """The statement that puts the values of some channels, and last their time, into a row."""
    columns = ", ".join(f"c{channel}" for channel in channels)
    marks = ", ".join("?" for _ in channels)
    taken = ", ".join(f"c{channel} = excluded.c{channel}" for channel in channels)
    return (
        f"INSERT INTO poll ({columns}, time_ms) VALUES ({marks}, ?)"
        f" ON CONFLICT (time_ms) DO UPDATE SET {taken}"
    )


def _same(there: Reading, offered: Reading) -> bool:
    return there.quality is offered.quality and there.value == offered.value
