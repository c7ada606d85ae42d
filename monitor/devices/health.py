"""How one device has been answering, kept while it is polled; what leaves is a frozen DeviceHealth."""

from __future__ import annotations

from collections import Counter

from monitor.errors import DeviceError
from monitor.records import DeviceHealth


class HealthRecord:
    """One device's record. connection is how a person knows its wire ('/dev/… 9600 baud', 'host:502')."""

    def __init__(self, device: str, connection: str, now_ms: int) -> None:
        self.device, self.connection = device, connection
        self.state = "never answered"
        self.failures_in_a_row = 0
        self._since_ms = now_ms
        self._last_good_ms: int | None = None
        self.round_trip_s: float | None = None  # of the last good poll
        self._polls = 0
        self._errors: Counter[str] = Counter()
        self._last_error = ""
        self._next_try_ms: int | None = None
        self.remark = ""

    def answered(self, now_ms: int, round_trip_s: float) -> None:
        """A poll ended with readings."""
        self._polls += 1
        self.failures_in_a_row = 0
        self._enter("answering", now_ms)
        self._last_good_ms = now_ms
        self.round_trip_s = round_trip_s
        self._next_try_ms = None

    def failed(self, now_ms: int) -> None:
        """A poll ended without readings; its errors were counted as they came."""
        self._polls += 1
        self.failures_in_a_row += 1
        if self.state == "answering":
            self._enter("silent", now_ms)

    def count(self, error: DeviceError) -> None:
        """One attempt failed, whether or not the poll succeeds after all."""
        self._errors[error.kind] += 1
        self._last_error = str(error)

    def will_try(self, next_try_ms: int) -> None:
        """When a device that did not answer is asked again."""
        self._next_try_ms = next_try_ms

    def told(self) -> DeviceHealth:
        """The record as it stands."""
        round_trip_ms = None if self.round_trip_s is None else round(self.round_trip_s * 1000, 1)
        return DeviceHealth(
            self.device,
            self.connection,
            self.state,
            self._since_ms,
            self._last_good_ms,
            round_trip_ms,
            self._polls,
            dict(self._errors),
            self._last_error,
            self._next_try_ms,
            self.remark,
        )

    def _enter(self, state: str, now_ms: int) -> None:
        if state != self.state:
            self.state, self._since_ms = state, now_ms
