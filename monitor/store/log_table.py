"""The hand-written log in the embedded store: one row an entry, its earlier wordings inside its document."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from monitor.records import LogEntry


def read_log(ask: sqlite3.Connection, start_ms: int, end_ms: int, limit: int) -> list[LogEntry]:
    """Entries of what was done in [start, end), newest first."""
    sql = (
        "SELECT id, document FROM log WHERE time_ms >= ? AND time_ms < ?"
        " ORDER BY time_ms DESC, id DESC LIMIT ?"
    )
    rows = ask.execute(sql, (start_ms, end_ms, limit))
    return [_entry(json.loads(document), number) for number, document in rows]


def read_log_entry(ask: sqlite3.Connection, number: int) -> LogEntry | None:
    """One entry by its id."""
    row = ask.execute("SELECT document FROM log WHERE id = ?", (number,)).fetchone()
    return None if row is None else _entry(json.loads(row[0]), number)


def write_log(write: sqlite3.Connection, new: Iterable[LogEntry], changed: Mapping[int, LogEntry]) -> None:
    """Put new entries into the table and replace those that were changed."""
    write.executemany(
        "INSERT INTO log (time_ms, document) VALUES (?, ?)",
        ((entry.time_ms, _document(entry)) for entry in new),
    )
    write.executemany(
        "UPDATE log SET time_ms = ?, document = ? WHERE id = ?",
        ((entry.time_ms, _document(entry), number) for number, entry in changed.items()),
    )


def _document(entry: LogEntry) -> str:
    return json.dumps(_without_id(asdict(entry)), ensure_ascii=False)


def _without_id(named: Mapping[str, Any]) -> dict[str, Any]:
    """The row's key is the id of all wordings."""
    former = [_without_id(each) for each in named["former"]]
    return {key: value for key, value in named.items() if key != "id"} | {"former": former}


def _entry(named: Mapping[str, Any], number: int) -> LogEntry:
    former = tuple(_entry(each, number) for each in named["former"])
    return LogEntry(**{**named, "former": former, "id": number})
