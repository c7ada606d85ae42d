"""The frozen values that the book keeps of a mirror."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.records import Event
from monitor.store.mirrored_place import Point


@dataclass(frozen=True, slots=True)
class Refused:
    """A point (or one value of it) that a server did not take, set aside with the server's words."""

    point: Point
    words: str
    found_ms: int


@dataclass(frozen=True, slots=True)
class State:
    """How a mirror fares.

    taken counts the lines that the server took, refused the values that it did not; taken_ms is when it
    last took any. failing_ms is since when it takes none, None while it does; error is what was last wrong,
    next_ms when the next try may begin. told names the troubles a person was told of that still stand: a
    channel as 'device quantity', or 'denied'. untold are events on their way into the store. records_ms is
    when all records were last there as the store had them, None where none were sent.
    """

    taken: int = 0
    refused: int = 0
    taken_ms: int | None = None
    failing_ms: int | None = None
    error: str = ""
    next_ms: int | None = None
    told: tuple[str, ...] = ()
    untold: tuple[Event, ...] = ()
    records_ms: int | None = None
