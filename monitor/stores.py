"""Which engine holds a site's readings: the one place that knows it.

A file of this computer (`store.embedded`).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from monitor.errors import StoreError
from monitor.records import Request
from monitor.site.model import Site
from monitor.store import embedded, store_path
from monitor.store.base import StoreImporter, StoreReader, StoreWriter

NOT_YET = "this version cannot ask it yet"


def open_reader(site: Site, site_file: Path) -> StoreReader:
    """Open a site's store to read. Raises StoreError where it cannot be had."""
    return embedded.open_reader(own_file(site, site_file, NOT_YET))


def open_writer(site: Site, site_file: Path, at_work: Callable[[], None] = lambda: None) -> StoreWriter:
    """Open a site's store for the daemon, making it where it is missing; at_work() is called now and then
    while that takes long. Raises StoreError, also where another daemon has the store."""
    return embedded.open_writer(own_file(site, site_file, NOT_YET), site.site.time_zone, at_work)


def open_importer(site: Site, site_file: Path) -> StoreImporter:
    """Open a site's store for an import, while the daemon runs or not. Raises StoreError like
    `open_writer`."""
    return embedded.open_importer(own_file(site, site_file, NOT_YET), site.site.time_zone)


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
    StoreError."""
    return embedded.leave_request(own_file(site, site_file, NOT_YET), request)
