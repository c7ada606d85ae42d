"""Ports for servers that tests and benches start."""

from __future__ import annotations

import os
import random
import socket
from contextlib import closing

FIRST, EACH, WORKERS = 11_000, 2_600, 8
"""Below the ports that the system gives to outgoing connections (from 32768 on), so that none of those takes
one between the look and the server's start; each worker of a run has its own, and so has a run without."""

BESIDE = int(os.environ.get("TESTS_BESIDE", "0"))
"""Workers of another run that goes on at the same time (tests/run sets it)."""

_NAME = os.environ.get("PYTEST_XDIST_WORKER", f"gw{WORKERS - 1}")
_WORKER = (int(_NAME.removeprefix("gw")) + BESIDE) % WORKERS
_UNTRIED = random.SystemRandom().sample(range(FIRST + _WORKER * EACH, FIRST + (_WORKER + 1) * EACH), k=EACH)


def free_port() -> int:
    """A local port that nothing listens on; no process is given the same one twice."""
    while True:
        port = _UNTRIED.pop()
        with closing(socket.socket()) as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
