"""Which mirrors a store has, and the little that their process writes into it.

The daemon goes over the store anew after another process's commit, so a mirror writes rarely: its line in
`mirror`, up to which note of late readings it needs none again, and an event.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

from monitor.records import Event
from monitor.store.connect import connect, told
from monitor.store.late import drop_heard
from monitor.store.schema import check


def enrol(path: Path, names: Sequence[str]) -> dict[str, int]:
    """Make these and no others the store's mirrors; the key of each. From now on late readings are noted.

    Writes only where something changes. Raises StoreError.
    """
    with closing(connect(path, read_only=True)) as ask, told(path):
        check(ask, path)
        known = dict(ask.execute("SELECT name, key FROM mirror").fetchall())
    if known.keys() == set(names):
        return known
    with _writing(path) as write:
        marks = ", ".join("?" for _ in names)
        write.execute(f"DELETE FROM mirror WHERE name NOT IN ({marks})", tuple(names))
        # any number that no earlier store or mirror of this name had
        write.executemany(
            "INSERT OR IGNORE INTO mirror VALUES (?, random(), (SELECT coalesce(max(id), 0) FROM late))",
            ((name,) for name in names),
        )
        drop_heard(write)
        return dict(write.execute("SELECT name, key FROM mirror").fetchall())


def key_of(ask: sqlite3.Connection, name: str) -> int | None:
    """The key under which a store knows a mirror, None where it does not; ask is a `mirrored.snapshot`."""
    row = ask.execute("SELECT key FROM mirror WHERE name = ?", (name,)).fetchone()
    return None if row is None else int(row[0])


def keep_only(path: Path, names: Sequence[str]) -> None:
    """Forget the mirrors that the site file does not name any more, so that no notes are made for them.

    Writes only where there is one. Raises StoreError.
    """
    with closing(connect(path, read_only=True)) as ask, told(path):
        known = [name for (name,) in ask.execute("SELECT name FROM mirror")]
    gone = [(name,) for name in known if name not in names]
    if gone:
        with _writing(path) as write:
            write.executemany("DELETE FROM mirror WHERE name = ?", gone)
            drop_heard(write)


def note_heard(path: Path, name: str, heard: int) -> None:
    """Tell the store up to which note a mirror needs none again. Raises StoreError."""
    with _writing(path) as write:
        write.execute("UPDATE mirror SET heard = ? WHERE name = ?", (heard, name))
        drop_heard(write)


def tell(path: Path, event: Event) -> None:
    """Keep an event of a mirror; the very same one again changes nothing. Raises StoreError."""
    row = (event.time_ms, event.kind, event.subject, event.text)
    with _writing(path) as write:
        write.execute(
            "INSERT INTO event (time_ms, kind, subject, text) SELECT ?, ?, ?, ? WHERE NOT EXISTS"
            " (SELECT 1 FROM event WHERE time_ms = ? AND kind = ? AND subject = ? AND text = ?)",
            row + row,
        )


@contextmanager
def _writing(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(connect(path, read_only=False)) as write, told(path):
        check(write, path)
        write.execute("BEGIN IMMEDIATE")
        yield write
        write.execute("COMMIT")
