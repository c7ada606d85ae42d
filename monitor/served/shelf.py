"""What of a site on a server is kept on this computer: a small SQLite file beside the site's.

    document    the present state, by which the daemon comes up while the server is away, and records that the
                server has not been given yet
    spool       readings that it has not been given yet, in the order in which they came
    coming      readings that replace others, until they have
    refused     points that it did not take, each with its words

A commit is whole and on the card when it returns, whatever ends the process or the power afterwards.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from monitor.records import Reading
from monitor.store.bundle import Place, pack, thinned_out, unpack
from monitor.store.connect import connect, prepare_for_writing, told, whole
from monitor.store.mirrored_place import Point
from monitor.store.mirrored_records import DATED, record

TABLES = (
    """CREATE TABLE IF NOT EXISTS document (
        kind TEXT, key TEXT, number INTEGER, time_ms INTEGER, text TEXT, due INTEGER,
        PRIMARY KEY (kind, key, number))""",
    """CREATE TABLE IF NOT EXISTS spool (
        id INTEGER PRIMARY KEY AUTOINCREMENT, packed BLOB, readings INTEGER, thinned INTEGER DEFAULT 0)""",
    "CREATE TABLE IF NOT EXISTS coming (id INTEGER PRIMARY KEY AUTOINCREMENT, packed BLOB)",
    "CREATE TABLE IF NOT EXISTS replaced (device TEXT, start_ms INTEGER, end_ms INTEGER)",
    """CREATE TABLE IF NOT EXISTS refused (
        id INTEGER PRIMARY KEY AUTOINCREMENT, point TEXT NOT NULL, words TEXT NOT NULL,
        found_ms INTEGER NOT NULL)""",
)

SPOOL_BYTES = 64 * 1024 * 1024
"""The readings that wait take no more room than this (our choice; measured on readings that wander by
hundredths: 1.7 MB a day of 18 channels every 5 s, so that all of a month fits, and thinned out years do)."""

NEWEST_ENTRIES = 30
"""The last entries of the spool that tell the newest readings (our choice: half an hour of commits)."""

REFUSED_KEPT = 10_000
"""So many refused points are kept (our choice: a few megabytes)."""

_FINISHED = (
    "DELETE FROM document WHERE kind = 'notice' AND due = 0 AND instr(text, '\"finished_ms\": null') = 0"
)

_SHARE = 8
"""When the spool is full, the oldest one in so many parts of it is thinned out at once (our choice)."""


class Shelf:
    """One site's file. Not for several threads at a time. Calls raise StoreError."""

    def __init__(self, path: Path, spool_bytes: int = SPOOL_BYTES) -> None:
        """Open it, making it where it is missing."""
        self.path, self._spool_bytes = path, spool_bytes
        self._connection = connect(path, read_only=False)
        try:
            with told(path):
                self._connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
                prepare_for_writing(self._connection)
                self._connection.execute("PRAGMA synchronous = FULL")
                for statement in TABLES:
                    self._connection.execute(statement)
                found = self._connection.execute(
                    "SELECT count(*), total(length(packed)) FROM spool"
                ).fetchone()
        except BaseException:
            self._connection.close()
            raise
        self.waiting, self._bytes = int(found[0]), int(found[1])

    def close(self) -> None:
        """Release the file; may be called twice."""
        self._connection.close()

    def documents(self) -> list[tuple[Point, bool]]:
        """All documents, and whether the server is to be given each."""
        sql = "SELECT kind, key, text, number, time_ms, due FROM document ORDER BY kind, number"
        with told(self.path):
            return [(record(*values), bool(due)) for *values, due in self._connection.execute(sql)]

    def keep(self, documents: Iterable[Point], due: Iterable[Point], readings: Sequence[Reading]) -> None:
        """Keep documents that the server has, such that are due to it, and readings for the spool."""
        rows = [_document_row(point, 0) for point in documents]
        rows += (_document_row(point, 1) for point in due)
        with self._whole() as write:
            write.executemany("INSERT OR REPLACE INTO document VALUES (?, ?, ?, ?, ?, ?)", rows)
            write.execute(_FINISHED)
            if readings:
                packed = pack(readings)
                write.execute("INSERT INTO spool (packed, readings) VALUES (?, ?)", (packed, len(readings)))
        if readings:
            self.waiting += 1
            self._bytes += len(packed)

    def given(self, lasting: Sequence[str]) -> None:
        """The server has all documents now; those of lasting kinds stay, as it has them, but for notes of
        single days."""
        marks = ", ".join("?" for _ in lasting)
        with self._whole() as write:
            write.execute(f"DELETE FROM document WHERE due = 1 AND kind NOT IN ({marks})", lasting)
            write.execute(f"DELETE FROM document WHERE due = 1 AND {DATED}")
            write.execute("UPDATE document SET due = 0 WHERE due = 1")
            write.execute(_FINISHED)

    def newest(self) -> list[Reading]:
        """The newest readings of the spool, so many that each channel that goes on is among them."""
        sql = "SELECT packed FROM spool ORDER BY id DESC LIMIT ?"
        with told(self.path):
            rows = self._connection.execute(sql, (NEWEST_ENTRIES,)).fetchall()
        return [reading for (packed,) in reversed(rows) for reading in unpack(packed)]

    def oldest(self, most: int) -> tuple[int, list[Reading]]:
        """The oldest readings of the spool, `most` or a few more, and the number of the last entry."""
        readings: list[Reading] = []
        last = 0
        with told(self.path):
            for number, packed in self._connection.execute("SELECT id, packed FROM spool ORDER BY id"):
                readings += unpack(packed)
                last = number
                if len(readings) >= most:
                    break
        return last, readings

    def sent(self, last: int) -> None:
        """The readings up to an entry are on the server."""
        with self._whole() as write:
            write.execute("DELETE FROM spool WHERE id <= ?", (last,))
        with told(self.path):
            found = self._connection.execute("SELECT count(*), total(length(packed)) FROM spool").fetchone()
            self.waiting, self._bytes = int(found[0]), int(found[1])
            if not self.waiting:
                self._connection.execute("PRAGMA incremental_vacuum").fetchall()

    def make_room(self) -> int:
        """Where the spool is too full, thin its oldest readings out; how many are gone by that."""
        gone = 0
        while self._bytes > self._spool_bytes:
            gone += self._thin()
        return gone

    def _thin(self) -> int:
        """Thin the oldest part out; where all is thinned out already, drop the oldest."""
        sql = "SELECT id, packed, readings, thinned FROM spool ORDER BY thinned, id"
        gone, room, kept = 0, 0, set[Place]()
        changed: list[tuple[bytes, int, int]] = []
        with told(self.path):
            rows = self._connection.execute(sql)
            for number, packed, count, thinned in rows:
                if room >= self._spool_bytes // _SHARE or (thinned and changed):
                    break
                left = [] if thinned else thinned_out(unpack(packed), kept)
                small = pack(left) if left else b""
                changed.append((small, len(left), number))
                room += len(packed) - len(small)
                gone += count - len(left)
        with self._whole() as write:
            write.executemany("UPDATE spool SET packed = ?, readings = ?, thinned = 1 WHERE id = ?", changed)
            write.execute("DELETE FROM spool WHERE readings = 0")
            found = write.execute("SELECT count(*), total(length(packed)) FROM spool").fetchone()
        self.waiting, self._bytes = int(found[0]), int(found[1])
        return gone

    def put_aside(self, refused: Iterable[tuple[Point, str]], found_ms: int) -> None:
        """Keep points that the server did not take, with its words."""
        rows = [(_point_text(point), words, found_ms) for point, words in refused]
        with self._whole() as write:
            write.executemany("INSERT INTO refused (point, words, found_ms) VALUES (?, ?, ?)", rows)
            write.execute(
                "DELETE FROM refused WHERE id <= (SELECT max(id) FROM refused) - ?", (REFUSED_KEPT,)
            )

    def refused(self) -> list[tuple[Point, str, int]]:
        """The points that were put aside, with the server's words and when that was."""
        sql = "SELECT point, words, found_ms FROM refused ORDER BY id"
        with told(self.path):
            return [
                (Point(*json.loads(text)), words, found_ms)
                for text, words, found_ms in self._connection.execute(sql)
            ]

    def stage(self, device: str, start_ms: int, end_ms: int, batches: Iterator[Sequence[Reading]]) -> None:
        """Keep readings that replace a device's in [start, end) until that is done: all of them or, where an
        error comes instead, none."""
        with self._whole() as write:
            write.execute("DELETE FROM coming")
            for batch in batches:
                write.execute("INSERT INTO coming (packed) VALUES (?)", (pack(batch),))
            write.execute("INSERT INTO replaced VALUES (?, ?, ?)", (device, start_ms, end_ms))

    def staged(self) -> tuple[str, int, int] | None:
        """Device and span of a replacement that is not done."""
        with told(self.path):
            found = self._connection.execute("SELECT device, start_ms, end_ms FROM replaced").fetchone()
        return None if found is None else (str(found[0]), int(found[1]), int(found[2]))

    def staged_readings(self) -> Iterator[list[Reading]]:
        """Its readings, batch by batch."""
        with told(self.path):
            for (packed,) in self._connection.execute("SELECT packed FROM coming ORDER BY id"):
                yield unpack(packed)

    def unstage(self) -> None:
        """The replacement is done."""
        with self._whole() as write:
            write.execute("DELETE FROM coming")
            write.execute("DELETE FROM replaced")
            write.execute("PRAGMA incremental_vacuum").fetchall()

    @contextmanager
    def _whole(self) -> Iterator[sqlite3.Connection]:
        """All inside is kept or nothing."""
        with told(self.path), whole(self._connection):
            yield self._connection


def shelf_path(store: Path) -> Path:
    """The shelf's file beside where the store would be."""
    return store.with_name(store.name + ".shelf")


def _document_row(point: Point, due: int) -> tuple[str, str, int, int, str, int]:
    number = int(point.values["number"])
    return point.device, point.of, number, point.time_ms, str(point.values["document"]), due


def _point_text(point: Point) -> str:
    kept = [point.time_ms, point.device, dict(point.values), point.of, point.what.value]
    return json.dumps(kept, ensure_ascii=False)
