"""A mirror that is killed: `python -m tests.faults.mirror_child STORE URL LOG`.

Forks a sender, waits until it ends, and forks the next one, so that a kill costs no new start of Python. Each
sender appends its process id to LOG ('began PID'), every batch that the server took ('took LINES') and what
kept it from sending ('error TEXT'). The sender is the real one; only its waits are cut short, as time is
driven.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

from monitor.store.mirrored_place import Point
from tests.interop.mirror_world import mirroring

LONGEST_WAIT_S = 0.05
TIMEOUT_S = 0.5


def send(store: Path, url: str, log: int) -> None:
    os.write(log, f"began {os.getpid()}\n".encode())

    def took(points: list[Point]) -> None:
        os.write(log, f"took {len(points)}\n".encode())

    with mirroring(store, url, timeout_s=TIMEOUT_S, took=took, send=["all"]) as mirror:
        while True:
            wait_s = mirror.sender.step()
            if mirror.sender.error:
                os.write(log, f"error {mirror.sender.error}\n".encode())
            time.sleep(min(LONGEST_WAIT_S, wait_s))


def main() -> None:
    store, url, log = Path(sys.argv[1]), sys.argv[2], os.open(sys.argv[3], os.O_WRONLY | os.O_APPEND)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    child = 0
    try:
        while True:
            child = os.fork()
            if child == 0:
                signal.signal(signal.SIGTERM, signal.SIG_DFL)
                try:
                    send(store, url, log)
                finally:
                    os._exit(1)
            os.waitpid(child, 0)
    finally:
        if child:
            os.kill(child, signal.SIGKILL)


if __name__ == "__main__":
    main()
