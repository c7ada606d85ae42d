"""Where a phone in the same network finds the page."""

from __future__ import annotations

import socket
from contextlib import closing

ANY_HOST = ("0.0.0.0", "::", "")


def page_url(host: str, port: int) -> str:
    """The page's address: the host as given, or this computer's own address where it listens on all."""
    shown = network_address() if host in ANY_HOST else host
    return f"http://[{shown}]:{port}/" if ":" in shown else f"http://{shown}:{port}/"


def network_address() -> str:
    """This computer's address in the local network, the loopback where it is in none. Nothing is sent."""
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 of RFC 5737: asks the routing table only
        except OSError:
            return "127.0.0.1"
        return str(probe.getsockname()[0])
