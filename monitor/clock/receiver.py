"""When a device that tells the time in lines of text is believed. Pure.

One line may be damaged beyond its checksum, late, or old. So a device is believed only while its last lines
and the computer's count since boot agree.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from monitor.clock.course import DRIFT
from monitor.clock.steady import RECEIVER, Word

LINES, SPAN_MS, AGREE_MS = 3, 10_000, 1_000
"""So many lines, over so long, agree so well with the count (our choice: a damaged line stands alone, a time
that stands still is found in the ten seconds, a line comes within the second that it tells)."""


@dataclass(frozen=True, slots=True)
class TimeTold:
    """What one line says: that it was utc_ms, a little before it came at a count since boot."""

    utc_ms: int
    count_ms: int


class Agreement:
    """The last lines of one device."""

    def __init__(self) -> None:
        self._lines: deque[TimeTold] = deque()

    def hear(self, told: TimeTold) -> Word | None:
        """One more line; the time, where the lines agree on it.

        A line can only be late, so the one that came soonest after its moment is right.
        """
        lines, now_ms = self._lines, told.count_ms
        lines.append(told)
        while len(lines) > LINES and now_ms - lines[1].count_ms >= SPAN_MS:
            lines.popleft()
        span_ms = now_ms - lines[0].count_ms
        offsets_ms = [line.utc_ms - line.count_ms for line in lines]
        if max(offsets_ms) - min(offsets_ms) > AGREE_MS + DRIFT * span_ms:
            self._lines = deque([told])
            return None
        if len(lines) < LINES or span_ms < SPAN_MS:
            return None
        return Word(RECEIVER, now_ms + max(offsets_ms), now_ms)
