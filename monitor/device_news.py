"""Which changes of a device's state a person is told of: all of them, but those of one that comes and goes.

A plug that wobbles has its device answer and fall silent a thousand times an hour. Each change would be an
event in the store, for ever, and a line in the log.
"""

from __future__ import annotations

from monitor.log_lines import Allowance
from monitor.records import DeviceHealth

TOLD_AT_ONCE, TOLD_EACH_S = 6, 900.0
"""So many changes of a device are told one by one, then one each quarter of an hour, with their count (our
choice)."""


class DeviceNews:
    """What is told of one device, poll by poll."""

    def __init__(self, known: DeviceHealth | None, now_s: float) -> None:
        """known: as it was told before this start."""
        self._seen = self._told = None if known is None else known.state
        self._allowance = Allowance(TOLD_AT_ONCE, TOLD_EACH_S, now_s)
        self._changes = 0

    def text(self, health: DeviceHealth, now_s: float) -> str:
        """The sentence on the device as it is now; '' where there is nothing to tell, or not yet."""
        if health.state != self._seen:
            self._seen = health.state
            self._changes += 1
        if health.state == self._told or not self._allowance.take(now_s):
            return ""
        said = f"{health.state} on {health.connection}"
        if health.state != "answering" and health.last_error:
            said += f" ({health.last_error})"
        if self._changes > 1:
            said += f"; it comes and goes: {self._changes} changes since the last one that was told"
        self._told, self._changes = health.state, 0
        return said
