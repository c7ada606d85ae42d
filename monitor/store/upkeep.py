"""A store looked through, measured and compacted: what `nightbank store` does with the file as a whole."""

from __future__ import annotations

import shutil
import sqlite3
import struct
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from monitor.errors import StoreError
from monitor.store.blocks import SPAN_MS
from monitor.store.connect import connect, told
from monitor.store.embedded import open_writer
from monitor.store.pack import split_columns
from monitor.store.queries import ENDS, OPEN_DAYS
from monitor.store.schema import check

MOST_TOLD = 20
"""Troubles that a check tells; a damaged file has thousands (our choice)."""

ROOM = 2.2
"""How much of the file's size must be free to compact it: a copy beside it, and the log through which SQLite
brings that back (from memory of SQLite's documentation of VACUUM, 'twice the size'; a tenth more is our
choice)."""

Tell = Callable[[int, int], None]
"""Hears how much is done, and of how much."""


@dataclass(frozen=True, slots=True)
class Size:
    """How much room a store takes: bytes of file and log, free bytes inside, and what is in it."""

    file_bytes: int
    log_bytes: int
    free_bytes: int
    readings: int
    rows: int
    blocks: int
    first_ms: int | None
    last_ms: int | None


def size_of(path: Path) -> Size:
    """A store's size. Raises StoreError like a reader."""
    log = path.with_name(path.name + "-wal")
    with closing(connect(path, read_only=True)) as ask, told(path):
        check(ask, path)
        (page_bytes,) = ask.execute("PRAGMA page_size").fetchone()
        (free,) = ask.execute("PRAGMA freelist_count").fetchone()
        sql = (
            "SELECT (SELECT coalesce(sum(count), 0) FROM day)"
            f" + (SELECT coalesce(sum(count), 0) FROM {OPEN_DAYS}), (SELECT count(*) FROM poll),"
            f" (SELECT count(*) FROM block), min(first_ms), max(last_ms) FROM ({ENDS})"
        )
        log_bytes = log.stat().st_size if log.exists() else 0
        return Size(path.stat().st_size, log_bytes, page_bytes * free, *ask.execute(sql).fetchone())


def troubles(path: Path, tell: Tell) -> Iterator[str]:
    """What is wrong with a store's file, a line each; nothing where it is sound.

    SQLite's own check of each table and index, then every block: that it unpacks, that its readings lie in
    its span in order, and that none of them stands in a row as well. Raises StoreError where the file cannot
    be opened at all.
    """
    with closing(connect(path, read_only=True)) as ask:
        with told(path):
            check(ask, path)
            ask.execute("BEGIN")
            tables = [name for (name,) in ask.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
            spans = [span for (span,) in ask.execute("SELECT span FROM block ORDER BY span")]
        steps = len(tables) + len(spans)
        for done, table in enumerate(tables):
            tell(done, steps)
            try:
                found = ask.execute(f"PRAGMA integrity_check('{table}')").fetchall()
                yield from (f"table {table}: {text}" for (text,) in found[:MOST_TOLD] if text != "ok")
            except sqlite3.Error as error:
                yield f"table {table}: {error}"
        for done, span in enumerate(spans, start=len(tables)):
            tell(done, steps)
            try:
                yield from (f"block {span}: {text}" for text in _block_troubles(ask, span))
            except (StoreError, sqlite3.Error, struct.error, ValueError, IndexError) as error:
                yield f"block {span}: cannot be unpacked ({error})"
        tell(steps, steps)


def _block_troubles(ask: sqlite3.Connection, span: int) -> Iterator[str]:
    head, body = ask.execute("SELECT head, body FROM block WHERE span = ?", (span,)).fetchone()
    start_ms, end_ms = span * SPAN_MS, (span + 1) * SPAN_MS
    for channel, column in split_columns(head, body).items():
        times, values = column.unpack()
        if not times or len(times) != len(values):
            yield f"channel {channel} has {len(times)} times and {len(values)} values"
            continue
        if not start_ms <= times[0] <= times[-1] < end_ms or any(map(int.__ge__, times, times[1:])):
            yield f"channel {channel} has times that are not in order or not of this span"
        sql = f"SELECT time_ms FROM poll WHERE time_ms BETWEEN ? AND ? AND c{channel} IS NOT NULL"
        twice = set(times) & {time_ms for (time_ms,) in ask.execute(sql, (times[0], times[-1]))}
        if twice:
            yield f"channel {channel} has {len(twice)} readings that stand in rows as well"


def compact(path: Path, time_zone: str, tell: Tell) -> tuple[int, int]:
    """Pack all that is due and give what is free in the file back to the disk; its bytes before and after.

    Nobody else may write meanwhile; readers may read. Raises StoreError where a daemon runs, or the disk has
    too little room; nothing is changed or lost where it is interrupted.
    """
    before = path.stat().st_size if path.exists() else 0
    free = shutil.disk_usage(path.parent).free if path.parent.is_dir() else 0
    if before and free < ROOM * before:
        raise StoreError(
            f"{path}: compacting needs {ROOM * before / 1e6:.0f} MB beside the store, {free / 1e6:.0f} MB are"
            " free; make room, or leave it: free pages are used again by new readings"
        )
    connect(path, read_only=True).close()
    with open_writer(path, time_zone) as writer:
        rows = size_of(path).rows
        writer.pack_all(lambda left: tell(rows - left, rows))
        writer.shrink()
    return before, path.stat().st_size
