"""The write side of a store that a server answers (`base.StoreWriter`), and what becomes of it in an outage.

`append`, the `add_` and the `put_` calls only note what came; `commit` hands it over. Where the server does
not take it (it cannot be reached, is busy, refuses us), it is kept on this computer (`shelf`) and sent in
order when the server is back; a commit fails only where that cannot be written either. Present state is
answered from memory, so the daemon comes up and judges alarms without its server; questions about the past
raise ServerError then.
"""

from __future__ import annotations

import json
import logging
import secrets as random_words
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from monitor.clock import Clock, SystemClock
from monitor.errors import ServerError, StoreError
from monitor.notices.secrets import secrets_of
from monitor.records import (
    AlarmState,
    DeviceHealth,
    Event,
    LogEntry,
    Notice,
    Reading,
    Request,
    Transition,
)
from monitor.served.documents import Documents, Ends
from monitor.served.hand_over import site_record, writer
from monitor.served.lines import note_place
from monitor.served.outgoing import Outgoing
from monitor.served.query import Asker, understands, understood
from monitor.served.reader import OPEN_REQUEST, ServedReader
from monitor.served.sending import Sending
from monitor.served.server import Server
from monitor.served.shelf import Shelf, shelf_path
from monitor.served.state import RECENT, State, events_of
from monitor.site.model import Site
from monitor.store import store_path
from monitor.store.base import Landed
from monitor.store.connect import FileLock
from monitor.store.documents import channels_of, document_of, request_of
from monitor.store.mirrored_place import Point
from monitor.store.mirrored_records import record
from monitor.store.queries import rank_of
from monitor.store.steps import steps_of

log = logging.getLogger("nightbank")

TIMEOUT_S = 5.0
"""For a request of the daemon's (our choice: its alarms wait so long at most, and the watchdog longer)."""

IMPORT_TIMEOUT_S = 30.0
"""For a request of an import (our choice: nothing else waits for it)."""

REST_S = 300.0
"""How long questions about the past get the same error at once after one that was not answered, unless a
commit tries the server before (our choice: as long as the longest wait for the next try)."""

ASK_EVERY_S = 1.5
"""How often requests that people left are asked for (our choice: a page waits two seconds for the daemon)."""


class ServedWriter(ServedReader):
    """The write side. `open_served_writer` and `open_served_importer` make it.

    Of readings with the same time, device and quantity the first one stays. What `append` refuses is what
    the embedded store refuses.
    """

    def __init__(
        self,
        site: Site,
        site_file: Path,
        shelf: Shelf,
        lock: FileLock,
        clock: Clock,
        *,
        keeps: bool,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        """keeps says that what the server does not take is kept for it; else `commit` fails then."""
        assert site.store.server is not None
        keys, folder = site.store.server, site_file.parent
        secrets = secrets_of(site, folder)
        asker = Asker(keys, secrets, folder, timeout_s=timeout_s, rest_s=REST_S)
        super().__init__(asker, site.site.name)
        self._server = Server(keys, secrets, timeout_s, folder, whose="the store's")
        self._shelf, self._file_lock, self._clock = shelf, lock, clock
        self._lock = threading.RLock()
        self.last_commit = Landed()
        self._requests: dict[int, Request] = {}
        self._unreadable: set[int] = set()
        self._asked_s = -1e9
        self._state = State()
        known = [point for point, _ in shelf.documents()]
        sending = Sending(
            self._documents,
            self._measured,
            writer(self._server, site.site.name),
            site.site.zone,
            self._state,
            shelf,
            next((point for point in known if point.device == "writer"), None) or _new_mark(),
        )
        sending.ends = [
            each
            for point in known
            if point.device == "channel"
            for each in channels_of(str(point.values["document"]), point.of)
        ]
        self._outgoing = Outgoing(asker, self._documents, sending, self._state, shelf, clock, keeps=keeps)

    def start(self, about: Point, at_work: Callable[[], None]) -> None:
        """Learn what the server has, and have it know the site; about is the record of the site."""
        with self._lock:
            self._outgoing.start(about, at_work)

    def close(self) -> None:
        """Let the next writer in; what is pending is dropped."""
        with self._lock:
            try:
                self._outgoing.keep_state()
            except StoreError as error:
                log.error("%s", error)
            self._shelf.close()
            self._server.close()
            super().close()
            self._file_lock.release()

    # --- what comes -------------------------------------------------------------------------------------

    def rank_devices(self, devices: Sequence[str]) -> None:
        with self._lock:
            self._state.put_rank(devices)

    def append(self, readings: Iterable[Reading]) -> None:
        """The newest readings are followed in memory at once; of two with the same time the first stays."""
        with self._lock:
            self._outgoing.append(readings)

    def add_event(self, event: Event) -> None:
        with self._lock:
            self._outgoing.new.append(event)

    def put_alarm(self, state: AlarmState) -> None:
        with self._lock:
            self._state.put_alarm(state)

    def add_transition(self, transition: Transition) -> None:
        with self._lock:
            self._outgoing.new.append(transition)

    def add_log_entry(self, entry: LogEntry) -> None:
        with self._lock:
            self._outgoing.new.append(entry)

    def put_log_entry(self, entry: LogEntry) -> None:
        with self._lock:
            self._state.put_log_entry(entry)

    def put_request(self, request: Request) -> None:
        with self._lock:
            self._requests.pop(request.id, None)
            self._state.put_request(request)

    def add_notice(self, notice: Notice) -> None:
        with self._lock:
            self._outgoing.new.append(notice)

    def put_notice(self, notice: Notice) -> None:
        with self._lock:
            self._state.put_notice(notice)

    def forget_notices(self, before_ms: int) -> None:
        with self._lock:
            self._outgoing.forget_before_ms = before_ms

    def put_health(self, health: DeviceHealth) -> None:
        with self._lock:
            self._state.put_health(health)

    def put_note(self, key: str, text: str) -> None:
        with self._lock:
            self._state.put_note(key, text)

    # --- commit -----------------------------------------------------------------------------------------

    def commit(self) -> None:
        """Hand over what is pending; `last_commit` tells what became of the readings, as far as that is known
        before they are there.

        Raises StoreError where neither the server takes it nor this computer can keep it; all stays pending.
        """
        with self._lock:
            try:
                self._outgoing.commit()
            finally:
                self.last_commit = self._outgoing.last_commit

    def replace(self, device: str, start_ms: int, end_ms: int, readings: Iterable[Reading]) -> None:
        """The readings are kept on this computer until they have taken the others' place, so that whatever
        ends this process, the next start finishes it.

        Raises ServerError while the server is away, StoreError also for a reading of another device or
        outside the span.
        """
        with self._lock:
            self._outgoing.replace(device, start_ms, end_ms, readings)

    # --- what is known ----------------------------------------------------------------------------------

    def latest(self) -> list[Reading]:
        with self._lock:
            return self._outgoing.newest.latest(self._state.ranks)

    def latest_good(self, quantity: str) -> Reading | None:
        steps_of(quantity)
        with self._lock:
            return self._outgoing.newest.latest_good(quantity, self._state.ranks)

    def alarms(self) -> list[AlarmState]:
        with self._lock:
            return sorted(self._state.alarms.values(), key=lambda state: state.name)

    def health(self) -> list[DeviceHealth]:
        with self._lock:
            ranks = self._state.ranks
            return sorted(self._state.health.values(), key=lambda health: rank_of(health.device, ranks))

    def events(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[Event]:
        with self._lock:
            pending = events_of(self._state.due_of("event"))
            pending += (each for each in self._outgoing.new if isinstance(each, Event))
            inside = [event for event in reversed(pending) if start_ms <= event.time_ms < end_ms]
            known = inside + super().events(start_ms, end_ms, limit)
        return sorted(known, key=lambda event: -event.time_ms)[:limit]

    def transitions(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[Transition]:
        """From memory where that reaches as far back as is asked."""
        with self._lock:
            recent, is_all = self._state.recent, len(self._state.recent) < RECENT
            known = [*recent, *(each for each in self._outgoing.new if isinstance(each, Transition))]
            inside = [each for each in reversed(known) if start_ms <= each.time_ms < end_ms]
            found = sorted(inside, key=lambda each: -each.time_ms)[:limit]
            if len(found) == limit or is_all or start_ms > recent[0].time_ms:
                return found
            return super().transitions(start_ms, end_ms, limit)

    def log_entry(self, number: int) -> LogEntry | None:
        with self._lock:
            return self._state.log_entry(number) or super().log_entry(number)

    def open_requests(self) -> list[Request]:
        """The server is asked every ASK_EVERY_S at most; what is known by then is told meanwhile."""
        with self._lock:
            now_s = self._clock.elapsed_s()
            if self._outgoing.link.error is None and now_s - self._asked_s >= ASK_EVERY_S:
                self._asked_s = now_s
                try:
                    self._requests = {each.id: each for each in self._left_requests()}
                except ServerError as error:
                    self._outgoing.failed(error)
            pending = {int(point.values["number"]) for point in self._state.due_of("request")}
            return [each for each in self._requests.values() if each.id not in pending]

    @understands
    def _left_requests(self) -> list[Request]:
        """Those on the server that can be read: one that cannot must not stop all others."""
        found = []
        for each in reversed(self._documents.numbered("request", only=OPEN_REQUEST)):
            try:
                with understood(self._asker.host):
                    request = request_of(each.document, each.number)
            except ServerError as error:
                if each.number not in self._unreadable:
                    self._unreadable.add(each.number)
                    log.warning("request %d is left alone: %s", each.number, error)
                continue
            if request.done_ms is None:
                found.append(request)
        return found

    def open_notices(self) -> list[Notice]:
        """With what is pending of them; new ones come with the next commit."""
        with self._lock:
            return [self._state.notices[number] for number in sorted(self._state.notices)]

    def note(self, key: str) -> str | None:
        """Notes of single days are asked for where they are not known; None also where they cannot be."""
        with self._lock:
            is_known, text = self._state.note(key)
            if not is_known and note_place(key)[1] and self._outgoing.link.error is None:
                try:
                    text = super().note(key)
                    self._state.know_note(key, text)
                except ServerError as error:
                    self._outgoing.failed(error)
            return text

    def _ends(self) -> Ends:
        with self._lock:
            return Ends(self._outgoing.sending.ends, dict(self._state.ranks))


def open_served_writer(
    site: Site,
    site_file: Path,
    at_work: Callable[[], None] = lambda: None,
    clock: Clock | None = None,
    *,
    timeout_s: float = TIMEOUT_S,
) -> ServedWriter:
    """Open a site's store on its server ([store.server]) for the daemon.

    Comes up also while the server is away. Where the site's time zone differs from the one that cut its days,
    all days are made anew, which takes a while; at_work() is called before each. Raises StoreError where
    another writer on this computer has the store, or the server refuses us from the first start on.
    """
    return _opened(site, site_file, at_work, clock or SystemClock(), keeps=True, timeout_s=timeout_s)


def open_served_importer(site: Site, site_file: Path) -> ServedWriter:
    """The same for an import: its `commit` raises ServerError where the server does not take what comes.
    Raises StoreError also while the daemon runs."""
    return _opened(site, site_file, lambda: None, SystemClock(), keeps=False, timeout_s=IMPORT_TIMEOUT_S)


def leave_served_request(site: Site, site_file: Path, request: Request) -> int:
    """Leave a request for the daemon of a site; its number. Nothing else is written.

    Raises StoreError where the server cannot be had or does not know the site, or what it has is a copy:
    nobody would do what is asked there.
    """
    assert site.store.server is not None
    keys, folder = site.store.server, site_file.parent
    secrets = secrets_of(site, folder)
    asker = Asker(keys, secrets, folder, timeout_s=TIMEOUT_S)
    server = Server(keys, secrets, TIMEOUT_S, folder, whose="the store's")
    try:
        with understood(asker.host):
            origin = Documents(asker, site.site.name).site().get("origin")
        if origin != "store":
            raise StoreError(
                f"{site.site.name} in {keys.bucket} on {keys.url} is a copy; ask where its daemon runs"
            )
        number = SystemClock().now_ms() * 100 + random_words.randbelow(100)
        point = record("request", "", document_of(replace(request, id=0)), number)
        writer(server, site.site.name)([point])
    finally:
        asker.close()
        server.close()
    return number


def _new_mark() -> Point:
    """A mark for a computer that has none."""
    return record("writer", "", json.dumps({"machine": random_words.token_hex(8)}))


def _opened(
    site: Site,
    site_file: Path,
    at_work: Callable[[], None],
    clock: Clock,
    *,
    keeps: bool,
    timeout_s: float,
) -> ServedWriter:
    path = store_path(site, site_file)
    if not path.parent.is_dir():
        raise StoreError(f"{path}: the folder {path.parent} does not exist; make it or change [store] path")
    lock = FileLock(path.with_name(path.name + ".lock"), "another writer, most likely the daemon,")
    try:
        shelf = Shelf(shelf_path(path))
        try:
            opened = ServedWriter(site, site_file, shelf, lock, clock, keeps=keeps, timeout_s=timeout_s)
            opened.start(site_record(site, site_file.read_text(encoding="utf-8"), "store"), at_work)
            return opened
        except BaseException:
            shelf.close()
            raise
    except BaseException:
        lock.release()
        raise
