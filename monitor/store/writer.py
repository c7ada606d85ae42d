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
from contextlib import closing, contextmanager
from dataclasses import dataclass
from itertools import islice
from operator import attrgetter, itemgetter
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.errors import StoreError
from monitor.records import AlarmState, DeviceHealth, Event, LogEntry, Notice, Reading, Request, Transition
from monitor.store.base import Landed
from monitor.store.connect import (
    STARTING_S,
    FileLock,
    choose_pages,
    connect,
    prepare_for_writing,
    rewrite,
    told,
)
from monitor.store.days import zone_of
from monitor.store.documents import document_of
from monitor.store.embedded import EmbeddedReader
from monitor.store.landing import Landing, Pending
from monitor.store.log_table import write_log
from monitor.store.queries import in_rank_order, newest, rank_of, read_channels, read_ranks
from monitor.store.schema import EACH_COMMIT, HEALTH, NOTE, check, migrate
from monitor.store.steps import as_kept, steps_of
from monitor.store.waiting import (
    AT_ONCE,
    MOST_TOLD,
    MOST_WAITING,
    Thinned,
    Untold,
    newest_of_each,
    thin_out,
)

Key = tuple[str, str]

REPLACED_AT_ONCE = 20_000
"""Readings that `replace` holds in memory (our choice: a few megabytes)."""


@dataclass(slots=True)
class Newest:
    """A channel's newest reading, and its newest good one."""

    last: Reading
    good: Reading | None


class EmbeddedWriter(EmbeddedReader):
    """The write side (`base.StoreWriter`). `open_writer` and `open_importer` make it.

    Of readings with the same time, device and quantity the first one stays. A value that is not finite is
    kept as MISSING with the reason said; an unknown quantity, an empty device name or an impossible time
    raises StoreError and nothing of that `append` is taken.
    """

    def __init__(self, path: Path, zone: ZoneInfo, lock: FileLock) -> None:
        """Open an existing store of the present schema; the lock is released by `close`."""
        connection = connect(path, read_only=False)
        super().__init__(path, connection)
        self._rank: dict[str, int] = {}
        self._newest: dict[Key, Newest] = {}
        self._file_lock = lock
        self.last_commit = Landed()
        self._pending: list[Pending] = []
        self._events: list[Event] = []
        self._alarms: dict[str, AlarmState] = {}
        self._transitions: list[Transition] = []
        self._new_log: list[LogEntry] = []
        self._log: dict[int, LogEntry] = {}
        self._requests: dict[int, Request] = {}
        self._new_notices: list[Notice] = []
        self._notices: dict[int, Notice] = {}
        self._forget_before_ms: int | None = None
        self._health: dict[str, DeviceHealth] = {}
        self._notes: dict[str, str] = {}
        self._new_ranks: dict[str, int] | None = None
        self._packs = True
        self._thinned: Thinned | None = None
        self._untold: Untold | None = None
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
        self._new_ranks = self._rank = {device: rank for rank, device in enumerate(devices)}

    def append(self, readings: Iterable[Reading]) -> None:
        """The newest readings are followed in memory at once; of two with the same time the first stays."""
        kept = [as_kept(reading) for reading in readings]
        with self._lock:
            newest = self._newest
            for reading, steps in kept:
                time_ms, key = reading.time_ms, (reading.device, reading.quantity)
                self._pending.append((time_ms, key, steps, reading))
                known = newest.get(key)
                if known is None:
                    newest[key] = Newest(reading, None if steps is None else reading)
                    continue
                if time_ms > known.last.time_ms:
                    known.last = reading
                if steps is not None and (known.good is None or time_ms > known.good.time_ms):
                    known.good = reading

    def add_event(self, event: Event) -> None:
        with self._lock:
            self._events.append(event)

    def put_alarm(self, state: AlarmState) -> None:
        with self._lock:
            self._alarms[state.name] = state

    def add_transition(self, transition: Transition) -> None:
        with self._lock:
            self._transitions.append(transition)

    def add_log_entry(self, entry: LogEntry) -> None:
        with self._lock:
            self._new_log.append(entry)

    def put_log_entry(self, entry: LogEntry) -> None:
        with self._lock:
            self._log[entry.id] = entry

    def put_request(self, request: Request) -> None:
        with self._lock:
            self._requests[request.id] = request

    def add_notice(self, notice: Notice) -> None:
        with self._lock:
            self._new_notices.append(notice)

    def put_notice(self, notice: Notice) -> None:
        with self._lock:
            self._notices[notice.id] = notice

    def forget_notices(self, before_ms: int) -> None:
        with self._lock:
            self._forget_before_ms = before_ms

    def put_health(self, health: DeviceHealth) -> None:
        with self._lock:
            self._health[health.device] = health

    def put_note(self, key: str, text: str) -> None:
        with self._lock:
            self._notes[key] = text

    def commit(self) -> None:
        """Write all that is pending in one transaction; `last_commit` tells what became of the readings.

        Raises StoreError where that fails; everything stays pending. Of more than `waiting.MOST_WAITING`
        readings that wait so, or `MOST_TOLD` events or transitions, some are let go, which an event tells
        then. The next commit packs nothing, and brings the oldest of many readings by themselves, some at a
        time.
        """
        with self._lock, self._bounded(), told(self.path):
            if not (self._pending or self._has_documents()):
                self.last_commit = Landed()
                return
            # packing needs room, too, which may be what a full disk lacks: readings come first
            packs, self._packs = self._packs, False
            landed = Landed() if packs else self._bring_oldest()
            with self._landing.transaction() as others_wrote:
                landed.add(self._landing.take(self._pending))
                self._write_documents()
                if packs:
                    self._landing.pack(landed)
            self._packs, self._thinned = True, None
            self.last_commit = landed
            self._pending = []
            self._forget_documents()
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
            self._let_go_of_told()
            raise

    def _let_go_of_told(self) -> None:
        waiting: list[Event | Transition] = [*self._events, *self._transitions]
        self._events = newest_of_each(self._events, MOST_TOLD, attrgetter("kind", "subject"))
        self._transitions = newest_of_each(self._transitions, MOST_TOLD, attrgetter("alarm"))
        if gone := len(waiting) - len(self._events) - len(self._transitions):
            before = 0 if self._untold is None else self._untold.count
            self._untold = Untold(before + gone, max(each.time_ms for each in waiting))

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
                self._write_documents()
            self._pending = []
            self._forget_documents()
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
            return in_rank_order((known.last for known in self._newest.values()), self._rank)

    def latest_good(self, quantity: str) -> Reading | None:
        steps_of(quantity)
        with self._lock:
            good = [known.good for key, known in self._newest.items() if key[1] == quantity]
            return newest((reading for reading in good if reading is not None), self._rank)

    def alarms(self) -> list[AlarmState]:
        with self._lock:
            states = {state.name: state for state in super().alarms()} | self._alarms
        return sorted(states.values(), key=lambda state: state.name)

    def health(self) -> list[DeviceHealth]:
        with self._lock:
            known = {health.device: health for health in super().health()} | self._health
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
            pending = [each for each in reversed(self._transitions) if start_ms <= each.time_ms < end_ms]
            known = pending + super().transitions(start_ms, end_ms, limit)
        return sorted(known, key=lambda each: -each.time_ms)[:limit]

    def log_entry(self, number: int) -> LogEntry | None:
        with self._lock:
            return self._log.get(number) or super().log_entry(number)

    def open_requests(self) -> list[Request]:
        with self._lock:
            return [request for request in super().open_requests() if request.id not in self._requests]

    def open_notices(self) -> list[Notice]:
        """Those of the file with what is pending of them; new ones come with the next commit."""
        with self._lock:
            known = [self._notices.get(notice.id, notice) for notice in super().open_notices()]
        return [notice for notice in known if notice.finished_ms is None]

    def note(self, key: str) -> str | None:
        with self._lock:
            return self._notes[key] if key in self._notes else super().note(key)

    def _look_up_newest(self) -> None:
        """Newest readings and ranks as the file has them."""
        with self._asking() as ask:
            channels = read_channels(ask)
            self._rank = read_ranks(ask)
        self._newest = {(c.device, c.quantity): Newest(c.last, c.good) for c in channels}

    def _waiting_events(self) -> list[Event]:
        lost = [each.event() for each in (self._thinned, self._untold) if each is not None]
        return [*self._events, *lost]

    def _has_documents(self) -> bool:
        return bool(
            self._events
            or self._alarms
            or self._transitions
            or self._new_log
            or self._log
            or self._requests
            or self._new_notices
            or self._notices
            or self._health
            or self._notes
            or self._new_ranks is not None
            or self._forget_before_ms is not None
        )

    def _write_documents(self) -> None:
        write = self._connection
        if self._new_ranks is not None:
            write.execute("DELETE FROM device")
            write.executemany("INSERT INTO device VALUES (?, ?)", self._new_ranks.items())
        write.executemany(
            "INSERT INTO event (time_ms, kind, subject, text) VALUES (?, ?, ?, ?)",
            ((event.time_ms, event.kind, event.subject, event.text) for event in self._waiting_events()),
        )
        write.executemany(
            "INSERT OR REPLACE INTO alarm VALUES (?, ?)",
            ((alarm.name, document_of(alarm)) for alarm in self._alarms.values()),
        )
        write.executemany(
            "INSERT INTO transition (time_ms, alarm, document) VALUES (?, ?, ?)",
            ((each.time_ms, each.alarm, document_of(each)) for each in self._transitions),
        )
        write_log(write, self._new_log, self._log)
        write.executemany(
            "UPDATE request SET done_ms = ?, document = ? WHERE id = ?",
            ((request.done_ms, document_of(request), number) for number, request in self._requests.items()),
        )
        write.executemany(
            "INSERT INTO notice (finished_ms, document) VALUES (?, ?)",
            ((notice.finished_ms, document_of(notice)) for notice in self._new_notices),
        )
        write.executemany(
            "UPDATE notice SET finished_ms = ?, document = ? WHERE id = ?",
            ((notice.finished_ms, document_of(notice), number) for number, notice in self._notices.items()),
        )
        if self._forget_before_ms is not None:
            write.execute("DELETE FROM notice WHERE finished_ms < ?", (self._forget_before_ms,))
            write.execute("DELETE FROM request WHERE done_ms < ?", (self._forget_before_ms,))
        write.executemany(
            "INSERT OR REPLACE INTO now (kind, name, document) VALUES (?, ?, ?)",
            [(HEALTH, health.device, document_of(health)) for health in self._health.values()]
            + [(NOTE, key, text) for key, text in self._notes.items() if key in EACH_COMMIT],
        )
        write.executemany(
            "INSERT OR REPLACE INTO note VALUES (?, ?)",
            ((key, text) for key, text in self._notes.items() if key not in EACH_COMMIT),
        )

    def _forget_documents(self) -> None:
        self._events, self._alarms, self._health, self._notes = [], {}, {}, {}
        self._transitions, self._requests, self._new_notices, self._notices = [], {}, [], {}
        self._new_log, self._log = [], {}
        self._new_ranks = self._forget_before_ms = self._untold = None


def of_span(reading: Reading, device: str, start_ms: int, end_ms: int) -> Pending:
    """A reading that replaces others, as the landing takes it."""
    kept, steps = as_kept(reading)
    if kept.device != device or not start_ms <= kept.time_ms < end_ms:
        raise StoreError(
            f"a reading of {kept.device} at {kept.time_ms} ms cannot replace readings of {device}"
            f" in [{start_ms}, {end_ms})"
        )
    return kept.time_ms, (device, kept.quantity), steps, kept


def open_for_daemon(path: Path, time_zone: str, at_work: Callable[[], None] = lambda: None) -> EmbeddedWriter:
    """See `embedded.open_writer`."""
    zone = zone_of(time_zone)
    _check_folder(path)
    what = "another writer, most likely the daemon,"
    lock = FileLock(path.with_name(path.name + ".lock"), what, STARTING_S)
    try:
        _bring_up_to_date(path, zone, at_work)
        return EmbeddedWriter(path, zone, lock)
    except BaseException:
        lock.release()
        raise


def open_beside_daemon(path: Path, time_zone: str) -> EmbeddedWriter:
    """See `embedded.open_importer`."""
    zone = zone_of(time_zone)
    _check_folder(path)
    lock = FileLock(path.with_name(path.name + ".import-lock"), "another import")
    try:
        try:
            daemon_lock = FileLock(path.with_name(path.name + ".lock"), "the daemon")
        except StoreError:
            _check_as_daemon_keeps_it(path, zone)
        else:
            try:
                _bring_up_to_date(path, zone, lambda: None)
            finally:
                daemon_lock.release()
        return EmbeddedWriter(path, zone, lock)
    except BaseException:
        lock.release()
        raise


def _check_folder(path: Path) -> None:
    if not path.parent.is_dir():
        raise StoreError(f"{path}: the folder {path.parent} does not exist; make it or change [store] path")


def _bring_up_to_date(path: Path, zone: ZoneInfo, at_work: Callable[[], None]) -> None:
    """Tables of the present schema, days of the present time zone. The caller holds the daemon's lock."""
    with closing(connect(path, read_only=False)) as connection, told(path):
        choose_pages(connection)
        migrate(connection, path)
        prepare_for_writing(connection)
        kept = connection.execute("SELECT value FROM meta WHERE key = 'time_zone'").fetchone()
        if kept == (zone.key,):
            return
        landing = Landing(connection, zone)
        with landing.transaction():
            connection.execute("INSERT OR REPLACE INTO meta VALUES ('time_zone', ?)", (zone.key,))
            landing.recut_days(at_work)


def _check_as_daemon_keeps_it(path: Path, zone: ZoneInfo) -> None:
    with closing(connect(path, read_only=True)) as connection, told(path):
        check(connection, path)
        (kept,) = connection.execute("SELECT value FROM meta WHERE key = 'time_zone'").fetchone()
    if kept != zone.key:
        raise StoreError(
            f"{path}: the running daemon keeps days of {kept}, the site file says {zone.key}; restart the"
            " daemon, it makes the days anew, then import"
        )
