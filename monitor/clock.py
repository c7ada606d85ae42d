"""Time, handed in: UTC to stamp, a monotonic count to measure. Imports nothing of the project.

The daemon uses SystemClock; the demo a SteppedClock while it fills the past weeks and a PacedClock when
time runs faster than life. The store keeps a paced clock's note so that page and command line agree.
"""

from __future__ import annotations

import json
import time
from typing import Protocol


class Clock(Protocol):
    """Where every room gets its time from."""

    def now_ms(self) -> int:
        """UTC milliseconds since 1970; may jump once the network sets the time."""

    def elapsed_s(self) -> float:
        """Seconds that never jump: for time-outs, gaps and periods on the wire (always real time)."""

    @property
    def speed(self) -> float:
        """How many times as fast as life its time runs: 1 everywhere but in a demo."""


class SystemClock:
    """The computer's own clock."""

    speed = 1.0

    def now_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def elapsed_s(self) -> float:
        return time.monotonic()


class SteppedClock(SystemClock):
    """A clock that stands until it is set; time on the wire stays real."""

    def __init__(self, now_ms: int) -> None:
        self._now_ms = now_ms

    def set(self, now_ms: int) -> None:
        self._now_ms = now_ms

    def now_ms(self) -> int:
        return self._now_ms


class PacedClock(SystemClock):
    """Starts at shown_ms when the computer's clock says real_ms and runs `speed` times as fast."""

    def __init__(self, real_ms: int, shown_ms: int, speed: float) -> None:
        self.real_ms, self.shown_ms, self.speed = real_ms, shown_ms, speed

    def now_ms(self) -> int:
        return self.shown_ms + round((super().now_ms() - self.real_ms) * self.speed)

    def note(self) -> str:
        """The text under which the store keeps this clock (read back by `clock_from_note`)."""
        return json.dumps({"real_ms": self.real_ms, "shown_ms": self.shown_ms, "speed": self.speed})


CLOCK_NOTE = "clock"
"""Key of the store's note that holds a paced clock; absent where time is real."""


def clock_from_note(note: str | None) -> Clock:
    """The clock a reader of the store should go by: the noted paced one, else the system's."""
    if note is None:
        return SystemClock()
    return PacedClock(**json.loads(note))
