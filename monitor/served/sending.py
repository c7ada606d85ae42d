"""How a writer's readings and records get to its server: in order, each once, whatever breaks in between.

One request brings the server from one whole state to the next: readings, the hours and days that they change,
where the channels end, and records. A server may still keep a part of a request when it is cut off by
itself; then the same comes once more, or, where this computer went down with it, the next start finds
readings beyond the ends of their channels and makes them land.
"""

from __future__ import annotations

import logging
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from operator import itemgetter
from zoneinfo import ZoneInfo

from monitor.errors import ServerError, Trouble
from monitor.records import DAY_MS, LATEST_MS, Reading
from monitor.served.delivery import Delivery, Write, channels_of
from monitor.served.documents import Documents
from monitor.served.landing import ServedLanding
from monitor.served.measured import Measured
from monitor.served.recount import beyond, cut_anew, without
from monitor.served.shelf import Shelf
from monitor.served.state import RECENT, State
from monitor.store.base import Landed
from monitor.store.documents import ChannelEnds, transition_of
from monitor.store.landing import Pending, pending_of
from monitor.store.mirrored_place import Channel, Point, What
from monitor.store.mirrored_records import identity_of, record

log = logging.getLogger("nightbank")

AT_ONCE = 5000
"""Readings in one request (our choice: some 300 kB before they are compressed)."""

SPAN_AT_ONCE_MS = 7 * DAY_MS
"""So much time is in one request at most (our choice: where late readings are few and far between, what the
server has of all those days is held in memory meanwhile)."""

OPEN_NOTICE = '"finished_ms": null'
"""What the document of a notice holds that is not finished."""


class Sending:
    """Everything that a writer has its server do. Calls raise ServerError where that cannot be had."""

    def __init__(
        self,
        documents: Documents,
        measured: Measured,
        write: Write,
        zone: ZoneInfo,
        state: State,
        shelf: Shelf,
        mark: Point,
    ) -> None:
        """mark is the record by which this computer's writer is known."""
        self._documents, self._measured, self._write = documents, measured, write
        self._zone, self._state, self._shelf, self._mark = zone, state, shelf, mark
        self.landing = ServedLanding(measured, zone)
        self._knows = False
        self.joined = False
        self.is_of_another = False
        self.ends: list[ChannelEnds] = []
        self._doubtful: set[Channel] = set()
        self._told: set[Channel] = set()
        self.told: list[str] = []

    def connect(self, at_work: Callable[[], None] = lambda: None) -> list[Pending]:
        """Know what the server has; readings that are to land first, which only a start finds."""
        if self._knows:
            return []
        if self.joined:
            self._know(self._documents.ends().channels)
            return []
        there = self._documents.present()
        notices = self._documents.numbered("notice", only=OPEN_NOTICE)
        self._state.know([*there, *(record("notice", "", each.document, each.number) for each in notices)])
        happened = self._documents.happened("transition", 0, LATEST_MS, RECENT)
        self._state.know_recent(transition_of(each.document, each.number) for each in happened)
        self._look_at_mark(there)
        ends = self._documents.ends()
        if ends.channels and self._documents.zone() != self._zone:
            for points in cut_anew(self._measured, self._zone, ends.channels, at_work):
                self._deliver(points)
        self._know(ends.channels)
        self.joined = True
        self.finish_replacing()
        return list(map(pending_of, beyond(self._measured, self.landing.ends())))

    @property
    def is_connected(self) -> bool:
        """Whether it is known what the server has."""
        return self._knows

    def _know(self, ends: Iterable[ChannelEnds]) -> None:
        self.landing.know(ends)
        self.ends = self.landing.ends()
        self._knows = True

    def forget(self) -> None:
        """A request may not have arrived: what the server has is to be asked anew."""
        self.landing.forget()
        self._knows = False

    def send(self, pending: Iterable[Pending], records: Sequence[Point] = ()) -> Landed:
        """Hand readings (AT_ONCE at most) and records over in one request."""
        try:
            batch = self.landing.take(pending)
            if batch.points or records:
                self._deliver([*batch.points, *records])
        except BaseException:
            self.forget()
            raise
        if batch.points:
            self.ends = self.landing.ends()
            self._state.given(point for point in batch.points if point.what is What.RECORD)
        return batch.landed

    def drain(self, go_on: Callable[[], bool]) -> None:
        """Send what waits on the shelf, the oldest first, while go_on says so."""
        while self._shelf.waiting and go_on():
            last, readings = self._shelf.oldest(AT_ONCE)
            pending = sorted(map(pending_of, readings), key=itemgetter(0))
            while pending:
                self.connect()
                chunk = first_of(pending)
                self.send(chunk)
                del pending[: len(chunk)]
            self._shelf.sent(last)

    def finish_replacing(self) -> None:
        """Have the readings that stand ready on the shelf take the place of others."""
        staged = self._shelf.staged()
        if staged is None:
            return
        device, start_ms, end_ms = staged
        left = [each for each in self.landing.ends() if each.device == device]
        points, ends = without(self._measured, self._zone, left, device, start_ms, end_ms)
        self._deliver(points)
        others = [each for each in self.landing.ends() if each.device != device]
        self._know([*others, *ends])
        for readings in self._shelf.staged_readings():
            self.send(map(pending_of, readings))
        self._shelf.unstage()

    def is_another(self) -> bool:
        """Whether another computer's writer has written its mark over ours."""
        document = self._documents.mark()
        return document is not None and document != self._mark.values["document"]

    def _look_at_mark(self, there: Iterable[Point]) -> None:
        marks = [point for point in there if identity_of(point) == identity_of(self._mark)]
        self.is_of_another = any(point.values != self._mark.values for point in marks)
        self._state.put(self._mark)

    def _deliver(self, points: Sequence[Point]) -> None:
        """Hand points over; what the server will not have is put aside and told."""
        delivery = Delivery(self._write, self._doubtful)
        delivery.run(points)
        if delivery.refused and not delivery.taken:
            # unless the server takes anything at all, it is not about these points
            trial = Delivery(self._write, set())
            trial.run([self._mark])
            if trial.refused:
                raise ServerError(
                    f"the server refuses everything ({delivery.refused[-1][1]}); look at the store's"
                    " bucket: it must keep for ever what is written, whatever its time",
                    Trouble.DENIED,
                )
        if delivery.refused:
            self._put_aside(delivery)
        self._told -= delivery.taken_of - {
            each for point, _ in delivery.refused for each in channels_of(point)
        }

    def _put_aside(self, delivery: Delivery) -> None:
        newest = max(point.time_ms for point, _ in delivery.refused)
        self._shelf.put_aside(delivery.refused, newest)
        for point, words in delivery.refused:
            for of, name in channels_of(point):
                if (of, name) not in self._told:
                    self._told.add((of, name))
                    self.told.append(
                        f"The server does not take {name} of {of}: {words}. Such values are set aside in"
                        f" {self._shelf.path.name}; all others go on."
                    )


def first_of(pending: Sequence[Pending]) -> Sequence[Pending]:
    """As many of the first readings, which are in order of time, as go in one request."""
    after = bisect_left(pending, pending[0][0] + SPAN_AT_ONCE_MS, key=itemgetter(0))
    return pending[: min(AT_ONCE, after)]


def in_batches(readings: Iterator[Reading]) -> Iterator[list[Reading]]:
    """Readings, so many at a time."""
    batch: list[Reading] = []
    for reading in readings:
        batch.append(reading)
        if len(batch) == AT_ONCE:
            yield batch
            batch = []
    if batch:
        yield batch
