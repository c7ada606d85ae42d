"""What every store must answer about the hand-written log."""

from __future__ import annotations

from dataclasses import replace

from monitor.records import LogEntry, LogKind
from tests.contract.engines import Pair
from tests.contract.test_store_contract import NOON, engine, store

__all__ = ["engine", "store"]  # fixtures


MINUTE_MS = 60_000
WATERED = LogEntry(NOON, LogKind.WATER, "Topped up all cells.", {"water_L": 1.2}, "Ada", NOON + MINUTE_MS)
NOTED = LogEntry(NOON + MINUTE_MS, LogKind.NOTE, "Owl in the roof, 2 °C", by="Ada", written_ms=NOON)


def test_the_log_is_told_newest_first_by_when_it_was_done(store: Pair) -> None:
    store.writer.add_log_entry(NOTED)
    store.writer.add_log_entry(WATERED)
    assert store.reader.log(0, NOON * 2) == []  # nothing is durable before the commit
    store.writer.commit()
    assert [replace(each, id=0) for each in store.reader.log(0, NOON * 2)] == [NOTED, WATERED]
    assert [each.kind for each in store.reader.log(0, NOON + 1)] == ["water"]  # the end is left out
    assert [each.kind for each in store.reader.log(NOON + 1, NOON * 2)] == ["note"]
    assert [each.kind for each in store.reader.log(0, NOON * 2, limit=1)] == ["note"]


def test_an_entry_that_is_changed_keeps_its_number_and_what_it_said(store: Pair) -> None:
    store.writer.add_log_entry(WATERED)
    store.writer.commit()
    (kept,) = store.reader.log(0, NOON * 2)
    second = replace(
        kept, details={"water_L": 2.1}, by="Ben", written_ms=NOON + 9, former=(*kept.former, kept)
    )
    store.writer.put_log_entry(second)
    assert store.writer.log_entry(kept.id) == second  # a second change in the same moment builds on it
    assert store.reader.log_entry(kept.id) == kept
    store.writer.commit()
    assert store.reader.log(0, NOON * 2) == [second]
    assert store.reader.log_entry(kept.id) == second
    moved = replace(second, time_ms=NOON - MINUTE_MS, former=(*second.former, replace(second, former=())))
    store.writer.put_log_entry(moved)
    store.writer.commit()
    assert store.reader.log(NOON, NOON * 2) == []
    assert [each.details["water_L"] for each in store.reader.log_entry(kept.id).former] == [1.2, 2.1]


def test_an_entry_that_is_not_there_is_none(store: Pair) -> None:
    assert store.reader.log_entry(1) is None
