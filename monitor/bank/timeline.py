"""Which rows of a record the estimator may see as the next moment, when clocks jump and rows come late.

An estimator goes forward in time only. A row at or before the newest one is late or a duplicate and changes
nothing. But a clock that was wrong for some rows must not spoil all later ones:

- behind a jump forward of more than a day the estimator from before is kept for a few rows. Comes a row that
  lies between, the jump was the clock's, and the kept estimator goes on as if those rows had not been;
- rows that lie behind for a whole day of their own time are a clock that was set back: the estimator goes on
  with them, at the same time of day, across a gap of at most a day.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, replace
from enum import Enum

from monitor.bank.estimator import Estimator
from monitor.bank.sample import BankEstimate, BankSample
from monitor.records import DAY_MS

DOUBTED_JUMP_MS = DAY_MS
"""A jump forward of more than this may be the clock's (our choice: longer than any night without sun)."""

DOUBTED_ROWS = 10
"""So many rows must go on after it before it is believed (our choice)."""

CORRECTED_MS = DAY_MS
"""Rows that lie behind for this long are no late ones (our choice: longer than a log repeats itself)."""


class Taken(Enum):
    """What became of a row."""

    NEXT = "next"
    LATE = "late"  # at or before the newest time: left out
    JUMP_UNDONE = "jump undone"  # the rows since a jump were the clock's; this one is the next
    SET_BACK = "set back"  # the clock has been behind for a day; this row is the next


@dataclass(slots=True)
class _Before:
    """What stood before a doubted jump to jump_ms, and how many rows have gone on since."""

    estimator: Estimator
    last_ms: int | None
    jump_ms: int
    rows: int = 0


class Timeline:
    """Feeds an estimator with rows in order of time; `estimate` is the newest one."""

    def __init__(self, make: Callable[[], Estimator]) -> None:
        """make gives an estimator that knows nothing; a restart takes another one."""
        self._make = make
        self.restart()

    def restart(self) -> None:
        """Forget all: the next row is the first of a fresh estimator."""
        self._estimator = self._make()
        self.estimate: BankEstimate | None = None
        self._last_ms: int | None = None
        self._shift_ms = 0
        self._before: list[_Before] = []  # oldest first, at most DOUBTED_ROWS
        self._behind: tuple[int, int] | None = None  # first and newest of a run of rows that lie behind

    def take(self, sample: BankSample) -> Taken:
        """One more row. Its estimate, or the last one where the row is left out, is in `estimate`."""
        time_ms = sample.time_ms + self._shift_ms
        taken = Taken.NEXT
        if self._last_ms is not None and time_ms <= self._last_ms:
            taken = self._place_behind(time_ms)
            if taken is Taken.LATE:
                return taken
            time_ms = sample.time_ms + self._shift_ms
        self._behind = None
        self._doubt(time_ms)
        self._last_ms = time_ms
        if self._shift_ms:
            sample = replace(sample, time_ms=time_ms)
        self.estimate = self._estimator.update(sample)
        return taken

    def _place_behind(self, time_ms: int) -> Taken:
        for place, before in enumerate(self._before):
            if (before.last_ms is None or before.last_ms < time_ms) and time_ms < before.jump_ms:
                self._estimator, self._last_ms = before.estimator, before.last_ms
                del self._before[place:]
                return Taken.JUMP_UNDONE
        if self._behind is None or time_ms <= self._behind[1]:
            self._behind = (time_ms, time_ms)
            return Taken.LATE
        self._behind = (self._behind[0], time_ms)
        if time_ms - self._behind[0] < CORRECTED_MS:
            return Taken.LATE
        assert self._last_ms is not None
        self._shift_ms += (self._last_ms - time_ms) // DAY_MS * DAY_MS + DAY_MS
        return Taken.SET_BACK

    def _doubt(self, time_ms: int) -> None:
        """Keep what stands before a jump that may be the clock's; let it go once rows have gone on."""
        for before in self._before:
            before.rows += 1
        if self._before and self._before[0].rows >= DOUBTED_ROWS:
            del self._before[0]
        if self._last_ms is None or time_ms - self._last_ms > DOUBTED_JUMP_MS:
            self._before.append(_Before(deepcopy(self._estimator), self._last_ms, time_ms))
