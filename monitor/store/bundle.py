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


THIN_MS = 300_000
"""Of what is thinned out one reading a channel stays in so much time (our choice: what a chart of more than a
day shows, and the estimator's window)."""

Place = tuple[str, str, int]
"""A device, a quantity, and the step of time of which one reading stays."""


def thinned_out(readings: Iterable[Reading], kept: set[Place]) -> list[Reading]:
    """The first reading of each place; kept are those of which one stays already, and grows by these."""
    left = []
    for reading in readings:
        place = reading.device, reading.quantity, reading.time_ms // THIN_MS
        if place not in kept:
            kept.add(place)
            left.append(reading)
    return left


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


def with_waiting(latest: Iterable[Reading], note: str | None) -> list[Reading]:
    """A store's newest readings, those of HELD_NOTE in their places. Raises StoreError where it is bad."""
    waiting = {(each.device, each.quantity): each for each in of_rows(note or "[]")}
    shown = [waiting.pop((each.device, each.quantity), each) for each in latest]
    return [*shown, *waiting.values()]


def pack(readings: Iterable[Reading]) -> bytes:
    """Readings as bytes."""
    return zlib.compress(rows_of(readings).encode())


def unpack(packed: bytes) -> list[Reading]:
    """Readings from bytes. Raises StoreError for what is no such thing."""
    try:
        return of_rows(zlib.decompress(packed))
    except zlib.error as error:
        raise StoreError(f"readings that were kept outside the store are damaged ({error})") from error
