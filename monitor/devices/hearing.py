"""What was heard on a serial line since the last request, each byte with the time it was read at."""

from __future__ import annotations

from time import monotonic

from monitor.devices.modbus import Found
from monitor.devices.port import SerialPort

MOST_HEARD = 16_384
"""Bytes that are held at most (our choice: 64 of the longest frames; 115200 baud bring it in 1.4 s). Of a
flood the newest half is kept, so that it costs no memory and little time to search."""


class Hearing:
    """Bytes heard and not yet understood; `silent_since_s` is the last byte on the line, sent or heard."""

    def __init__(self, port: SerialPort) -> None:
        self._port = port
        self._times: list[float] = []
        self.data = bytearray()
        self.silent_since_s = monotonic()

    def clear(self) -> None:
        """Forget all that was heard."""
        self.data.clear()
        self._times.clear()

    def wait(self, longest_s: float) -> bool:
        """Wait for more bytes; False when none came. What the port already holds counts even when
        longest_s is over, so that a stalled machine does not lose an answer. Raises LineLost."""
        chunk = self._port.receive(longest_s)
        if not chunk:
            return False
        self.silent_since_s = monotonic()
        self.data += chunk
        self._times += [self.silent_since_s] * len(chunk)
        if len(self.data) > MOST_HEARD:
            del self.data[: -MOST_HEARD // 2]
            del self._times[: -MOST_HEARD // 2]
        return True

    def take(self, place: Found) -> tuple[bytes, float, float]:
        """A frame with the times of its first and last byte; it is forgotten with the noise before it."""
        frame = bytes(self.data[place.start : place.end])
        began_s, ended_s = self._times[place.start], self._times[place.end - 1]
        del self.data[: place.end]
        del self._times[: place.end]
        return frame, began_s, ended_s

    def strip(self, frame: bytes) -> bool:
        """Leave out the first occurrence of `frame` (an echo); whether there was one."""
        start = self.data.find(frame)
        if start < 0:
            return False
        del self.data[start : start + len(frame)]
        del self._times[start : start + len(frame)]
        return True
