"""Readings as bytes and as text, for what waits outside the store's tables. Pure."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable

from monitor.errors import StoreError
from monitor.records import Quality, Reading

HELD_NOTE = "held"
"""Key of the store's note with the newest readings while they wait because the time is not known; their times
are then the earliest that they can be. An empty list at all other times."""


def rows_of(readings: Iterable[Reading]) -> str:
    """Readings as JSON text."""
    rows = [
        [each.time_ms, each.device, each.quantity, each.value, each.quality.value, each.reason]
        for each in readings
    ]
    return json.dumps(rows, ensure_ascii=False)


def of_rows(text: str | bytes) -> list[Reading]:
    """Readings from `rows_of`. Raises StoreError for what is no such thing."""
    try:
        return [
            Reading(time_ms, device, quantity, value, Quality(quality), reason)
            for time_ms, device, quantity, value, quality, reason in json.loads(text)
        ]
    except (ValueError, TypeError) as error:
        raise StoreError(f"readings that were kept outside the store are damaged ({error})") from error


def pack(readings: Iterable[Reading]) -> bytes:
    """Readings as bytes."""
    return zlib.compress(rows_of(readings).encode())


def unpack(packed: bytes) -> list[Reading]:
    """Readings from bytes. Raises StoreError for what is no such thing."""
    try:
        return of_rows(zlib.decompress(packed))
    except zlib.error as error:
        raise StoreError(f"readings that were kept outside the store are damaged ({error})") from error
