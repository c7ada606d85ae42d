"""What ends a process that goes on until it is stopped. Imports nothing of the project."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def stop_signals() -> Iterator[threading.Event]:
    """An event that SIGTERM, Ctrl-C and a terminal that is closed set; the former handlers come back at the
    end. A hang-up that is ignored, as under nohup(1), stays so."""
    stop = threading.Event()

    def handle(signum: int, frame: FrameType | None) -> None:
        stop.set()

    heard = [signal.SIGTERM, signal.SIGINT]
    if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
        heard.append(signal.SIGHUP)
    before = {number: signal.signal(number, handle) for number in heard}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def stop_with_input() -> None:
    """Stop this process as SIGTERM does once its standard input ends: a pipe's other end is closed however
    the process that held it has ended, by SIGKILL too. Nothing else may read the input."""

    def wait() -> None:
        while os.read(0, 1024):
            pass
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=wait, name="input", daemon=True).start()
