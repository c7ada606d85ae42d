"""A mirror that is killed: `python -m tests.faults.mirror_child STORE URL LOG`.

Forks a sender, waits until it ends, and forks the next one, so that a kill costs no new start of Python. Each
sender appends its process id to LOG ('began PID'), every batch that the server took ('took LINES') and what
kept it from sending ('error TEXT'). The sender is the real one; only its waits are cut short, as time is
driven.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from monitor.store.mirrored_place import Point
from tests.faults.successors import follow_each_other
from tests.interop.mirror_world import mirroring

LONGEST_WAIT_S = 0.05
TIMEOUT_S = 0.5


def send(store: Path, url: str, log: int) -> None:
    os.write(log, f"began {os.getpid()}\n".encode())

    def took(points: Sequence[Point]) -> None:
        os.write(log, f"took {len(points)}\n".encode())

    with mirroring(store, url, timeout_s=TIMEOUT_S, took=took, send=["all"]) as mirror:
        while True:
            wait_s = mirror.sender.step()
            if mirror.sender.error:
                os.write(log, f"error {mirror.sender.error}\n".encode())
            time.sleep(min(LONGEST_WAIT_S, wait_s))


def main() -> None:
    store, url, log = Path(sys.argv[1]), sys.argv[2], os.open(sys.argv[3], os.O_WRONLY | os.O_APPEND)
    follow_each_other(lambda: send(store, url, log))


if __name__ == "__main__":
    main()
