"""One mirror: what the store has for it goes to its server, batch after batch.

Order of things: a batch is handed over, and only then the place behind it is kept. A kill or a power cut in
between leaves the earlier place, so the batch is sent again, which changes nothing on a server that puts a
point in the place of one with the same time and tags. While all goes well the place is written to the card
every few minutes only; a stop writes it at once.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from random import Random

from monitor.clock import Clock
from monitor.derive import DERIVED
from monitor.errors import ServerError, StoreError, Trouble
from monitor.mirror.book import Book
from monitor.mirror.eraser import Erase
from monitor.mirror.news import (
    after_failure,
    after_look,
    after_no_erasing,
    after_refusals,
    after_success,
    spell_of,
)
from monitor.mirror.record_course import RecordCourse, Waiting
from monitor.mirror.state import Refused
from monitor.notices.retry import LEAST_SHARE, wait_s
from monitor.sampling import ESTIMATE
from monitor.served.delivery import RECORDS, Delivery, Write, channels_of
from monitor.site.mirror_table import MirrorEntry
from monitor.store.mirrored import newest_points, next_batch, snapshot
from monitor.store.mirrored_place import Batch, Channel, Gone, Place, Point, What
from monitor.store.mirrors import enrol, key_of, note_heard, tell

log = logging.getLogger("nightbank")

MOST_LINES = 1000
LEAST_LINES = 50
"""Lines in one batch: some 150 kB, 20 kB of it on the line (our choice: memory, and a poor link's patience).
After an answer that did not come the next batch is half as long, down to the least."""

SAVE_EVERY_S = 300.0
CATCHING_UP_SAVE_S = 10.0
"""How often the place is written while all goes well, and while much waits (our choice; measured: a write is
a page of 4 kB in the log and some 20 kB on the card where the kernel writes each by itself, so 6 MB a day at
most instead of 30; and a catch-up of weeks that is cut short goes on near where it was)."""

RUNNING_EVERY_S = 240.0
"""How often statistics of days that go on are given where the copy is to be read as a store (our choice:
with a minute for the commit and the step, they are at most five minutes old)."""

RECORDS_EVERY_S = 300.0
"""How often records are given while readings are still catching up (our choice: an alarm must not wait for
weeks of readings; the ends of channels do, since they would promise what is not there yet)."""

STORE_RETRY_S = 60.0
"""Wait after the store could not be read or written (our choice)."""

LOOK_EVERY_S = 3600.0
"""How often it is looked whether another site has the same name there (our choice)."""

There = Callable[[], str | None]
"""Raises ServerError."""

READINGS = frozenset({"measured", "derived", "estimated"})
"""What a mirror sends of readings themselves."""


def wanted_of(entry: MirrorEntry) -> Callable[[str], bool]:
    """Whether a mirror takes a device's readings; one of days alone takes the days of all but estimates."""
    worked_out = {DERIVED: "derived", ESTIMATE: "estimated"}
    taken = READINGS.intersection(entry.send)
    if not taken and "days" in entry.send:
        taken = frozenset({"measured", "derived"})
    return lambda device: worked_out.get(device, "measured") in taken


class Sender:
    """Carries one mirror. One thread uses it."""

    def __init__(
        self,
        entry: MirrorEntry,
        names: Sequence[str],
        store: Path,
        book: Book,
        write: Write,
        clock: Clock,
        rng: Random | None = None,
        site: Point | None = None,
        erase: Erase | None = None,
        there: There | None = None,
    ) -> None:
        """names are those of all the site's mirrors; write raises ServerError. site is the record of the
        site itself (`hand_over.site_record`), needed where records are sent; erase
        takes out of the server what was replaced in the store, and raises ServerError; there gives the
        document of the site's record that the server has. Raises StoreError."""
        self._entry, self._names, self._store, self._book = entry, names, store, book
        self._write, self._clock, self._rng = write, clock, rng or Random()
        self._erase, self._there = erase, there
        self._ours = "" if site is None else str(site.values["document"])
        self._looked_s: float | None = None
        self._wanted = wanted_of(entry)
        self._place, self._state = book.read(entry.name)
        self._heard = 0 if self._place is None else self._place.heard
        self._doubtful: set[Channel] = set()
        self._refused: list[Refused] = []
        self._lines = MOST_LINES
        self._failures = 0
        self._saved_s = clock.elapsed_s()
        self._changed = False
        self._store_error = ""
        self._records: RecordCourse | None = None
        if site is not None and "records" in entry.send:
            self._records = RecordCourse(book, entry.name, self._wanted, site)
        self._running_s: float | None = None
        self._records_s = clock.elapsed_s()
        self.is_current = False

    @property
    def reached_ms(self) -> int:
        """The time of the newest reading that was sent, -1 where none was."""
        return -1 if self._place is None else max(self._place.given.values(), default=-1)

    @property
    def error(self) -> str:
        """What keeps readings from going on now, '' where nothing does."""
        return self._state.error or self._store_error

    def step(self) -> float:
        """Send one batch if there is any; the seconds until the next step is due."""
        began_s = self._clock.elapsed_s()
        self.is_current, self._store_error = False, ""
        try:
            batch, records = self._next()
            self._take_out(batch.gone)
            if batch.points:
                self._deliver(batch.points)
            self._move_to(batch.place)
            if records is not None:
                self._give_records(records)
                self._move_to(records.place)
        except ServerError as error:
            return self._failed(error)
        except StoreError as error:
            log.error("mirror %s: %s", self._entry.name, error)
            self._store_error = str(error)
            return STORE_RETRY_S
        self.is_current = batch.is_all and (records is None or records.is_all)
        if records is not None and records.is_all:
            self._look()
        every_s = SAVE_EVERY_S if self.is_current else CATCHING_UP_SAVE_S
        if self._clock.elapsed_s() - self._saved_s >= every_s or self._refused or self._state.untold:
            self.save()
        took_s = self._clock.elapsed_s() - began_s
        lines = len(batch.points) + (0 if records is None else len(records.points))
        least_s = self._entry.every_s if self.is_current else 0.0
        return max(0.0, max(least_s, lines / self._entry.lines_per_s) - took_s)

    def _look(self) -> None:
        """Look now and then whether the site's record on the server is still ours."""
        now_s = self._clock.elapsed_s()
        if self._there is None or (self._looked_s is not None and now_s - self._looked_s < LOOK_EVERY_S):
            return
        self._looked_s = now_s
        try:
            there = self._there()
        except ServerError as error:  # one that answers no questions takes readings all the same
            log.info("mirror %s: what it has cannot be looked at: %s", self._entry.name, error)
            return
        known = self._state
        self._state = after_look(known, self._entry.name, self._ours, there, self._clock.now_ms())
        if self._state.untold != known.untold:
            log.warning("mirror %s: %s", self._entry.name, self._state.untold[-1].text)

    def save(self) -> None:
        """Keep the place and all that is known; what fails is logged and tried again with the next."""
        if self._place is None or not (self._changed or self._refused or self._state.untold):
            return
        try:
            self._book.save(self._entry.name, self._place, self._state, self._refused)
            self._refused, self._changed = [], False
            self._saved_s = self._clock.elapsed_s()
            for event in self._state.untold:
                tell(self._store, event)
            if self._state.untold:
                self._state = replace(self._state, untold=())
                self._book.save(self._entry.name, self._place, self._state)
            if self._place.heard > self._heard:
                note_heard(self._store, self._entry.name, self._place.heard)
                self._heard = self._place.heard
        except StoreError as error:
            log.error("mirror %s: %s", self._entry.name, error)

    def close(self) -> None:
        """Keep all that is known, for a start after a clean stop."""
        self.save()
        if self._records is not None:
            try:
                self._records.close()
            except StoreError as error:
                log.error("mirror %s: %s", self._entry.name, error)

    def _next(self) -> tuple[Batch, Waiting | None]:
        """The next readings and, where they are due, records, both of one state of the store."""
        with snapshot(self._store) as ask:
            key = key_of(ask, self._entry.name)
        if key is None:  # a new mirror, or a new store
            key = enrol(self._store, self._names)[self._entry.name]
        if self._place is None or self._place.key != key:
            self._place, self._heard = Place(key), 0
        now_s = self._clock.elapsed_s()
        with_running = self._running_s is None or now_s - self._running_s >= RUNNING_EVERY_S
        with snapshot(self._store) as ask:
            batch = next_batch(
                ask,
                self._place,
                self._wanted,
                self._lines,
                with_days="days" in self._entry.send,
                with_all=self._records is not None,
                with_running=with_running,
            )
            if batch.is_all and with_running:
                self._running_s = now_s
            if not READINGS.intersection(self._entry.send):
                points = [point for point in batch.points if point.of and point.what is not What.FLAWED]
                batch = replace(batch, points=points)
            if self._records is None or not (batch.is_all or now_s - self._records_s >= RECORDS_EVERY_S):
                return batch, None
            records = self._records.waiting(ask, batch.place, self._lines, now_s, with_channels=batch.is_all)
        return batch, records

    def _take_out(self, gone: Sequence[Gone]) -> None:
        """Take what was replaced out of the server. Raises ServerError where that is to be tried again."""
        if self._erase is None:
            return
        for each in gone:
            try:
                self._erase(each)
            except ServerError as error:
                if error.trouble in (Trouble.UNREACHABLE, Trouble.BUSY):
                    raise
                log.warning("mirror %s: nothing is deleted: %s", self._entry.name, error)
                now_ms = self._clock.now_ms()
                self._state = after_no_erasing(self._state, self._entry.name, str(error), now_ms)

    def _move_to(self, place: Place) -> None:
        if place != self._place:
            self._place, self._changed = place, True

    def _give_records(self, records: Waiting) -> None:
        """Hand records over. Raises ServerError, and StoreError where the book cannot be written."""
        assert self._records is not None
        now_s = self._clock.elapsed_s()
        if records.points:
            self._records.announce(records.points)
            self._deliver(records.points)
        self._records.gave(records, now_s)
        if records.is_all:
            self._records_s, self._state = now_s, replace(self._state, records_ms=self._clock.now_ms())

    def _deliver(self, points: Sequence[Point]) -> None:
        """Hand points over; what the server will not have is set aside and told. Raises ServerError."""
        delivery = Delivery(self._write, self._doubtful)
        delivery.run(points)
        if delivery.refused and not delivery.taken:
            self._make_sure(delivery.refused[-1][1])
        now_ms = self._clock.now_ms()
        in_order = sorted(delivery.refused, key=lambda each: each[0].time_ms)
        refused = [Refused(point, words, now_ms) for point, words in in_order]
        self._set_aside(refused)
        if self._state.failing_ms is not None:
            log.info("mirror %s: the server takes readings again", self._entry.name)
        known, name = len(self._state.untold), self._entry.name
        self._state = after_refusals(self._state, name, refused, delivery.taken_of, now_ms)
        for event in self._state.untold[known:]:
            log.warning("mirror %s: %s", name, event.text)
        self._state = after_success(self._state, name, delivery.taken, len(refused), now_ms)
        self._failures, self._changed = 0, True
        self._lines = min(MOST_LINES, 2 * self._lines)

    def _set_aside(self, refused: Sequence[Refused]) -> None:
        """Of a record that changes every minute the first refusal is enough, and never what it says: that
        stays in the store, and comes again with its next change."""
        for each in refused:
            channel, *_ = channels_of(each.point)
            if channel[0] != RECORDS:
                self._refused.append(each)
            elif spell_of(channel) not in self._state.told:
                size = len(str(each.point.values["document"]))
                self._refused.append(replace(each, point=replace(each.point, values={"characters": size})))

    def _make_sure(self, words: str) -> None:
        """Nothing of a batch was taken: unless the server takes something of the newest readings, it is not
        about the points, and setting all aside would be wrong. Raises ServerError then."""
        with snapshot(self._store) as ask:
            newest = newest_points(ask, self._wanted)
        trial = Delivery(self._write, set())
        trial.run(newest)
        if not trial.taken and self._records is not None:
            trial.run(self._records.trial)
        if not trial.taken:
            raise ServerError(
                f"refuses everything ({words}); look at url, bucket and org of the mirror", Trouble.DENIED
            )

    def _failed(self, error: ServerError) -> float:
        """Note a failure; the seconds to wait."""
        self._failures += 1
        self._running_s = None  # what was not taken may have been that
        if error.trouble is Trouble.UNREACHABLE:
            self._lines = max(LEAST_LINES, self._lines // 2)
        share = self._rng.uniform(LEAST_SHARE, 1.0)
        wait = wait_s(self._failures, urgent=False, share=share, asked_s=error.wait_s)
        now_ms, before = self._clock.now_ms(), self._state
        self._state = after_failure(before, self._entry.name, error, now_ms, now_ms + round(1000 * wait))
        is_news = before.failing_ms is None or before.error != str(error)
        if is_news or self._state.untold:
            log.warning("mirror %s: %s; the readings wait in the store", self._entry.name, error)
            self._changed = True
            self.save()
        return wait
