"""The embedded store's write side: what is pending in memory, and the commit that makes it durable.

`append`, the `add_` and the `put_` calls only note what came; `commit` writes all of it in one transaction,
so the file is locked for milliseconds and another process (an import) can write between two commits. Until
then `latest`, `latest_good`, `alarms`, `health`, `events` and `note` of the writer itself answer with what is
pending; `series`, `days`, `rows` and `span` with what was committed. A commit that fails (a full disk)
leaves the file as it was and everything pending for the next one.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from operator import itemgetter
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.errors import StoreError
from monitor.records import AlarmState, DeviceHealth, Event, LogEntry, Notice, Reading, Request, Transition
from monitor.store.base import Landed
from monitor.store.connect import FileLock, connect, prepare_for_writing, rewrite, told
from monitor.store.embedded import EmbeddedReader
from monitor.store.landing import Landing, Pending, of_span, pending_of
from monitor.store.newest import Newest
from monitor.store.queries import rank_of, read_channels, read_ranks
from monitor.store.steps import steps_of
from monitor.store.unwritten import Unwritten
from monitor.store.waiting import AT_ONCE, MOST_WAITING, Thinned, thin_out

REPLACED_AT_ONCE = 20_000
"""Readings that `replace` holds in memory (our choice: a few megabytes)."""


class EmbeddedWriter(EmbeddedReader):
    """The write side (`base.StoreWriter`). `embedded.open_writer` and `open_importer` make
    it.

    Of readings with the same time, device and quantity the first one stays. A value that is not finite is
    kept as MISSING with the reason said; an unknown quantity, an empty device name or an impossible time
    raises StoreError and nothing of that `append` is taken.
    """

    def __init__(self, path: Path, zone: ZoneInfo, lock: FileLock) -> None:
        """Open an existing store of the present schema; the lock is released by `close`."""
        connection = connect(path, read_only=False)
        super().__init__(path, connection)
        self._rank: dict[str, int] = {}
        self._newest = Newest()
        self._file_lock = lock
        self.last_commit = Landed()
        self._pending: list[Pending] = []
        self._unwritten = Unwritten()
        self._packs = True
        self._thinned: Thinned | None = None
        self._landing = Landing(connection, zone)
        try:
            with told(path):
                prepare_for_writing(connection)
                self._look_up_newest()
        except BaseException:
            connection.close()
            raise

    def close(self) -> None:
        """Close the file and let the next writer in; what is pending is dropped."""
        with self._lock:
            super().close()
            self._file_lock.release()

    def rank_devices(self, devices: Sequence[str]) -> None:
        self._unwritten.ranks = self._rank = {device: rank for rank, device in enumerate(devices)}

    def append(self, readings: Iterable[Reading]) -> None:
        """The newest readings are followed in memory at once; of two with the same time the first stays."""
        coming = [pending_of(reading) for reading in readings]
        with self._lock:
            self._pending += coming
            self._newest.follow(coming)

    def add_event(self, event: Event) -> None:
        with self._lock:
            self._unwritten.events.append(event)

    def put_alarm(self, state: AlarmState) -> None:
        with self._lock:
            self._unwritten.alarms[state.name] = state

    def add_transition(self, transition: Transition) -> None:
        with self._lock:
            self._unwritten.transitions.append(transition)

    def add_log_entry(self, entry: LogEntry) -> None:
        with self._lock:
            self._unwritten.new_log.append(entry)

    def put_log_entry(self, entry: LogEntry) -> None:
        with self._lock:
            self._unwritten.log[entry.id] = entry

    def put_request(self, request: Request) -> None:
        with self._lock:
            self._unwritten.requests[request.id] = request

    def add_notice(self, notice: Notice) -> None:
        with self._lock:
            self._unwritten.new_notices.append(notice)

    def put_notice(self, notice: Notice) -> None:
        with self._lock:
            self._unwritten.notices[notice.id] = notice

    def forget_notices(self, before_ms: int) -> None:
        with self._lock:
            self._unwritten.forget_before_ms = before_ms

    def put_health(self, health: DeviceHealth) -> None:
        with self._lock:
            self._unwritten.health[health.device] = health

    def put_note(self, key: str, text: str) -> None:
        with self._lock:
            self._unwritten.notes[key] = text

    def commit(self) -> None:
        """Write all that is pending in one transaction; `last_commit` tells what became of the readings.

        Raises StoreError where that fails; everything stays pending. Of more than `waiting.MOST_WAITING`
        readings that wait so, or `MOST_TOLD` events or transitions, some are let go, which an event tells
        then. The next commit packs nothing, and brings the oldest of many readings by themselves, some at a
        time.
        """
        with self._lock, self._bounded(), told(self.path):
            if not (self._pending or self._unwritten):
                self.last_commit = Landed()
                return
            # packing needs room, too, which may be what a full disk lacks: readings come first
            packs, self._packs = self._packs, False
            landed = Landed() if packs else self._bring_oldest()
            with self._landing.transaction() as others_wrote:
                landed.add(self._landing.take(self._pending))
                self._unwritten.write(self._connection, self._waiting_events())
                if packs:
                    self._landing.pack(landed)
            self._packs, self._thinned = True, None
            self.last_commit = landed
            self._pending = []
            self._unwritten = Unwritten()
            if others_wrote or landed.conflicts:
                self._look_up_newest()

    def _bring_oldest(self) -> Landed:
        """Write all but the newest readings, the oldest first, AT_ONCE in a transaction."""
        landed = Landed()
        self._pending.sort(key=itemgetter(0))
        while len(self._pending) > AT_ONCE:
            with self._landing.transaction():
                landed.add(self._landing.take(self._pending[:AT_ONCE]))
            del self._pending[:AT_ONCE]
        return landed

    @contextmanager
    def _bounded(self) -> Iterator[None]:
        """Let go of what waits where that is too much after a commit that failed."""
        try:
            yield
        except StoreError:
            self._pending, self._thinned = thin_out(self._pending, MOST_WAITING, self._thinned)
            self._unwritten.let_go()
            raise

    def replace(self, device: str, start_ms: int, end_ms: int, readings: Iterable[Reading]) -> None:
        """One transaction; the file stays locked for writing while the readings come.

        Raises StoreError also for a reading of another device or outside the span.
        """
        with self._lock, told(self.path):
            coming = (of_span(reading, device, start_ms, end_ms) for reading in readings)
            with self._landing.transaction():
                self._landing.take(self._pending)
                self._landing.forget(device, start_ms, end_ms)
                while batch := list(islice(coming, REPLACED_AT_ONCE)):
                    self._landing.pack(self._landing.take(batch))
                self._unwritten.write(self._connection, self._waiting_events())
            self._pending = []
            self._unwritten = Unwritten()
            self._look_up_newest()

    def pack_all(self, tell: Callable[[int], None]) -> None:
        """Pack all that has ended by the newest reading, a piece a transaction; tell hears of each piece's
        rows that are left."""
        _, newest_ms = self.span() or (0, 0)
        more = True
        while more:
            with self._lock, told(self.path):
                with self._landing.transaction():
                    more = self._landing.pack_on(newest_ms)
                (left,) = self._connection.execute("SELECT count(*) FROM poll").fetchone()
            tell(left)

    def shrink(self) -> None:
        """Give the file's free pages back to the disk. Needs twice the file's room meanwhile."""
        # SQLite's copy goes beside the store and not into a folder that may be held in memory
        os.environ["SQLITE_TMPDIR"] = str(self.path.parent.resolve())
        with self._lock, told(self.path):
            rewrite(self._connection)

    def latest(self) -> list[Reading]:
        with self._lock:
            return self._newest.latest(self._rank)

    def latest_good(self, quantity: str) -> Reading | None:
        steps_of(quantity)
        with self._lock:
            return self._newest.latest_good(quantity, self._rank)

    def alarms(self) -> list[AlarmState]:
        with self._lock:
            states = {state.name: state for state in super().alarms()} | self._unwritten.alarms
        return sorted(states.values(), key=lambda state: state.name)

    def health(self) -> list[DeviceHealth]:
        with self._lock:
            known = {health.device: health for health in super().health()} | self._unwritten.health
            return sorted(known.values(), key=lambda health: rank_of(health.device, self._rank))

    def events(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[Event]:
        with self._lock:
            pending = [
                event for event in reversed(self._waiting_events()) if start_ms <= event.time_ms < end_ms
            ]
            known = pending + super().events(start_ms, end_ms, limit)
        return sorted(known, key=lambda event: -event.time_ms)[:limit]

    def transitions(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[Transition]:
        with self._lock:
            pending = [
                each for each in reversed(self._unwritten.transitions) if start_ms <= each.time_ms < end_ms
            ]
            known = pending + super().transitions(start_ms, end_ms, limit)
        return sorted(known, key=lambda each: -each.time_ms)[:limit]

    def log_entry(self, number: int) -> LogEntry | None:
        with self._lock:
            return self._unwritten.log.get(number) or super().log_entry(number)

    def open_requests(self) -> list[Request]:
        with self._lock:
            return [
                request for request in super().open_requests() if request.id not in self._unwritten.requests
            ]

    def open_notices(self) -> list[Notice]:
        """Those of the file with what is pending of them; new ones come with the next commit."""
        with self._lock:
            known = [self._unwritten.notices.get(notice.id, notice) for notice in super().open_notices()]
        return [notice for notice in known if notice.finished_ms is None]

    def note(self, key: str) -> str | None:
        with self._lock:
            return self._unwritten.notes[key] if key in self._unwritten.notes else super().note(key)

    def _look_up_newest(self) -> None:
        """Newest readings and ranks as the file has them."""
        with self._asking() as ask:
            channels = read_channels(ask)
            self._rank = read_ranks(ask)
        self._newest = Newest((channel.last, channel.good) for channel in channels)

    def _waiting_events(self) -> list[Event]:
        lost = [each.event() for each in (self._thinned, self._unwritten.untold) if each is not None]
        return [*self._unwritten.events, *lost]
