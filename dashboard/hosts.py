"""By which names this computer may be asked: a foreign page must not read here under a name of its own.

A page on the internet can let its own name point at an address of the local network and then read what
answers there as if it were its own (DNS rebinding). The browser still sends that name as Host, so that a
request is answered only where Host is a name that no one outside can give: an address in numbers, localhost,
this computer's own name, a name under .local (RFC 6762: never asked of the internet), or one that the site
file lists. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from ipaddress import ip_address

FOREIGN = (
    "This page is not answered under the name that was asked for. Open it by the computer's address in"
    " numbers (such as http://192.0.2.7:8480/) or by its name with .local behind; or add the name to"
    " names = [...] in the table [page] of the site file and start the page again.\n"
)
"""What a request under a foreign name gets (192.0.2.0/24 is for examples: RFC 5737)."""

_HOST = re.compile(r"(?:\[(?P<six>[0-9A-Za-z:.%]+)\]|(?P<name>[^:\[\]]+))(?::(?P<port>[0-9]{1,5}))?")
LAST_PORT = 65535
"""Host as RFC 9110 has it: a name or an address, an IPv6 address in brackets, and perhaps a port."""


def is_own(host: str | None, names: Collection[str]) -> bool:
    """Whether a request's Host header names this computer. names are its own, in small letters."""
    found = _HOST.fullmatch(host or "")
    if found is None or int(found["port"] or 0) > LAST_PORT:
        return False
    if found["six"] is not None:
        return _is_address(found["six"])
    name = found["name"].lower().removesuffix(".")
    return name == "localhost" or name.endswith(".local") or name in names or _is_address(name)


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
