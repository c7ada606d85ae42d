"""What a commit writes to the card does not grow with the age of the store."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from monitor.quantities import QUANTITIES
from monitor.records import DeviceHealth, Heartbeat, Reading
from monitor.store.embedded import open_writer
from monitor.store.heartbeat import write_heartbeat
from monitor.store.steps import CODES

CHANNELS = [name for name in QUANTITIES if name not in CODES][:18]
START_MS = 1_795_478_400_000
"""2026-11-24T00:00:00Z."""
HOUR_MS, DAY_MS, EVERY_MS = 3_600_000, 86_400_000, 5_000


def pages_written(log: Path) -> list[int]:
    """The pages in a write-ahead log, in order.

    Source of the layout: SQLite's documentation "Database File Format", 4.1 and 4.2: a header of 32 bytes
    with the page size at 8 and two salts at 16; frames of 24 bytes with the page's number first and the salts
    at 8, followed by the page; a frame with other salts is left over from before.
    """
    held = log.read_bytes()
    (page_bytes,) = struct.unpack_from(">I", held, 8)
    pages = []
    for at in range(32, len(held) - page_bytes, 24 + page_bytes):
        if held[at + 8 : at + 16] != held[16:24]:
            break
        pages.append(struct.unpack_from(">I", held, at)[0])
    return pages


@pytest.mark.parametrize("days", [0, 200])
def test_a_commit_writes_three_pages_however_old_the_store_is(tmp_path: Path, days: int) -> None:
    path = tmp_path / "store.db"
    now_ms = START_MS + days * DAY_MS + 12 * HOUR_MS
    with open_writer(path, "UTC") as writer:
        for day in range(days + 1):
            at_ms = START_MS + day * DAY_MS + HOUR_MS
            writer.append(Reading(at_ms, "charger", name, 12.5) for name in CHANNELS)
        writer.commit()
        writer.pack_all(lambda left: None)
        commits = []
        for minute in range(12):
            before = len(pages_written(path.with_name("store.db-wal"))) if minute else 0
            for poll in range(12):
                at_ms = now_ms + minute * 60_000 + poll * EVERY_MS
                writer.append(
                    Reading(at_ms, "charger", name, 12.5 + poll * place / 100)
                    for place, name in enumerate(CHANNELS)
                )
            writer.put_health(DeviceHealth("charger", "port", "answering", now_ms, at_ms, 80.5, 12 * minute))
            write_heartbeat(writer, Heartbeat(at_ms, START_MS, None))
            writer.commit()
            commits.append(len(pages_written(path.with_name("store.db-wal"))) - before)
    # by calculation: the page of rows and that of `now`, and as a page of rows holds six minutes, a new one,
    # the page above it and the file's first once in a while
    assert max(commits[1:]) <= 5, commits
    assert sum(commits[1:]) <= 3 * len(commits[1:]), commits
