"""What is known of each mirror, in a small SQLite file beside the store.

It has a file of its own because the daemon would go over the store anew after every commit of another
process. A commit here is whole or not at all, so a kill at any moment leaves a place that was reached; after
a power cut it may be an earlier one, and what came after it is sent again.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import asdict, fields
from pathlib import Path

from monitor.closing import Closing
from monitor.errors import StoreError
from monitor.mirror.state import Refused, State
from monitor.records import Event
from monitor.store.connect import connect, prepare_for_writing, told, whole
from monitor.store.mirrored_place import Channel, Place, Point, What
from monitor.store.mirrored_records import Identity

TABLES = (
    # with rowid: a row of up to 4 kB stays in one page, and replacing its texts touches no other
    "CREATE TABLE IF NOT EXISTS mirror (name TEXT PRIMARY KEY, place TEXT, state TEXT)",
    """CREATE TABLE IF NOT EXISTS refused (
        id INTEGER PRIMARY KEY AUTOINCREMENT, mirror TEXT NOT NULL, point TEXT NOT NULL, words TEXT NOT NULL,
        found_ms INTEGER NOT NULL)""",
    "CREATE INDEX IF NOT EXISTS refused_of ON refused (mirror, id)",
    # the records that a server may have; digest is '' while the process runs
    """CREATE TABLE IF NOT EXISTS given (
        mirror TEXT NOT NULL, kind TEXT NOT NULL, key TEXT NOT NULL, number INTEGER NOT NULL,
        digest TEXT NOT NULL, PRIMARY KEY (mirror, kind, key, number)) WITHOUT ROWID""",
)

KEPT = 10_000
"""So many refused values of a mirror are kept here (our choice: a few megabytes; the readings themselves stay
in the store whatever becomes of them here)."""


_GIVEN = "INSERT OR REPLACE INTO given VALUES (?, ?, ?, ?, ?)"
_GONE = "DELETE FROM given WHERE mirror = ? AND kind = ? AND key = ? AND number = ?"


def book_path(store: Path) -> Path:
    """The book's file of a store's file."""
    return store.with_name(store.name + ".mirrors")


class Book(Closing):
    """The book of one store; threads may share it."""

    def __init__(self, path: Path) -> None:
        """Open it, making it where it is missing. Raises StoreError."""
        self.path = path
        self._lock = threading.Lock()
        try:
            self._connection = _opened(path)
        except StoreError as error:
            raise StoreError(
                f"{error}. This file only says how far the mirrors have come: if it is damaged, "
                "remove it and all is sent once more"
            ) from error

    def close(self) -> None:
        """Release the file; may be called twice."""
        with self._lock:
            self._connection.close()

    def read(self, name: str) -> tuple[Place | None, State]:
        """A mirror's place and state; no place where the book does not know it. Raises StoreError."""
        with self._lock, told(self.path):
            return _read(self._connection, name)

    def save(self, name: str, place: Place, state: State, refused: Iterable[Refused] = ()) -> None:
        """Keep a mirror's place and state, and put more points aside: together or not. Raises StoreError."""
        rows = [(name, _point_text(each.point), each.words, each.found_ms) for each in refused]
        with self._writing() as write:
            write.execute(
                "INSERT INTO mirror VALUES (?, ?, ?)"
                " ON CONFLICT (name) DO UPDATE SET place = excluded.place, state = excluded.state",
                (name, _place_text(place), json.dumps(asdict(state), ensure_ascii=False)),
            )
            if rows:
                write.executemany(
                    "INSERT INTO refused (mirror, point, words, found_ms) VALUES (?, ?, ?, ?)", rows
                )
                write.execute(
                    "DELETE FROM refused WHERE mirror = ? AND id <= (SELECT id FROM refused"
                    " WHERE mirror = ? ORDER BY id DESC LIMIT 1 OFFSET ?)",
                    (name, name, KEPT),
                )

    def given(self, name: str) -> dict[Identity, str]:
        """The records that a mirror's server may have, with the digest of what each says there, '' where that
        is not known. Raises StoreError."""
        sql = "SELECT kind, key, number, digest FROM given WHERE mirror = ?"
        with self._lock, told(self.path):
            rows = self._connection.execute(sql, (name,)).fetchall()
        return {(kind, key, number): digest for kind, key, number, digest in rows}

    def announce(self, name: str, new: Iterable[Identity], gone: Iterable[Identity]) -> None:
        """Records that a server may have from now on, and those that it has no more; what each says there is
        not known from now on. Durable at once: a power cut must not bring a digest back. Raises
        StoreError."""
        with self._writing(at_once=True) as write:
            write.execute("UPDATE given SET digest = '' WHERE mirror = ? AND digest <> ''", (name,))
            write.executemany(_GONE, ((name, *identity) for identity in gone))
            write.executemany(_GIVEN, ((name, *identity, "") for identity in new))

    def keep_given(self, name: str, given: Mapping[Identity, str], gone: Iterable[Identity]) -> None:
        """What a server has, now that nothing more is sent. Raises StoreError."""
        with self._writing() as write:
            write.executemany(_GONE, ((name, *identity) for identity in gone))
            write.executemany(_GIVEN, ((name, *identity, digest) for identity, digest in given.items()))

    def forget_given(self, name: str) -> None:
        """Forget what was set aside for a mirror and what its server's records say: all is about to be sent
        again. Raises StoreError."""
        with self._writing() as write:
            write.execute("DELETE FROM refused WHERE mirror = ?", (name,))
            write.execute("UPDATE given SET digest = '' WHERE mirror = ? AND digest <> ''", (name,))

    @contextmanager
    def _writing(self, *, at_once: bool = False) -> Iterator[sqlite3.Connection]:
        """A transaction: all of it or nothing; at_once has the disk take it before it goes on."""
        with self._lock, told(self.path):
            self._connection.execute(f"PRAGMA synchronous = {'FULL' if at_once else 'NORMAL'}")
            with whole(self._connection):
                yield self._connection


def look_up(path: Path, name: str, newest: int) -> tuple[Place | None, State, list[Refused]]:
    """What a book says of a mirror, with its newest refused points; read only. Raises StoreError."""
    if not path.exists():
        return None, State(), []
    sql = "SELECT point, words, found_ms FROM refused WHERE mirror = ? ORDER BY id DESC LIMIT ?"
    with closing(connect(path, read_only=True)) as ask, told(path):
        place, state = _read(ask, name)
        rows = ask.execute(sql, (name, newest)).fetchall()
    return place, state, [Refused(_point(text), words, found_ms) for text, words, found_ms in rows]


def _read(ask: sqlite3.Connection, name: str) -> tuple[Place | None, State]:
    row = ask.execute("SELECT place, state FROM mirror WHERE name = ?", (name,)).fetchone()
    if row is None:
        return None, State()
    try:
        place, state = json.loads(row[0]), json.loads(row[1])
        place.pop("zone", None)  # from before statistics had a form: they are all given anew
        place["given"] = _channels(place["given"])
        place["flawed"] = None if place.get("flawed") is None else _channels(place["flawed"])
        place["due"], place["hours"] = tuple(place["due"]), tuple(place.get("hours", ()))
        place["events"] = {kind: tuple(last) for kind, last in place.get("events", {}).items()}
        state["told"] = tuple(state["told"])
        state["untold"] = tuple(Event(**each) for each in state["untold"])
        return Place(**place), State(**state)
    except (ValueError, KeyError, TypeError):  # of another version: all is sent once more
        return None, State()


def _channels(rows: Iterable[tuple[str, str, int]]) -> dict[Channel, int]:
    return {(device, quantity): time_ms for device, quantity, time_ms in rows}


def _place_text(place: Place) -> str:
    named = {each.name: getattr(place, each.name) for each in fields(place)}
    for name in ("given", "flawed"):
        if named[name] is not None:
            named[name] = [[*channel, time_ms] for channel, time_ms in sorted(named[name].items())]
    return json.dumps(named, ensure_ascii=False)


def _point_text(point: Point) -> str:
    named = [point.time_ms, point.device, dict(point.values), point.of, point.what]
    return json.dumps(named, ensure_ascii=False)


def _point(text: str) -> Point:
    time_ms, device, values, of, *what = json.loads(text)
    return Point(time_ms, device, values, of, What(what[0] if what else ""))


def _opened(path: Path) -> sqlite3.Connection:
    """A connection to the book, its tables made where they are missing. Raises StoreError."""
    connection = connect(path, read_only=False)
    try:
        with told(path):
            prepare_for_writing(connection)
            for statement in TABLES:
                connection.execute(statement)
    except StoreError:
        connection.close()
        raise
    return connection
