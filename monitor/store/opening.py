"""How the embedded store is opened to be written: who may, and tables and days brought up to date first."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.errors import StoreError
from monitor.local_days import zone_of
from monitor.store.connect import STARTING_S, FileLock, choose_pages, connect, prepare_for_writing, told
from monitor.store.landing import Landing
from monitor.store.schema import check, migrate
from monitor.store.writer import EmbeddedWriter


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
