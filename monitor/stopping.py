"""The signals that end a process that goes on until it is stopped. Imports nothing of the project."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def stop_signals() -> Iterator[threading.Event]:
    """An event that SIGTERM and SIGINT set; the former handlers come back at the end."""
    stop = threading.Event()

    def handle(signum: int, frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, handle) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
