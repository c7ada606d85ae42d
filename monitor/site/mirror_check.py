"""What to bear in mind about the [[mirrors]] of a site file."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from urllib.parse import urlsplit

from monitor.site.model import Site
from monitor.toml_lines import TomlPath


def mirror_findings(site: Site) -> Iterator[tuple[str, TomlPath, str]]:
    """Severity, path and text of each finding."""
    first: dict[tuple[str, str], str] = {}
    for index, mirror in enumerate(site.mirrors):
        parts = urlsplit(mirror.url)
        if parts.scheme == "http" and mirror.secret and not _is_this_computer(parts.hostname or ""):
            text = (
                "http sends the token and all readings so that others in the network can read them; "
                "take https where the server has it"
            )
            yield "note", ("mirrors", index, "url"), text
        other = first.setdefault((mirror.url, mirror.bucket), mirror.name)
        if other != mirror.name:
            text = f"{mirror.name} and {other} send the same to the same bucket; one of them is enough"
            yield "warning", ("mirrors", index, "bucket"), text


def _is_this_computer(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
