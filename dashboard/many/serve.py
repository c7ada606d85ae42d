"""The process that serves the page of many sites: the file that describes it, the web server."""

from __future__ import annotations

import logging
import os
import time
from pathlib import Path

from dashboard.many.app import make_sites_app
from dashboard.server import listening, run
from monitor.memory import forget_documentation, keep_small
from monitor.notices.secrets import CREDENTIALS, Secrets
from monitor.pin import pin_path
from monitor.served.many import Sites
from monitor.served.query import Asker
from monitor.site.sites_file import SitesFile, load_sites
from monitor.stores import PAGE_TIMEOUT_S, REST_S

log = logging.getLogger("nightbank.page")


def asker_of(described: SitesFile, file: Path) -> Asker:
    """Asks the server that a file describes."""
    credentials = os.environ.get(CREDENTIALS)
    secrets = Secrets(file.parent / described.secrets, Path(credentials) if credentials else None)
    return Asker(
        described.server,
        secrets,
        file.parent,
        whose="the server's",
        timeout_s=PAGE_TIMEOUT_S,
        rest_s=REST_S,
    )


def serve(file: Path, host: str | None = None, port: int | None = None) -> None:
    """Serve the page until SIGINT or SIGTERM. host and port default to the file's [page].

    Raises SiteError where the file cannot be used and PageError where the port cannot be had. A server that
    does not answer does not stop it: the page says so and asks again.
    """
    keep_small()
    forget_documentation()
    described = load_sites(file)
    asker = asker_of(described, file)
    kept = file.parent / described.page.path
    if described.page.reading_needs_pin and not pin_path(kept).exists():
        log.warning(
            "%s asks for a PIN before anything is shown, and none is set: run nightbank sites %s pin",
            file,
            file,
        )
    app = make_sites_app(described, asker, Sites(asker, time.monotonic), kept)
    run(lambda: listening(app, host or described.page.host, port or described.page.port))
