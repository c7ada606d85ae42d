"""The embedded store's read side on SQLite, and the three ways to open a store.

`open_reader` for pages, exports and commands: read-only, any number, in any process. `open_writer` for the
daemon: one at a time, a second one is refused at once. `open_importer` for an import beside a running
daemon: SQLite lets the two commit in turn, and each notices the other's commits (see `writer.py`).
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import date
from heapq import merge
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.closing import Closing
from monitor.errors import StoreError
from monitor.records import (
    AlarmState,
    DayStat,
    DeviceHealth,
    Event,
    LogEntry,
    Notice,
    Reading,
    Request,
    Series,
    Transition,
)
from monitor.store.blocks import rows_in
from monitor.store.connect import connect, only_requests, told
from monitor.store.documents import (
    alarm_of,
    document_of,
    health_of,
    notice_of,
    request_of,
    transition_of,
)
from monitor.store.log_table import read_log, read_log_entry
from monitor.store.queries import (
    ENDS,
    OPEN_DAYS,
    ORDER,
    ChannelRow,
    averaged_rows,
    flawed_readings,
    good_readings,
    in_rank_order,
    newest,
    rank_of,
    read_channels,
    read_ranks,
    zone_in,
)
from monitor.store.schema import EACH_COMMIT, HEALTH, NOTE, check
from monitor.store.steps import steps_of
from monitor.store.tracks import StoredTrack
from monitor.store.zoom import read_series

if TYPE_CHECKING:
    from monitor.store.writer import EmbeddedWriter


class EmbeddedReader(Closing):
    """The read side (`base.StoreReader`). Threads may share one: each question holds a lock while it runs.

    The answer to one question comes from one committed state of the store.
    """

    lag_s: float | None = None

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        """For `open_reader`, which checks the file first."""
        self.path = path
        self._connection = connection
        self._lock = threading.RLock()

    def close(self) -> None:
        with self._lock:
            self._connection.close()

    def latest(self) -> list[Reading]:
        with self._asking() as ask:
            ranks = read_ranks(ask)
            return in_rank_order((channel.last for channel in read_channels(ask)), ranks)

    def latest_good(self, quantity: str) -> Reading | None:
        steps_of(quantity)
        with self._asking() as ask:
            ranks = read_ranks(ask)
            good = [c.good for c in read_channels(ask) if c.quantity == quantity and c.good is not None]
        return newest(good, ranks)

    def series(
        self, quantity: str, start_ms: int, end_ms: int, points: int, device: str | None = None
    ) -> Series:
        """A quantity in [start, end) in at most `points` buckets; `zoom` says how they are cut.

        Gaps are those between the first and the last reading; how far the newest reading lies back is
        `latest`'s to tell. Raises StoreError for an unknown quantity or fewer than one point.
        """
        per_unit = steps_of(quantity)
        if points < 1:
            raise StoreError(f"a series of {quantity} needs at least one point, not {points}")
        if end_ms <= start_ms:
            return Series(quantity, (), ())
        with self._asking() as ask:
            there = self._channels_of(ask, quantity, start_ms, end_ms)
            channels = [channel.id for channel in there if device is None or channel.device == device]
            tracks = [StoredTrack(ask, channel) for channel in channels]
            return read_series(tracks, lambda: zone_in(ask), quantity, per_unit, start_ms, end_ms, points)

    def days(self, first: date, last: date) -> list[DayStat]:
        """One DayStat a day and quantity, from the best-ranked device with good readings that day."""
        sql = (
            "SELECT device, quantity, each.day, count, minimum, min_ms, mean, maximum, each.first, each.last,"
            " integral_h, positive_h, negative_h, covered_s"
            " FROM channel CROSS JOIN {} AS each ON each.channel = channel.id WHERE each.day BETWEEN ? AND ?"
        )
        span = first.toordinal(), last.toordinal()
        with self._asking() as ask:
            ranks = read_ranks(ask)
            found = [row for days in ("day", OPEN_DAYS) for row in ask.execute(sql.format(days), span)]
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

    def readings(
        self, start_ms: int, end_ms: int, devices: Collection[str] | None = None
    ) -> Iterator[Reading]:
        """Streamed over a connection of its own from one committed state."""
        with told(self.path), closing(connect(self.path, read_only=True)) as ask:
            ask.execute("BEGIN")
            ranks = read_ranks(ask)
            there = [c for c in read_channels(ask) if devices is None or c.device in devices]
            if not there:
                return
            streams = [good_readings(ask, there, start_ms, end_ms)]
            streams += [flawed_readings(ask, channel, start_ms, end_ms) for channel in there]
            in_time = merge(*streams, key=lambda reading: reading.time_ms)
            for _, together in groupby(in_time, key=lambda reading: reading.time_ms):
                yield from in_rank_order(together, ranks)

    def flawed(self, quantity: str, start_ms: int, end_ms: int) -> list[Reading]:
        steps_of(quantity)
        with self._asking() as ask:
            channels = [channel for channel in read_channels(ask) if channel.quantity == quantity]
            found = [each for c in channels for each in flawed_readings(ask, c, start_ms, end_ms)]
        return sorted(found, key=lambda reading: reading.time_ms)

    def span(self) -> tuple[int, int] | None:
        with self._asking() as ask:
            first, last = ask.execute(f"SELECT min(first_ms), max(last_ms) FROM ({ENDS})").fetchone()
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
            rows = ask.execute("SELECT document FROM alarm ORDER BY name").fetchall()
        return [alarm_of(document) for (document,) in rows]

    def transitions(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[Transition]:
        sql = (
            "SELECT id, document FROM transition WHERE time_ms >= ? AND time_ms < ?"
            " ORDER BY time_ms DESC, id DESC LIMIT ?"
        )
        with self._asking() as ask:
            rows = ask.execute(sql, (start_ms, end_ms, limit)).fetchall()
        return [transition_of(document, number) for number, document in rows]

    def log(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[LogEntry]:
        with self._asking() as ask:
            return read_log(ask, start_ms, end_ms, limit)

    def log_entry(self, number: int) -> LogEntry | None:
        with self._asking() as ask:
            return read_log_entry(ask, number)

    def open_requests(self) -> list[Request]:
        with self._asking() as ask:
            rows = ask.execute(
                "SELECT id, document FROM request WHERE done_ms IS NULL ORDER BY id"
            ).fetchall()
        return [request_of(document, number) for number, document in rows]

    def request(self, number: int) -> Request | None:
        with self._asking() as ask:
            row = ask.execute("SELECT document FROM request WHERE id = ?", (number,)).fetchone()
        return None if row is None else request_of(row[0], number)

    def open_notices(self) -> list[Notice]:
        with self._asking() as ask:
            rows = ask.execute(
                "SELECT id, document FROM notice WHERE finished_ms IS NULL ORDER BY id"
            ).fetchall()
        return [notice_of(document, number) for number, document in rows]

    def notices(self, limit: int = 100) -> list[Notice]:
        with self._asking() as ask:
            rows = ask.execute(
                "SELECT id, document FROM notice ORDER BY id DESC LIMIT ?", (limit,)
            ).fetchall()
        return [notice_of(document, number) for number, document in rows]

    def health(self) -> list[DeviceHealth]:
        with self._asking() as ask:
            ranks = read_ranks(ask)
            rows = ask.execute("SELECT document FROM now WHERE kind = ?", (HEALTH,)).fetchall()
        told_of = [health_of(document) for (document,) in rows]
        return sorted(told_of, key=lambda health: rank_of(health.device, ranks))

    def note(self, key: str) -> str | None:
        with self._asking() as ask:
            sql = "SELECT text FROM note WHERE key = ?"
            if key in EACH_COMMIT:
                sql = f"SELECT document FROM now WHERE kind = {NOTE} AND name = ?"
            row = ask.execute(sql, (key,)).fetchone()
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
        ranks = read_ranks(ask)
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
            channels = [(c.quantity, steps_of(c.quantity)) for c in there]
            ids = [c.id for c in there]
            first_ms = min(c.good_first_ms for c in there if c.good_first_ms is not None)
            end_ms = min(end_ms, 1 + max(c.good.time_ms for c in there if c.good is not None))
            if every_s is None:
                found: Iterable[Sequence[Any]] = rows_in(ask, ids, start_ms, end_ms)
            else:
                step_ms = max(1, round(every_s * 1000))
                start_ms += max(0, first_ms - start_ms) // step_ms * step_ms
                found = averaged_rows(ask, there, start_ms, end_ms, step_ms)
            for time_ms, *values in found:
                row: dict[str, float] = {}
                for (quantity, per_unit), value in zip(channels, values, strict=True):
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


def open_writer(path: Path, time_zone: str, at_work: Callable[[], None] = lambda: None) -> EmbeddedWriter:
    """Open the store for the daemon, making it where it is missing. time_zone (IANA) cuts the local days.

    Where the zone differs from the store's, the statistics of all days are made anew, which takes minutes
    with years of readings; at_work() is called before each channel's. Raises StoreError where another writer
    has the store, the zone is unknown, or the file is damaged, not ours or newer.
    """
    from monitor.store.opening import open_for_daemon

    return open_for_daemon(path, time_zone, at_work)


def leave_request(path: Path, request: Request) -> int:
    """Leave a request for the daemon in its store; its number. Nothing else is written.

    Works while the daemon runs (it looks every second) and while it does not (it looks when it starts).
    Raises StoreError where there is no store, it may not be written, or its schema is another.
    """
    if not path.exists():
        raise StoreError(f"{path}: there is no store yet; start the daemon (nightbank monitor) to make one")
    with closing(connect(path, read_only=False)) as connection, told(path):
        only_requests(connection)
        check(connection, path)
        cursor = connection.execute(
            "INSERT INTO request (done_ms, document) VALUES (NULL, ?)", (document_of(request),)
        )
    return int(cursor.lastrowid or 0)


def open_importer(path: Path, time_zone: str) -> EmbeddedWriter:
    """Open the store for an import, while the daemon runs or not. Raises StoreError like `open_writer`,
    where another import runs, or where the running daemon keeps days of another time zone."""
    from monitor.store.opening import open_beside_daemon

    return open_beside_daemon(path, time_zone)
