"""When the bank was told full: the event that the daemon keeps of it, and how readers find it."""

from __future__ import annotations

from monitor.store.base import StoreReader

FULL = "full"
"""Kind of the event with which the daemon tells that the bank has met the signs of a full charge."""

LOOKED_AT = 10_000
"""So many of the newest events of a time are looked through at most (our choice: 27 a day for a year)."""


def told_full(reader: StoreReader, start_ms: int, end_ms: int) -> list[int]:
    """The moments in [start, end) at which the bank was told full, newest first. Raises StoreError."""
    return [event.time_ms for event in reader.events(start_ms, end_ms, LOOKED_AT) if event.kind == FULL]
