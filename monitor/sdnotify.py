"""Tell systemd how the daemon fares: one datagram a message, as sd_notify(3) describes the protocol.

Written here because it is one `sendto`; the bindings on the registry need a compiler on a Pi.
"""

from __future__ import annotations

import logging
import os
import socket

log = logging.getLogger("nightbank")

WAIT_S = 0.5
"""How long a full queue may hold up the caller (our choice)."""


def notify(*states: str) -> None:
    """Send states such as 'READY=1', 'WATCHDOG=1', 'STOPPING=1', 'STATUS=...'; silent outside systemd.

    A service manager that does not listen must not hold up the polling: after WAIT_S the message is dropped
    and that is logged.
    """
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
        channel.settimeout(WAIT_S)
        try:
            channel.connect(address)
            channel.sendall("\n".join(states).encode())
        except OSError as error:
            log.warning("the service manager could not be told %s: %s", states[0], error)
