"""The hand-written log in the embedded store: one row an entry, its earlier wordings inside its document."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping

from monitor.records import LogEntry
from monitor.store.documents import document_of, log_entry_of


def read_log(ask: sqlite3.Connection, start_ms: int, end_ms: int, limit: int) -> list[LogEntry]:
    """Entries of what was done in [start, end), newest first."""
    sql = (
        "SELECT id, document FROM log WHERE time_ms >= ? AND time_ms < ?"
        " ORDER BY time_ms DESC, id DESC LIMIT ?"
    )
    rows = ask.execute(sql, (start_ms, end_ms, limit))
    return [log_entry_of(document, number) for number, document in rows]


def read_log_entry(ask: sqlite3.Connection, number: int) -> LogEntry | None:
    """One entry by its id."""
    row = ask.execute("SELECT document FROM log WHERE id = ?", (number,)).fetchone()
    return None if row is None else log_entry_of(row[0], number)


def write_log(write: sqlite3.Connection, new: Iterable[LogEntry], changed: Mapping[int, LogEntry]) -> None:
    """Put new entries into the table and replace those that were changed."""
    write.executemany(
        "INSERT INTO log (time_ms, document) VALUES (?, ?)",
        ((entry.time_ms, document_of(entry)) for entry in new),
    )
    write.executemany(
        "UPDATE log SET time_ms = ?, document = ? WHERE id = ?",
        ((entry.time_ms, document_of(entry), number) for number, entry in changed.items()),
    )
