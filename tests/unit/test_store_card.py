"""What a commit writes to the card is little, and does not grow with the age of the store."""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from pathlib import Path

import pytest

from monitor.quantities import QUANTITIES
from monitor.records import LATEST_MS, DeviceHealth, Heartbeat, Reading
from monitor.store.connect import PAGE_BYTES
from monitor.store.embedded import open_reader, open_writer
from monitor.store.heartbeat import write_heartbeat
from monitor.store.schema import migrate
from monitor.store.steps import CODES
from monitor.store.upkeep import compact

CHANNELS = [name for name in QUANTITIES if name not in CODES][:18]
START_MS = 1_795_478_400_000
"""2026-11-24T00:00:00Z."""
HOUR_MS, DAY_MS, EVERY_MS = 3_600_000, 86_400_000, 5_000


def bytes_written(log: Path) -> int:
    """How long a write-ahead log is.

    Source of the layout: SQLite's documentation "Database File Format", 4.1 and 4.2: a header of 32 bytes
    with the page size at 8 and two salts at 16; frames of 24 bytes with the page's number first and the salts
    at 8, followed by the page; a frame with other salts is left over from before.
    """
    held = log.read_bytes()
    (page_bytes,) = struct.unpack_from(">I", held, 8)
    at = 32
    while held[at + 8 : at + 16] == held[16:24]:
        at += 24 + page_bytes
    return at


@pytest.mark.parametrize("days", [0, 200])
def test_a_commit_writes_some_kilobytes_however_old_the_store_is(tmp_path: Path, days: int) -> None:
    path = tmp_path / "store.db"
    now_ms = START_MS + days * DAY_MS + 12 * HOUR_MS
    with open_writer(path, "UTC") as writer:
        for day in range(days + 1):
            at_ms = START_MS + day * DAY_MS + HOUR_MS
            writer.append(Reading(at_ms, "charger", name, 12.5) for name in CHANNELS)
        writer.commit()
        writer.pack_all(lambda left: None)
        writer.put_note("settled", "now")
        writer.commit()
        commits = []
        for minute in range(12):
            before = bytes_written(path.with_name("store.db-wal"))
            for poll in range(12):
                at_ms = now_ms + minute * 60_000 + poll * EVERY_MS
                writer.append(
                    Reading(at_ms, "charger", name, 12.5 + poll * place / 100)
                    for place, name in enumerate(CHANNELS)
                )
            writer.put_health(DeviceHealth("charger", "port", "answering", now_ms, at_ms, 80.5, 12 * minute))
            write_heartbeat(writer, Heartbeat(at_ms, START_MS, None))
            writer.commit()
            commits.append(bytes_written(path.with_name("store.db-wal")) - before)
    # by calculation: 800 bytes of rows and 1,800 of `now`, each page as a whole: two of either; and as a page
    # of rows holds two minutes, with each second commit a new one, the page above it and the file's first
    assert max(commits) <= 8 * (24 + PAGE_BYTES), commits
    assert sum(commits) / len(commits) <= 12_000, commits


def page_bytes(path: Path) -> int:
    # SQLite's documentation "Database File Format", 1.3.2: two bytes at 16
    return int.from_bytes(path.read_bytes()[16:18], "big")


def test_an_old_store_gets_small_pages_when_it_is_compacted_and_nobody_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.execute("PRAGMA page_size = 4096")
        migrate(file, path)
    readings = [Reading(START_MS + hour * HOUR_MS, "charger", CHANNELS[0], 12.5) for hour in range(50)]
    with open_writer(path, "UTC") as writer:
        writer.append(readings)
        writer.commit()
    with open_reader(path) as reader:
        assert list(reader.readings(0, LATEST_MS)) == readings
        compact(path, "UTC", lambda done, of: None)
        assert list(reader.readings(0, LATEST_MS)) == readings
        assert page_bytes(path) == 4096
    compact(path, "UTC", lambda done, of: None)
    assert page_bytes(path) == PAGE_BYTES
    with open_writer(path, "UTC") as writer:
        assert list(writer.readings(0, LATEST_MS)) == readings
        writer.append([Reading(START_MS + 60 * HOUR_MS, "charger", CHANNELS[0], 12.6)])
        writer.commit()
        with open_reader(path) as reader:
            assert reader.latest() == writer.latest()
    fresh = tmp_path / "new.db"
    open_writer(fresh, "UTC").close()
    assert page_bytes(fresh) == PAGE_BYTES
