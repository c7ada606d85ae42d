"""Ports for servers that tests and benches start."""

from __future__ import annotations

import socket
from contextlib import closing


def free_port() -> int:
    """A local port that nothing listens on."""
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
