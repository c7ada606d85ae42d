"""Which engine holds a site's readings: the one place that knows it.

A file of this computer (`store.embedded`), or a time-series server (`served`), whose side is imported only
where a site has one.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from monitor.errors import StoreError
from monitor.records import Request
from monitor.site.model import Site
from monitor.store import embedded, store_path
from monitor.store.base import StoreImporter, StoreReader, StoreWriter

HOLD_S = 2.0
"""How long one answer of a page gives what it was told of the present again (our choice: an answer asks for
the same several times)."""

PAGE_TIMEOUT_S = 6.0
"""How long a page waits for a server (our choice: a phone waits ten seconds for the page)."""

REST_S = 5.0
"""How long a page leaves a server alone that did not answer (our choice: until the phone asks again)."""


def open_reader(site: Site, site_file: Path) -> StoreReader:
    """Open a site's store to read. Raises StoreError where it cannot be had."""
    if site.store.server is None:
        return embedded.open_reader(store_path(site, site_file))
    from monitor.notices.secrets import secrets_of
    from monitor.served.reader import open_served_reader

    folder = site_file.parent
    return open_served_reader(site.store.server, site.site.name, secrets_of(site, folder), folder)


def reader_factory(site: Site, site_file: Path) -> Callable[[], StoreReader]:
    """Opens a site's store to read, again and again, for a page; it may raise StoreError at any call."""
    keys = site.store.server
    if keys is None:
        return lambda: open_reader(site, site_file)
    from monitor.notices.secrets import secrets_of
    from monitor.served.query import Asker
    from monitor.served.reader import LentReader

    folder = site_file.parent
    asker = Asker(keys, secrets_of(site, folder), folder, timeout_s=PAGE_TIMEOUT_S, rest_s=REST_S)
    return lambda: LentReader(asker, site.site.name, HOLD_S)


def open_writer(site: Site, site_file: Path, at_work: Callable[[], None] = lambda: None) -> StoreWriter:
    """Open a site's store for the daemon, making it where it is missing; at_work() is called now and then
    while that takes long. Raises StoreError, also where another daemon has the store."""
    if site.store.server is None:
        return embedded.open_writer(store_path(site, site_file), site.site.time_zone, at_work)
    from monitor.served.writer import open_served_writer

    return open_served_writer(site, site_file, at_work)


def open_importer(site: Site, site_file: Path) -> StoreImporter:
    """Open a site's store for an import. Raises StoreError like `open_writer`; where the store is a file of
    this computer the daemon may run meanwhile."""
    if site.store.server is None:
        return embedded.open_importer(store_path(site, site_file), site.site.time_zone)
    from monitor.served.writer import open_served_importer

    return open_served_importer(site, site_file)


def own_file(site: Site, site_file: Path, instead: str) -> Path:
    """The file of this computer that holds a site's readings. Raises StoreError where a server does; instead
    says what to do then."""
    server = site.store.server
    if server is not None:
        raise StoreError(
            f"{site_file}: the readings of {site.site.name} are kept on {server.url} in {server.bucket}"
            f" ([store.server]), not in a file of this computer; {instead}"
        )
    return store_path(site, site_file)


def leave_request(site: Site, site_file: Path, request: Request) -> int:
    """Leave a request for the daemon in a site's store; its number. Nothing else is written. Raises
    StoreError, also where what there is of the site is a copy."""
    if site.store.server is None:
        return embedded.leave_request(store_path(site, site_file), request)
    from monitor.served.writer import leave_served_request

    return leave_served_request(site, site_file, request)
