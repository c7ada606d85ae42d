"""What a writer's commit does with what came: to the server, or onto this computer's shelf until it can."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from contextlib import suppress

from monitor.clock import Clock
from monitor.errors import ServerError, StoreError, Trouble
from monitor.records import Event, LogEntry, Notice, Reading, Transition
from monitor.served.documents import Documents
from monitor.served.link import KIND, Link
from monitor.served.query import Asker, understood
from monitor.served.sending import AT_ONCE, Sending, first_of, in_batches
from monitor.served.shelf import Shelf
from monitor.served.state import LASTING, State
from monitor.store.base import Landed
from monitor.store.landing import Pending, of_span, pending_of
from monitor.store.mirrored_place import Point
from monitor.store.mirrored_records import record
from monitor.store.newest import Newest

log = logging.getLogger("nightbank")

DRAIN_S = 2.0
"""So long a commit goes on sending what waits (our choice: alarms wait meanwhile)."""

KEEP_EVERY_S = 300.0
"""How often the present state is kept on this computer while the server takes all (our choice: a write is
some tens of kilobytes on the card; alarms, notices and numbers are kept at once)."""

LOOK_EVERY_S = 300.0
"""How often it is looked whether another computer writes the same site (our choice)."""

AT_ONCE_KEPT = frozenset({"alarm", "notice", "numbers", "rank", "site", "writer"})
"""What is kept on this computer with the commit in which it changes."""


class Outgoing:
    """What is pending, and the ways out. Not for several threads at a time."""

    def __init__(
        self,
        asker: Asker,
        documents: Documents,
        sending: Sending,
        state: State,
        shelf: Shelf,
        clock: Clock,
        *,
        keeps: bool,
    ) -> None:
        """keeps says that what the server does not take is kept for it; else `commit` fails then."""
        self._keeps = keeps
        self._asker, self._documents, self.sending = asker, documents, sending
        self._state, self._shelf, self._clock = state, shelf, clock
        self.link = Link(clock, asker.host)
        self.last_commit = Landed()
        self.newest = Newest()
        self.new: list[Event | LogEntry | Notice | Transition] = []
        self.forget_before_ms: int | None = None
        self._pending: list[Pending] = []
        self._thinned = 0
        self._looked_s = self._kept_s = -1e9
        known = shelf.documents()
        state.know(point for point, due in known if not due)
        state.take_due(point for point, due in known if due)
        self._known_before = bool(known)
        self._first = 1 if known else clock.now_ms()
        self._shelf_is_due = any(due for _, due in known)
        self._know_newest()

    def start(self, site: Point, at_work: Callable[[], None]) -> None:
        """Learn what the server has; where it is away, go on with what is kept here. site is its record.

        Raises ServerError where the server refuses us and nothing is kept here, so that a mistake in the
        site file is told at once.
        """
        self._state.put(site)
        try:
            with understood(self._asker.host):
                self._pending = self.sending.connect(at_work)
                self._first = 1  # the server's numbers are known
                self._know_newest()
                self._give_records()  # from now on readers know the site, and may leave requests
        except ServerError as error:
            if not self._keeps or (error.trouble is Trouble.DENIED and not self._known_before):
                raise
            self.failed(error)

    def append(self, readings: Iterable[Reading]) -> None:
        """Take readings, all or none, and follow the newest."""
        coming = [pending_of(reading) for reading in readings]
        self._pending += coming
        self.newest.follow(coming)

    def commit(self) -> None:
        """Hand over what is pending, or keep it. Raises StoreError where neither can be; it stays pending."""
        self._number()
        self.last_commit = Landed()
        if not (self._pending or self._state.due or self.forget_before_ms or self._shelf.waiting):
            return
        if self.link.is_due:
            try:
                with understood(self._asker.host):
                    self._give()
            except ServerError as error:
                self.failed(error)
        if not self._pending and not self._state.due:
            return
        if not self._keeps and self.link.error is not None:
            raise self.link.error
        self._keep()

    def replace(self, device: str, start_ms: int, end_ms: int, readings: Iterable[Reading]) -> None:
        """Put readings in the place of a device's in [start, end). Raises StoreError."""
        coming = (of_span(reading, device, start_ms, end_ms)[3] for reading in readings)
        try:
            self._connect()
            self.sending.drain(lambda: True)  # nothing older may come after what replaces it
            self._shelf.stage(device, start_ms, end_ms, in_batches(coming))
            self._number()
            self._give_readings()
            self.sending.finish_replacing()
            self._give_records()
        except ServerError as error:
            self.failed(error)
            raise
        self._know_newest()

    def keep_state(self) -> None:
        """Keep the present state on this computer, if it has changed. Raises StoreError."""
        if self._state.unkept():
            self._keep_state()

    def _give(self) -> None:
        """Hand over all that there is; readings only behind those that wait on the shelf."""
        self._connect()
        until_s = self._clock.elapsed_s() + DRAIN_S
        self.sending.drain(lambda: self._clock.elapsed_s() < until_s)
        if not self._shelf.waiting:
            self._give_readings()
        self._give_records()
        if self.forget_before_ms is not None:
            self._forget(self.forget_before_ms)
            self.forget_before_ms = None
        self._look_for_another()
        self._went_well()

    def _connect(self) -> None:
        self._asker.wake()
        if self.sending.is_connected:
            return
        first = not self.sending.joined
        self._pending[:0] = self.sending.connect()
        if first:
            self._know_newest()

    def _give_readings(self) -> None:
        """The pending readings, in order of time; the last request has the records, too."""
        self._pending.sort(key=lambda each: each[0])
        landed = Landed()
        while self._pending:
            chunk = first_of(self._pending)
            records = self._state.to_give() if len(chunk) == len(self._pending) else []
            landed.add(self.sending.send(chunk, records))
            self._state.given(records)
            del self._pending[: len(chunk)]
        self.last_commit = landed
        if landed.conflicts:
            self._know_newest()

    def _give_records(self) -> None:
        records = self._state.to_give()
        if records:
            self.sending.send([], records)
            self._state.given(records)

    def _went_well(self) -> None:
        self._tell(self.link.went_well())
        if self._thinned and not self._shelf.waiting:
            self._tell_thinned("were left out of what was sent")
            self._thinned = 0
        for text in self.sending.told:
            log.warning("%s", text)
            self._tell(Event(self._clock.now_ms(), KIND, "", text))
        self.sending.told.clear()
        if self._shelf_is_due:
            self._shelf.given(LASTING)
            self._shelf_is_due = False
        unkept = self._state.unkept()
        is_due = self._clock.elapsed_s() - self._kept_s >= KEEP_EVERY_S
        if is_due or any(point.device in AT_ONCE_KEPT for point in unkept):
            self._keep_state()

    def failed(self, error: ServerError) -> None:
        """The server did not answer."""
        self._tell(self.link.failed(error))

    def _keep(self) -> None:
        """Keep on this computer what the server does not take."""
        readings = [reading for *_, reading in self._pending]
        fresh = self._state.fresh()
        self._shelf.keep(self._state.unkept(), fresh, readings)
        self._shelf_is_due = self._shelf_is_due or bool(fresh)
        self._state.kept()
        self._pending = []
        self.last_commit = Landed(
            new=len(readings), latest_ms=max((r.time_ms for r in readings), default=None)
        )
        gone = self._shelf.make_room()
        if gone and not self._thinned:
            self._tell_thinned("had to make room")
        self._thinned += gone

    def _keep_state(self) -> None:
        self._shelf.keep(self._state.unkept(), (), ())
        self._state.kept()
        self._kept_s = self._clock.elapsed_s()

    def _tell(self, event: Event | None) -> None:
        if event is not None:
            self.new.append(event)

    def _tell_thinned(self, what: str) -> None:
        count = f"{self._thinned} of the readings" if self._thinned else "The oldest of the readings"
        text = (
            f"{count} that were kept on this computer for the server {what}: more than it keeps were waiting."
            " Of those times one reading in five minutes is left."
        )
        self._tell(Event(self._clock.now_ms(), KIND, "", text))

    def _number(self) -> None:
        """Give what is new its numbers. The card has them before the server has: whatever breaks in between,
        a start without the server gives none of them again."""
        if self.new:
            self._state.add(self.new, self._first)
            self.new = []
            with suppress(StoreError):  # a commit that keeps things tells of a full card
                self._shelf.keep(self._state.due_of("numbers"), (), ())

    def _forget(self, before_ms: int) -> None:
        """Empty what was finished before a time."""
        notices, requests = self._documents.notices(), self._documents.requests()
        done = [
            record("notice", "", "", each.id)
            for each in notices
            if each.finished_ms is not None and each.finished_ms < before_ms
        ]
        done += (
            record("request", "", "", each.id)
            for each in requests
            if each.done_ms is not None and each.done_ms < before_ms
        )
        for at in range(0, len(done), AT_ONCE):
            self.sending.send([], done[at : at + AT_ONCE])

    def _look_for_another(self) -> None:
        """Tell if another computer writes this site."""
        text = ""
        if self.sending.is_of_another:
            self.sending.is_of_another = False
            text = "Another computer has written this site before. If it still runs, stop one of the two."
        now_s = self._clock.elapsed_s()
        if now_s - self._looked_s >= LOOK_EVERY_S:
            if self._looked_s > 0 and self.sending.is_another():
                text = (
                    "Another computer writes this site, too: stop one of the two, or both spoil its record."
                )
            self._looked_s = now_s
        if text:
            log.warning("%s", text)
            self._tell(Event(self._clock.now_ms(), KIND, "", text))

    def _know_newest(self) -> None:
        """Newest readings as the server has them, what waits on the shelf, and what is pending."""
        self.newest = Newest((each.last, each.good) for each in self.sending.ends)
        self.newest.follow(map(pending_of, self._shelf.newest() if self._shelf.waiting else ()))
        self.newest.follow(self._pending)
