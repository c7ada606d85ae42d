"""The process of the mirrors: a thread for each, until stopped; or once through."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from monitor.clock import SystemClock
from monitor.memory import keep_small
from monitor.mirror.book import Book, book_path
from monitor.mirror.eraser import eraser
from monitor.mirror.sender import Sender, wanted_of
from monitor.notices.secrets import secrets_of
from monitor.served.documents import Documents
from monitor.served.hand_over import site_record, writer
from monitor.served.query import Asker
from monitor.served.server import Server
from monitor.site.mirror_table import MirrorEntry
from monitor.site.model import Site
from monitor.store import store_path
from monitor.store.connect import FileLock
from monitor.store.mirrored import newest_points, snapshot
from monitor.store.mirrored_place import going_back

log = logging.getLogger("nightbank")

FIRST_LOOK_S = 10.0
"""How often it is looked whether the daemon has made the store (our choice)."""

STOP_WITHIN_S = 35.0
"""So long a stop waits for a request on its way: its time-out and a little."""


class _Mirror:
    """One mirror with its server."""

    def __init__(self, site: Site, site_file: Path, entry: MirrorEntry, book: Book) -> None:
        self.entry = entry
        secrets, folder = secrets_of(site, site_file.parent), site_file.parent
        self.server = Server(entry, secrets, folder=folder)
        self._asker = Asker(entry, secrets, folder, whose="the mirror's")
        write = writer(self.server, site.site.name)
        about = site_record(site, site_file.read_text(encoding="utf-8"), "mirror")
        erase = eraser(self._asker, site.site.name)
        names = [each.name for each in site.mirrors]
        store = store_path(site, site_file)
        there = Documents(self._asker, site.site.name).site_document
        self.sender = Sender(
            entry, names, store, book, write, SystemClock(), site=about, erase=erase, there=there
        )

    def close(self) -> None:
        self.sender.close()
        self.server.close()
        self._asker.close()


def run(site: Site, site_file: Path, stop: threading.Event) -> None:
    """Send to all mirrors of a site until `stop` is set. Raises StoreError where it runs already.

    An error that nobody foresaw in one thread ends them all and is raised, so that systemd starts anew.
    """
    keep_small()
    path = store_path(site, site_file)
    while not path.exists():
        log.info("%s: there is no store yet; waiting for the daemon", path)
        if stop.wait(FIRST_LOOK_S):
            return
    lock = FileLock(path.with_name(path.name + ".mirrors-lock"), "another process of the mirrors")
    try:
        with Book(book_path(path)) as book:
            mirrors = [_Mirror(site, site_file, entry, book) for entry in site.mirrors]
            fatal: list[Exception] = []
            threads = [
                threading.Thread(
                    target=partial(_follow, mirror, stop, fatal), name=mirror.entry.name, daemon=True
                )
                for mirror in mirrors
            ]
            for thread in threads:
                thread.start()
            stop.wait()
            for thread in threads:
                thread.join(STOP_WITHIN_S)
            if fatal:
                raise fatal[0]
    finally:
        lock.release()


def once(
    site: Site, site_file: Path, name: str | None = None, progress: Callable[[float], None] | None = None
) -> dict[str, str]:
    """Send what waits to all mirrors or one; what went wrong, by the mirror's name. Raises StoreError.

    progress hears which share of it is done, by the readings' time.
    """
    path = store_path(site, site_file)
    lock = FileLock(path.with_name(path.name + ".mirrors-lock"), "another process of the mirrors")
    wrong: dict[str, str] = {}
    try:
        with Book(book_path(path)) as book:
            meant = [entry for entry in site.mirrors if name in (None, entry.name)]
            for number, entry in enumerate(meant):
                mirror = _Mirror(site, site_file, entry, book)
                for share in _through(mirror, path):
                    if progress is not None:
                        progress((number + share) / len(meant))
                if mirror.sender.error:
                    wrong[entry.name] = mirror.sender.error
    finally:
        lock.release()
    return wrong


def send_again(site: Site, site_file: Path, from_ms: int, name: str | None = None) -> None:
    """Have all or one of the mirrors send everything from a time on once more, with the next step.

    Raises StoreError where the process of the mirrors runs.
    """
    path = store_path(site, site_file)
    lock = FileLock(path.with_name(path.name + ".mirrors-lock"), "the process of the mirrors")
    try:
        with Book(book_path(path)) as book:
            for entry in site.mirrors:
                place, state = book.read(entry.name)
                if place is not None and name in (None, entry.name):
                    book.save(entry.name, going_back(place, from_ms), state)
                    book.forget_given(entry.name)
    finally:
        lock.release()


def _follow(mirror: _Mirror, stop: threading.Event, fatal: list[Exception]) -> None:
    try:
        while not stop.wait(mirror.sender.step()):
            pass
    except Exception as error:
        fatal.append(error)
        stop.set()
    finally:
        mirror.close()


def _through(mirror: _Mirror, store: Path) -> Iterator[float]:
    """Batch after batch until nothing waits or something goes wrong; the share that is done, after each."""
    pause, sender = threading.Event(), mirror.sender
    with snapshot(store) as ask:
        newest = newest_points(ask, wanted_of(mirror.entry))
    first_ms, last_ms = sender.reached_ms, max((point.time_ms for point in newest), default=0)
    try:
        while True:
            wait_s = sender.step()
            if sender.is_current or sender.error:
                return
            if first_ms < 0:
                first_ms = sender.reached_ms
            yield min(1.0, max(0.0, (sender.reached_ms - first_ms) / max(1, last_ms - first_ms)))
            pause.wait(wait_s)
    finally:
        mirror.close()
