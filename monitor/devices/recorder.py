"""Writes the lines that a device sends to a capture while something else goes on."""

from __future__ import annotations

import threading
from pathlib import Path

from monitor.clock import Clock
from monitor.devices.capture import append_line
from monitor.devices.port import SerialPort
from monitor.devices.textline import QUIET_S, LineSplitter
from monitor.errors import LineLost, MatchError


class Recorder:
    """Writes the lines that come at a port to a capture, in a thread of its own, until it is ended.

    `lines` is how many have come. Where the port or the file fails, `wait_for` says so.
    """

    def __init__(self, port: SerialPort, path: Path, clock: Clock) -> None:
        self.lines = 0
        self._port, self._path, self._clock = port, path, clock
        self._fault: LineLost | MatchError | None = None
        self._end = threading.Event()
        self._came = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="capture", daemon=True)

    def start(self) -> None:
        """Open the port and listen. Raises LineLost."""
        self._port.open()
        self._thread.start()

    def wait_for(self, lines: int, longest_s: float) -> bool:
        """Whether so many lines have come within that time. Raises LineLost or MatchError where port or file
        has failed.
        """
        with self._came:
            self._came.wait_for(lambda: self.lines >= lines or self._fault is not None, longest_s)
        if self._fault is not None:
            raise self._fault
        return self.lines >= lines

    def end(self) -> None:
        """Stop listening and release the port; may be called twice."""
        self._end.set()
        if self._thread.ident is not None:
            self._thread.join()
        self._port.close()

    def _run(self) -> None:
        splitter = LineSplitter()
        try:
            while not self._end.is_set():
                data = self._port.receive(QUIET_S)
                if not data:
                    splitter.at_line_start()
                for line in splitter.feed(data):
                    append_line(self._path, self._clock.now_ms(), line)
                    with self._came:
                        self.lines += 1
                        self._came.notify_all()
        except (LineLost, MatchError) as fault:
            with self._came:
                self._fault = fault
                self._came.notify_all()
