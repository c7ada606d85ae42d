"""Readings that wait outside the store: held ones, until the time is known, and such as were set aside.

A small SQLite file beside the store, made when there is first something to keep. A held reading's time is the
count of milliseconds since boot, so that it can be stamped when UTC is known in that very boot; a commit is
on the card when it returns, and a daemon that is killed and started again goes on with it. What an earlier
boot held is stamped where the computer was hardly off between the two, since its time lies between what was
known before and after. All else of it, and what was stamped by a clock that was wrong, is set aside: out of
every answer, but kept, with the reason.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.records import Reading
from monitor.store.bundle import Place, pack, thinned_out, unpack
from monitor.store.connect import connect, prepare_for_writing, told, whole

TABLES = (
    """CREATE TABLE IF NOT EXISTS held (
        id INTEGER PRIMARY KEY AUTOINCREMENT, boot TEXT NOT NULL, earliest_ms INTEGER NOT NULL,
        readings INTEGER NOT NULL, packed BLOB NOT NULL, thinned INTEGER NOT NULL DEFAULT 0)""",
    """CREATE TABLE IF NOT EXISTS aside (
        id INTEGER PRIMARY KEY AUTOINCREMENT, reason TEXT NOT NULL, readings INTEGER NOT NULL,
        packed BLOB NOT NULL)""",
)

MORE_COLUMNS = (
    ("boot", "TEXT NOT NULL DEFAULT ''"),
    ("earliest_ms", "INTEGER NOT NULL DEFAULT 0"),
    ("first_ms", "INTEGER"),
    ("last_ms", "INTEGER"),
)
"""What has joined the table of what was set aside: of what was never stamped the run of the computer and what
UTC can have been at the least when that began; of what was in the store from when to when it is."""

COLUMNS = 4 + len(MORE_COLUMNS)

BESIDE = "SELECT packed FROM aside WHERE reason = ? AND last_ms >= ? AND first_ms <= ?"
"""What was set aside for a reason between two times."""

MOST_BYTES = 64 * 1024 * 1024
"""What waits takes no more room than this (our choice: some months of one controller each 5 s)."""

MOST_PENDING = 60_000
"""Readings that wait in memory while the card takes nothing (our choice, as in the store); with more all are
thinned out, and only where that is not enough the oldest go."""

UNTOLD = "the time was not known until the computer was switched off; times are since it was switched on"

BATCH = 2_000
"""Readings set aside are kept in batches of so many (our choice)."""


@dataclass(frozen=True, slots=True)
class Aside:
    """Readings that were set aside, by the clock that stamped them, and why.

    boot is the run of the computer in which readings waited that were never stamped: their times count from
    its start, which was at earliest_ms at the least; '' for all others.
    """

    reason: str
    readings: tuple[Reading, ...]
    boot: str = ""
    earliest_ms: int = 0


class HeldReadings:
    """One site's file. For one thread at a time. Calls raise StoreError."""

    def __init__(self, path: Path, boot: str, most_bytes: int = MOST_BYTES) -> None:
        """boot names this run of the computer."""
        self.path, self._boot, self._most_bytes = path, boot, most_bytes
        self._connection: sqlite3.Connection | None = None
        self._pending: list[Reading] = []
        self._bytes = 0
        self.count = 0  # held readings of this boot, on the card
        self.let_go = 0  # readings that were thinned out since the start
        if path.exists():
            self._open()

    def close(self) -> None:
        """Release the file; may be called twice."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    @property
    def is_empty(self) -> bool:
        """Whether nothing of this boot is held."""
        return not self.count and not self._pending

    def add(self, readings: Iterable[Reading]) -> None:
        """Hold readings whose times are counts since boot; on the card with the next commit."""
        self._pending += readings
        count = len(self._pending)
        if count > MOST_PENDING:
            # a quarter less at the least, so that not each poll thins anew
            self._pending = thinned_out(self._pending, set())[-MOST_PENDING * 3 // 4 :]
            self.let_go += count - len(self._pending)

    def commit(self, earliest_ms: int) -> None:
        """Bring what was added onto the card. earliest_ms: what UTC can have been at the least when the
        computer was switched on."""
        if not self._pending:
            return
        packed = pack(self._pending)
        with self._whole() as write:
            write.execute(
                "INSERT INTO held (boot, earliest_ms, readings, packed) VALUES (?, ?, ?, ?)",
                (self._boot, earliest_ms, len(self._pending), packed),
            )
        self.count += len(self._pending)
        self._bytes += len(packed)
        self._pending = []
        while self._bytes > self._most_bytes:
            self._thin()

    def entries(self) -> Iterator[tuple[int, list[Reading]]]:
        """This boot's readings on the card, entry by entry in the order in which they came, each with its
        number."""
        sql = "SELECT id, packed FROM held WHERE boot = ? AND id > ? ORDER BY id LIMIT 1"
        number = 0
        while self._connection is not None:
            with told(self.path):
                row = self._connection.execute(sql, (self._boot, number)).fetchone()
            if row is None:
                return
            number = int(row[0])
            yield number, unpack(row[1])

    def take_pending(self) -> list[Reading]:
        """The readings that are not on the card yet; they are the caller's now."""
        pending, self._pending = self._pending, []
        return pending

    def landed(self, number: int) -> None:
        """This boot's readings up to an entry are in the store now."""
        with self._whole() as write:
            write.execute("DELETE FROM held WHERE boot = ? AND id <= ?", (self._boot, number))
        self._measure()

    def take_over(self, on_ms: int, most_ms: int) -> tuple[int, int | None]:
        """Decide on what other boots have held, now that this one is known to have begun at on_ms.

        Their readings are as early as they can be by earliest_ms. Where that leaves no more than most_ms
        until on_ms they are this boot's from now on, at that time; else they are set aside. How many
        readings, and how much too early they may be at the most; None where they were set aside.
        """
        if self._connection is None:
            return 0, 0
        others = "SELECT id, earliest_ms, packed FROM held WHERE boot <> ? ORDER BY id"
        count, end_ms = 0, 0
        with told(self.path):
            for _, earliest_ms, packed in self._connection.execute(others, (self._boot,)):
                readings = unpack(packed)
                count += len(readings)
                end_ms = max(end_ms, *(earliest_ms + each.time_ms for each in readings))
        if not count:
            return 0, 0
        early_ms = max(0, on_ms - end_ms)
        is_near = early_ms <= most_ms
        with self._whole() as write:
            if is_near:
                for number, earliest_ms, packed in write.execute(others, (self._boot,)).fetchall():
                    moved = [
                        replace(each, time_ms=each.time_ms + earliest_ms - on_ms) for each in unpack(packed)
                    ]
                    write.execute(
                        "UPDATE held SET boot = ?, packed = ? WHERE id = ?", (self._boot, pack(moved), number)
                    )
            else:
                write.execute(
                    "INSERT INTO aside (reason, readings, packed, boot, earliest_ms)"
                    " SELECT ?, readings, packed, boot, earliest_ms FROM held WHERE boot <> ? ORDER BY id",
                    (UNTOLD, self._boot),
                )
                write.execute("DELETE FROM held WHERE boot <> ?", (self._boot,))
        self._measure()
        return count, early_ms if is_near else None

    def untold(self) -> int:
        """How many readings are set aside of runs that were never told the time."""
        if self._connection is None:
            return 0
        with told(self.path):
            sql = "SELECT total(readings) FROM aside WHERE reason = ?"
            (count,) = self._connection.execute(sql, (UNTOLD,)).fetchone()
        return int(count)

    def set_aside(self, readings: Iterable[Reading], reason: str) -> int:
        """Keep readings out of every answer; those that were set aside for this reason already, by somebody
        who did not come to an end with it, are not kept twice. How many were given."""
        count = 0
        with self._whole() as write:
            for batch in batches(readings):
                count += len(batch)
                times = [each.time_ms for each in batch]
                place = (min(times), max(times))
                fresh = _without(batch, write.execute(BESIDE, (reason, *place)))
                if fresh:
                    write.execute(
                        "INSERT INTO aside (reason, readings, packed, first_ms, last_ms)"
                        " VALUES (?, ?, ?, ?, ?)",
                        (reason, len(fresh), pack(fresh), *place),
                    )
        return count

    def asides(self) -> Iterator[Aside]:
        """What was set aside, in the order in which it was."""
        if self._connection is None:
            return
        sql = "SELECT reason, packed, boot, earliest_ms FROM aside ORDER BY id"
        with told(self.path):
            for reason, packed, boot, earliest_ms in self._connection.execute(sql):
                yield Aside(reason, tuple(unpack(packed)), boot, earliest_ms)

    def _thin(self) -> None:
        """Thin the oldest eighth out; where all is thinned out already, drop the oldest."""
        before, room, kept = self._readings(), 0, set[Place]()
        changed: list[tuple[bytes, int, int]] = []
        with self._whole() as write:
            rows = write.execute("SELECT id, packed, thinned FROM held ORDER BY thinned, id")
            for number, packed, thinned in rows:
                if room >= self._most_bytes // 8 or (thinned and changed):
                    break
                left = [] if thinned else thinned_out(unpack(packed), kept)
                small = pack(left) if left else b""
                changed.append((small, len(left), number))
                room += len(packed) - len(small)
            write.executemany("UPDATE held SET packed = ?, readings = ?, thinned = 1 WHERE id = ?", changed)
            write.execute("DELETE FROM held WHERE readings = 0")
        self._measure()
        self.let_go += before - self._readings()

    def _readings(self) -> int:
        """Held readings on the card, of all boots."""
        assert self._connection is not None, "only an open file is asked"
        (count,) = self._connection.execute("SELECT total(readings) FROM held").fetchone()
        return int(count)

    def _open(self) -> sqlite3.Connection:
        if self._connection is None:
            connection = connect(self.path, read_only=False)
            try:
                with told(self.path):
                    prepare_for_writing(connection)
                    for statement in TABLES:
                        connection.execute(statement)
                    _add_columns(connection)
            except BaseException:
                connection.close()
                raise
            self._connection = connection
            self._measure()
        return self._connection

    def _measure(self) -> None:
        assert self._connection is not None, "only an open file is measured"
        with told(self.path):
            (self._bytes,) = self._connection.execute("SELECT total(length(packed)) FROM held").fetchone()
            (count,) = self._connection.execute(
                "SELECT total(readings) FROM held WHERE boot = ?", (self._boot,)
            ).fetchone()
        self.count = int(count)

    @contextmanager
    def _whole(self) -> Iterator[sqlite3.Connection]:
        """All inside is kept or nothing."""
        connection = self._open()
        with told(self.path), whole(connection):
            yield connection


def _without(batch: Sequence[Reading], rows: Iterable[tuple[bytes]]) -> list[Reading]:
    """A batch without the readings that stand in the rows."""
    known = {reading for (packed,) in rows for reading in unpack(packed)}
    return [reading for reading in batch if reading not in known]


def _add_columns(connection: sqlite3.Connection) -> None:
    """Give an older file the columns that have joined since."""
    asked = "SELECT name FROM pragma_table_info('aside')"
    if len(connection.execute(asked).fetchall()) >= COLUMNS:
        return
    with whole(connection):
        there = {name for (name,) in connection.execute(asked)}
        for name, kind in MORE_COLUMNS:
            if name not in there:
                connection.execute(f"ALTER TABLE aside ADD COLUMN {name} {kind}")


def held_path(store: Path) -> Path:
    """The file beside where the store is, or would be."""
    return store.with_name(store.name + ".held")


def batches(readings: Iterable[Reading]) -> Iterator[Sequence[Reading]]:
    """Readings, BATCH at a time."""
    batch: list[Reading] = []
    for reading in readings:
        batch.append(reading)
        if len(batch) == BATCH:
            yield batch
            batch = []
    if batch:
        yield batch
