"""The signals that end a process that goes on until it is stopped. Imports nothing of the project."""

from __future__ import annotations

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
