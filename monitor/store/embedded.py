"""The embedded store's read side on SQLite, and the three ways to open a store.

`open_reader` for pages, exports and commands: read-only, any number, in any process. `open_writer` for the
daemon: one at a time, a second one is refused at once. `open_importer` for an import beside a running
daemon: SQLite lets the two commit in turn, and each notices the other's commits (see `writer.py`).
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from monitor.errors import StoreError
from monitor.quantities import QUANTITIES
from monitor.records import AlarmState, DayStat, DeviceHealth, Event, Quality, Reading, Series
from monitor.store.connect import connect, told
from monitor.store.reduce import GAP_BUCKETS, Part, bucket_width_ms, put_together, runs
from monitor.store.schema import check
from monitor.store.steps import CODES, steps_of

if TYPE_CHECKING:
    from monitor.store.writer import EmbeddedWriter

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


class EmbeddedReader:
    """The read side (`base.StoreReader`). Threads may share one: each question holds a lock while it runs.

    The answer to one question comes from one committed state of the store.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        """For `open_reader`, which checks the file first."""
        self.path = path
        self._connection = connection
        self._lock = threading.RLock()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        with self._lock:
            self._connection.close()

    def latest(self) -> list[Reading]:
        with self._asking() as ask:
            ranks = _ranks(ask)
            return in_rank_order((channel.last for channel in read_channels(ask)), ranks)

    def latest_good(self, quantity: str) -> Reading | None:
        steps_of(quantity)
        with self._asking() as ask:
            ranks = _ranks(ask)
            good = [c.good for c in read_channels(ask) if c.quantity == quantity and c.good is not None]
        return newest(good, ranks)

    def series(
        self, quantity: str, start_ms: int, end_ms: int, points: int, device: str | None = None
    ) -> Series:
        """A quantity in [start, end) in at most `points` buckets, the last one cut off at the end.

        Gaps are those between the first and the last reading; how far the newest reading lies back is
        `latest`'s to tell. Raises StoreError for an unknown quantity or fewer than one point.
        """
        per_unit = steps_of(quantity)
        if points < 1:
            raise StoreError(f"a series of {quantity} needs at least one point, not {points}")
        if end_ms <= start_ms:
            return Series(quantity, (), ())
        width_ms = bucket_width_ms(start_ms, end_ms, points)
        by_rank = []
        with self._asking() as ask:
            for channel in self._channels_of(ask, quantity, start_ms, end_ms):
                if device is None or channel.device == device:
                    parts = _parts(ask, channel.id, start_ms, end_ms, width_ms)
                    if parts:
                        finer = parts
                        if points < GAP_BUCKETS:
                            finer_ms = bucket_width_ms(start_ms, end_ms, GAP_BUCKETS)
                            finer = _parts(ask, channel.id, start_ms, end_ms, finer_ms)
                        by_rank.append((parts, runs(finer, _pair_finder(ask, channel.id))))
        return put_together(quantity, per_unit, start_ms, end_ms, width_ms, by_rank)

    def days(self, first: date, last: date) -> list[DayStat]:
        """One DayStat a day and quantity, from the best-ranked device with good readings that day."""
        sql = (
            "SELECT device, quantity, day, count, minimum, min_ms, mean, maximum, day.first, day.last,"
            " integral_h, positive_h, negative_h, covered_s FROM day JOIN channel ON channel.id = day.channel"
            " WHERE day BETWEEN ? AND ?"
        )
        with self._asking() as ask:
            ranks = _ranks(ask)
            found = ask.execute(sql, (first.toordinal(), last.toordinal())).fetchall()
        found.sort(key=lambda row: (row[2], ORDER.get(row[1], len(ORDER)), rank_of(row[0], ranks)))
        best: dict[tuple[int, str], DayStat] = {}
        for device, quantity, day, *numbers in found:
            if (day, quantity) not in best:
                best[day, quantity] = DayStat(date.fromordinal(day), device, quantity, *numbers)
        return list(best.values())

    def rows(
        self, quantities: Sequence[str], start_ms: int, end_ms: int, every_s: float | None = None
    ) -> Iterator[tuple[int, dict[str, float]]]:
        """Good readings merged by time, streamed over a connection of its own from one committed state.

        Steps of every_s are counted from start_ms. Of codes (charge_stage, fault_bits), which have no mean,
        a step gives the highest. Raises StoreError for an unknown quantity or a step
        under 1 ms.
        """
        for quantity in quantities:
            steps_of(quantity)
        if every_s is not None and not every_s >= 0.001:
            raise StoreError(f"averaging steps of {every_s} s are too short; take at least 0.001 s")
        return self._rows(quantities, start_ms, end_ms, every_s)

    def span(self) -> tuple[int, int] | None:
        with self._asking() as ask:
            first, last = ask.execute("SELECT min(first_ms), max(last_ms) FROM channel").fetchone()
        return None if first is None else (first, last)

    def events(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[Event]:
        sql = (
            "SELECT time_ms, kind, subject, text FROM event WHERE time_ms >= ? AND time_ms < ?"
            " ORDER BY time_ms DESC, id DESC LIMIT ?"
        )
        with self._asking() as ask:
            return [Event(*row) for row in ask.execute(sql, (start_ms, end_ms, limit))]

    def alarms(self) -> list[AlarmState]:
        with self._asking() as ask:
            rows = ask.execute("SELECT name, state, since_ms, priority, value, text FROM alarm ORDER BY name")
            return [AlarmState(*row) for row in rows]

    def health(self) -> list[DeviceHealth]:
        with self._asking() as ask:
            ranks = _ranks(ask)
            told_of = [
                DeviceHealth(**json.loads(row[0])) for row in ask.execute("SELECT document FROM health")
            ]
        return sorted(told_of, key=lambda health: rank_of(health.device, ranks))

    def note(self, key: str) -> str | None:
        with self._asking() as ask:
            row = ask.execute("SELECT text FROM note WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    @contextmanager
    def _asking(self) -> Iterator[sqlite3.Connection]:
        """The connection inside a read transaction, so that all of an answer is of one state."""
        with self._lock, told(self.path):
            self._connection.execute("BEGIN")
            try:
                yield self._connection
            finally:
                self._connection.execute("COMMIT")

    def _channels_of(
        self, ask: sqlite3.Connection, quantity: str, start_ms: int, end_ms: int
    ) -> list[ChannelRow]:
        """The channels of a quantity that may have good readings in a span, best-ranked first."""
        ranks = _ranks(ask)
        there = [
            channel
            for channel in read_channels(ask)
            if channel.quantity == quantity
            and channel.good is not None
            and channel.good_first_ms is not None
            and channel.good_first_ms < end_ms
            and channel.good.time_ms >= start_ms
        ]
        return sorted(there, key=lambda channel: rank_of(channel.device, ranks))

    def _rows(
        self, quantities: Sequence[str], start_ms: int, end_ms: int, every_s: float | None
    ) -> Iterator[tuple[int, dict[str, float]]]:
        with told(self.path), closing(connect(self.path, read_only=True)) as ask:
            ask.execute("BEGIN")
            asked = dict.fromkeys(quantities)
            there = [c for q in asked for c in self._channels_of(ask, q, start_ms, end_ms)]
            if not there:
                return
            channels = [(c.quantity, steps_of(c.quantity), f"c{c.id}") for c in there]
            first_ms = min(c.good_first_ms for c in there if c.good_first_ms is not None)
            end_ms = min(end_ms, 1 + max(c.good.time_ms for c in there if c.good is not None))
            if every_s is None:
                found: Iterable[Sequence[Any]] = _plain_rows(ask, channels, start_ms, end_ms)
            else:
                step_ms = max(1, round(every_s * 1000))
                start_ms += max(0, first_ms - start_ms) // step_ms * step_ms
                found = _averaged_rows(ask, channels, start_ms, end_ms, step_ms)
            for time_ms, *values in found:
                row: dict[str, float] = {}
                for (quantity, per_unit, _), value in zip(channels, values, strict=True):
                    if value is not None and quantity not in row:
                        row[quantity] = value / per_unit
                if row:
                    yield time_ms, row


def open_reader(path: Path) -> EmbeddedReader:
    """Open a store to read. Cannot write: the file is opened read-only.

    Raises StoreError where the file is missing, damaged, not ours or of another schema version.
    """
    connection = connect(path, read_only=True)
    try:
        with told(path):
            check(connection, path)
    except BaseException:
        connection.close()
        raise
    return EmbeddedReader(path, connection)


def open_writer(path: Path, time_zone: str) -> EmbeddedWriter:
    """Open the store for the daemon, making it where it is missing. time_zone (IANA) cuts the local days.

    Where the zone differs from the store's, the statistics of all days are made anew. Raises StoreError
    where another writer has the store, the zone is unknown, or the file is damaged, not ours or newer.
    """
    from monitor.store.writer import open_for_daemon

    return open_for_daemon(path, time_zone)


def open_importer(path: Path, time_zone: str) -> EmbeddedWriter:
    """Open the store for an import, while the daemon runs or not. Raises StoreError like `open_writer`,
    where another import runs, or where the running daemon keeps days of another time zone."""
    from monitor.store.writer import open_beside_daemon

    return open_beside_daemon(path, time_zone)


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


def _ranks(ask: sqlite3.Connection) -> dict[str, int]:
    return dict(ask.execute("SELECT name, rank FROM device").fetchall())


def _parts(ask: sqlite3.Connection, channel: int, start_ms: int, end_ms: int, width_ms: int) -> list[Part]:
    column = f"c{channel}"
    sql = (
        f"SELECT (time_ms - ?) / ? AS bucket, count(*), min({column}), sum({column}), max({column}),"
        f" min(time_ms), max(time_ms) FROM poll WHERE time_ms >= ? AND time_ms < ? AND {column} IS NOT NULL"
        " GROUP BY bucket ORDER BY bucket"
    )
    return [Part(*row) for row in ask.execute(sql, (start_ms, width_ms, start_ms, end_ms))]


def _pair_finder(ask: sqlite3.Connection, channel: int) -> Callable[[int, int, float], list[tuple[int, int]]]:
    """Finds neighbouring readings of a channel that are further apart than a limit, for `reduce.runs`."""
    sql = (
        "SELECT former_ms, time_ms FROM (SELECT lag(time_ms) OVER (ORDER BY time_ms) AS former_ms, time_ms"
        f" FROM poll WHERE time_ms BETWEEN ? AND ? AND c{channel} IS NOT NULL)"
        " WHERE time_ms - former_ms > ? ORDER BY time_ms"
    )
    return lambda first_ms, last_ms, limit_ms: ask.execute(sql, (first_ms, last_ms, limit_ms)).fetchall()


def _plain_rows(
    ask: sqlite3.Connection, channels: Sequence[tuple[str, int, str]], start_ms: int, end_ms: int
) -> Iterable[Sequence[Any]]:
    columns = ", ".join(column for _, _, column in channels)
    sql = f"SELECT time_ms, {columns} FROM poll WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms"
    return ask.execute(sql, (start_ms, end_ms))


def _averaged_rows(
    ask: sqlite3.Connection,
    channels: Sequence[tuple[str, int, str]],
    start_ms: int,
    end_ms: int,
    step_ms: int,
) -> Iterator[Sequence[Any]]:
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
