"""The page process: site file, store, web server; from start to a clean end."""

from __future__ import annotations

import logging
import signal
import sys
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from time import monotonic
from types import FrameType
from typing import Any

from flask import Flask
from waitress.server import create_server

from dashboard.address import Address, address_of, qr_text
from dashboard.app import make_app
from dashboard.crowd import IDLE_S, LOOK_EVERY_S, keep_room
from monitor.errors import NightbankError
from monitor.memory import forget_documentation, give_back, keep_small
from monitor.pin import pin_path
from monitor.site.load import load_site
from monitor.store import store_path
from monitor.store.connect import seal
from monitor.stores import leave_request, reader_factory

log = logging.getLogger("nightbank.page")

THREADS = 4
"""Answers at a time; each holds a thread for milliseconds (our choice)."""

TIDY_S = 60.0
"""So often memory is given back while somebody asks (our choice: it takes a millisecond or two)."""

LARGEST_REQUEST_BYTES = 64 * 1024
"""The page sends back a few hundred bytes; anything larger is not ours."""


LARGEST_HEADER_BYTES = 16 * 1024
"""Browsers send one or two thousand bytes of headers (our choice; waitress takes sixteen times as much)."""


class PageError(NightbankError):
    """The page cannot be served; the text says why and what to do."""


def serve(site_file: Path, host: str | None = None, port: int | None = None) -> None:
    """Serve the page of a site until SIGINT or SIGTERM, which end it cleanly at any moment. host and port
    default to the site file's [page].

    Raises SiteError where the site file cannot be used and PageError where the port cannot be had. A store
    that is missing or damaged does not stop it: the page says so and looks again.
    """
    run(lambda: _made(site_file, host, port))


def run(make: Callable[[], Any]) -> None:
    """Make a web server and run it until SIGINT or SIGTERM, which end it cleanly at any moment."""
    signal.signal(signal.SIGTERM, _stop)
    with suppress(KeyboardInterrupt), closing(make()) as server:
        server.run()


def _made(site_file: Path, host: str | None, port: int | None) -> Any:
    """The web server, listening."""
    keep_small()
    forget_documentation()
    seal()
    site = load_site(site_file)
    host, port = host or site.page.host, port or site.page.port
    path = store_path(site, site_file)
    if site.page.reading_needs_pin and not pin_path(path).exists():
        log.warning(
            "%s asks for a PIN before anything is shown, and none is set: run nightbank pin", site_file
        )
    app = make_app(
        reader_factory(site, site_file), site, path, lambda asked: leave_request(site, site_file, asked)
    )
    _tidy(app.server)
    return listening(app.server, host, port)


def _tidy(server: Flask) -> None:
    """Give back each TIDY_S what the answers since have freed in the midst of the heap."""
    due_s = monotonic() + TIDY_S

    @server.teardown_request
    def tidy(_error: BaseException | None) -> None:
        nonlocal due_s
        if monotonic() >= due_s:
            due_s = monotonic() + TIDY_S
            give_back()


def listening(app: Flask, host: str, port: int) -> Any:
    """A web server before an app, listening. Raises PageError where the port cannot be had."""
    said = told(address_of(host, port))
    try:
        server = create_server(
            app,
            host=host,
            port=port,
            threads=THREADS,
            ident=None,
            max_request_body_size=LARGEST_REQUEST_BYTES,
            max_request_header_size=LARGEST_HEADER_BYTES,
            channel_timeout=IDLE_S,
            cleanup_interval=LOOK_EVERY_S,
        )
    except OSError as error:
        raise PageError(
            f"cannot listen on {host} port {port} ({error.strerror}): choose another with --port or --host"
        ) from error
    keep_room(server)
    sys.stderr.write(said)
    sys.stderr.flush()
    return server


def told(where: Address) -> str:
    """Where the page is, as it says when it begins; at a terminal with the QR code for a phone."""
    line = f"The page: {where.url}{f' or {where.by_name}' if where.by_name else ''}\n"
    return line if where.alone or not sys.stderr.isatty() else f"{line}{qr_text(where.url)}\n"


def _stop(_signal: int, _frame: FrameType | None) -> None:
    """End the way Ctrl-C does."""
    raise KeyboardInterrupt
