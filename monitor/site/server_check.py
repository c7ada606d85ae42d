"""What to bear in mind about a time-series server in a site file, and about [store.server]."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from urllib.parse import urlsplit

from monitor.site.model import Site
from monitor.site.server_table import ServerKeys
from monitor.toml_lines import TomlPath

OPEN_TO_LISTENERS = (
    "http sends the token and all readings so that others in the network can read them; "
    "take https where the server has it"
)


def is_open_to_listeners(keys: ServerKeys) -> bool:
    """Whether a token goes through a network in the clear."""
    parts = urlsplit(keys.url)
    return parts.scheme == "http" and bool(keys.secret) and not _is_this_computer(parts.hostname or "")


def server_findings(site: Site) -> Iterator[tuple[str, TomlPath, str]]:
    """Severity, path and text of each finding on [store.server]."""
    keys = site.store.server
    if keys is None:
        return
    text = (
        f"the readings and all else are kept on {keys.url} in {keys.bucket}, with the place and this file's "
        f"text, and nowhere else; what cannot be sent waits beside {site.store.path}. A small computer out "
        "there is better off with its own store and a copy ([[mirrors]])"
    )
    yield "note", ("store", "server"), text
    if is_open_to_listeners(keys):
        yield "note", ("store", "server", "url"), OPEN_TO_LISTENERS
    if site.mirrors:
        text = (
            "copies are made of the store on this computer, and [store.server] leaves none here; take out "
            "either [[mirrors]] or [store.server]"
        )
        yield "error", ("mirrors", 0), text


def _is_this_computer(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
