"""Processes that are killed, each followed by the next: their parent, and how a test starts and kills them.

The children write 'began PID' into a log; forking the next one costs no new start of Python.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from tests.waiting import wait_for


def follow_each_other(child: Callable[[], None]) -> None:
    """Fork a child, wait until it ends, and fork the next one, until SIGTERM comes."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    pid = 0
    try:
        while True:
            pid = os.fork()
            if pid == 0:
                signal.signal(signal.SIGTERM, signal.SIG_DFL)
                try:
                    child()
                finally:
                    os._exit(1)
            os.waitpid(pid, 0)
    finally:
        if pid:
            os.kill(pid, signal.SIGKILL)


@contextmanager
def running(module: str, arguments: Sequence[str], log: Path) -> Iterator[None]:
    """A parent with its children; `module` takes the arguments, then the log."""
    log.touch()
    parent = subprocess.Popen([sys.executable, "-m", module, *arguments, str(log)])
    try:
        wait_for(lambda: "began" in log.read_text())
        yield
    finally:
        parent.terminate()
        parent.wait(timeout=60)


def kill_newest(log: Path) -> None:
    """Kill the child that began last."""
    newest = [line.split()[1] for line in log.read_text().splitlines() if line.startswith("began")][-1]
    with suppress(ProcessLookupError):
        os.kill(int(newest), signal.SIGKILL)
