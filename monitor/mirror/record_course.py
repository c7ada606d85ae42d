"""Which records a server has still to be given, by what it was given before.

Of events and transitions the place says how far it has come. Everything else is compared with a digest of
what was sent last. The digests live in memory and are written only by a clean stop: what was sent after the
last write, and is as it was before, would look given otherwise. So after a kill all present states are sent
once more, a few hundred short lines that change nothing. Which records a server may have at all is
written before they are sent for the first time, so that one that the store forgets later is emptied there.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from monitor.mirror.book import Book
from monitor.store.mirrored_place import Place, Point, Wanted
from monitor.store.mirrored_records import (
    EVENTS,
    Identity,
    digest_of,
    events_after,
    identity_of,
    is_dated,
    record,
    states,
)

MOST_BYTES = 200_000
"""So many characters of documents in one batch, or a single longer one (our choice: like a batch of
readings)."""

DATED_EVERY_S = 3600.0
"""How often notes of single days are compared (our choice: they are made once a day, and there are thousands
after years)."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """Records to give, the place that is reached with them, and whether that is all there was."""

    points: list[Point]
    place: Place
    is_all: bool
    with_dated: bool


class RecordCourse:
    """One mirror's way through the records."""

    def __init__(self, book: Book, name: str, wanted: Wanted, site: Point) -> None:
        """site is the record of the site itself, which no store holds. Raises StoreError."""
        self._book, self._name, self._wanted, self._site = book, name, wanted, site
        self._given = book.given(name)
        self._is_written = any(self._given.values())
        self._gone: set[Identity] = set()
        self._dated_s: float | None = None

    @property
    def trial(self) -> list[Point]:
        """What any server that takes records takes."""
        return [self._site]

    def waiting(
        self, ask: sqlite3.Connection, place: Place, most: int, elapsed_s: float, *, with_channels: bool
    ) -> Waiting:
        """What is to be given next: `most` lines at most. with_channels says that all readings were given, so
        that the ends of channels may be."""
        with_dated = self._dated_s is None or elapsed_s - self._dated_s >= DATED_EVERY_S
        points = [point for kind in EVENTS for point in events_after(ask, kind, place.events.get(kind), most)]
        is_all = len(points) < most
        if is_all:
            points += self._changed(ask, with_dated=with_dated, with_channels=with_channels)
        fitting = points[: _fitting(points, most)]
        events = {
            point.device: (identity_of(point)[2], digest_of(point))
            for point in fitting
            if point.device in EVENTS
        }
        is_all = is_all and len(fitting) == len(points)
        return Waiting(fitting, replace(place, events={**place.events, **events}), is_all, with_dated)

    def announce(self, points: Sequence[Point]) -> None:
        """Write down what a server may have from now on, before it is sent. Until it says that it took it,
        what it has of it is not known. Raises StoreError."""
        coming = [identity_of(point) for point in points if point.device not in EVENTS]
        new = [identity for identity in coming if identity not in self._given]
        if new or self._gone or self._is_written:
            self._book.announce(self._name, new, self._gone)
            self._is_written, self._gone = False, set()
        self._given |= dict.fromkeys(coming, "")

    def gave(self, waiting: Waiting, elapsed_s: float) -> None:
        """Note that records were given."""
        for point in waiting.points:
            if point.device in EVENTS:
                continue
            if point.values["document"]:
                self._given[identity_of(point)] = digest_of(point)
            else:
                self._given.pop(identity_of(point), None)
                self._gone.add(identity_of(point))
        if waiting.is_all and waiting.with_dated:
            self._dated_s = elapsed_s

    def close(self) -> None:
        """Write down what the server has, so that nothing is sent twice after a clean stop. Raises
        StoreError."""
        self._book.keep_given(self._name, self._given, self._gone)
        self._is_written, self._gone = True, set()

    def _changed(self, ask: sqlite3.Connection, *, with_dated: bool, with_channels: bool) -> Iterator[Point]:
        """The present states that differ from what was given; first those that are no more."""
        there = {identity_of(self._site): self._site}
        for point in states(ask, self._wanted, with_dated=with_dated, with_channels=with_channels):
            there[identity_of(point)] = point
        for kind, key, number in sorted(self._given.keys() - there.keys()):
            if (with_channels or kind != "channel") and (with_dated or kind != "note" or not is_dated(key)):
                yield record(kind, key, "", number)
        for identity, point in there.items():
            if self._given.get(identity) != digest_of(point):
                yield point


def _fitting(points: Sequence[Point], most: int) -> int:
    """How many of the points fit into a batch."""
    size = 0
    for number, point in enumerate(points[:most]):
        size += len(str(point.values["document"]))
        if number and size > MOST_BYTES:
            return number
    return min(most, len(points))
