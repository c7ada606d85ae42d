"""Time, handed in: UTC to stamp, a count that never jumps to measure. Imports nothing of the project.

    __init__   the clocks: the computer's own, a demo's, the one that a reader of the store goes by
    kernel     what the computer itself knows of the time: its count since boot, who set its clock, a chip
    course     how UTC follows from the count since boot, and how one course gives way to the next; pure
    receiver   a device that tells the time in lines of text: when its lines are believed; pure
    steady     the daemon's clock: which source it believes, and what it does when another one speaks

The daemon goes by a SteadyClock, the demo by a SteppedClock while it fills the past weeks and a PacedClock
when time runs faster than life. The store keeps the note of a clock that is not simply the computer's, so
that page and command line agree with the daemon.
"""

from __future__ import annotations

import json
import time
from typing import Protocol

from monitor.clock.course import Course
from monitor.clock.kernel import Kernel


class Clock(Protocol):
    """Where every room gets its time from."""

    def now_ms(self) -> int:
        """UTC milliseconds since 1970, as well as it is known."""

    def elapsed_s(self) -> float:
        """Seconds that never jump: for time-outs, gaps and periods on the wire (always real time)."""

    def stamped(self, wire_ms: int) -> int:
        """UTC of a moment that the clock on the wires has stamped."""

    @property
    def speed(self) -> float:
        """How many times as fast as life its time runs: 1 everywhere but in a demo."""

    @property
    def is_known(self) -> bool:
        """Whether UTC is known; where not, `now_ms` is the earliest that it can be."""

    @property
    def doubt(self) -> str | None:
        """Why the time cannot be trusted, in words; '' where it can, None where nobody asked."""


class SystemClock:
    """The computer's own clock, taken as it is."""

    speed = 1.0
    is_known = True
    doubt: str | None = None

    def now_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def elapsed_s(self) -> float:
        return time.monotonic()

    def stamped(self, wire_ms: int) -> int:
        return wire_ms


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


class FollowedClock(SystemClock):
    """The time by which the daemon on this computer goes, for whoever reads its store."""

    def __init__(self, course: Course, kernel: Kernel) -> None:
        self.course, self._kernel = course, kernel

    @property
    def is_known(self) -> bool:  # type: ignore[override]
        return self.course.is_known

    @property
    def error_s(self) -> float | None:
        """How wrong it may be, None where it is not known at all."""
        return self.course.error_at_ms(self._kernel.count_ms()) / 1000 if self.is_known else None

    def now_ms(self) -> int:
        return self.course.utc_ms(self._kernel.count_ms())


class UntoldClock(SystemClock):
    """The computer's own, over a store whose daemon did not know the time when it last wrote there, on
    another computer or before this one was switched on: how old anything there is nobody can tell."""


class CountClock(SystemClock):
    """The clock on the wires: milliseconds since boot, so that no stamp depends on what the time is."""

    def __init__(self, kernel: Kernel) -> None:
        self._kernel = kernel

    def now_ms(self) -> int:
        return self._kernel.count_ms()


TIME_REQUEST = "time"
"""The kind of a request by which a person tells the time: details `offset_ms`, UTC less the count since boot,
`boot`, the run of the computer in which it was counted, and `sure`, where readings that it puts into the
future may be set aside."""

UNTOLD_NOTE = "untold"
"""Key of the store's note of how many readings are set aside since nobody told the time in their run of the
computer; a whole number."""

CLOCK_NOTE = "clock"
"""Key of the store's note of the clock that its readings go by; absent where that is the system's."""


def clock_from_note(note: str | None, kernel: Kernel | None = None) -> Clock:
    """The clock a reader of the store should go by: a demo's noted one; the daemon's own, where it has noted
    it since this computer was switched on; else the system's, as an UntoldClock where the daemon did not know
    the time. Raises ValueError for a spoilt note."""
    if note is None:
        return SystemClock()
    course = Course.from_note(note)
    if course is None:
        return PacedClock(**json.loads(note))
    kernel = kernel or Kernel()
    if course.boot == kernel.boot:
        return FollowedClock(course, kernel)
    return SystemClock() if course.is_known else UntoldClock()
