"""Tell systemd how the daemon fares: one datagram a message, as sd_notify(3) describes the protocol.

Written here because it is one `sendto`; the bindings on the registry need a compiler on a Pi.
"""

from __future__ import annotations

import os
import socket


def notify(*states: str) -> None:
    """Send states such as 'READY=1', 'WATCHDOG=1', 'STOPPING=1', 'STATUS=...'; silent outside systemd."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
        channel.connect(address)
        channel.sendall("\n".join(states).encode())
