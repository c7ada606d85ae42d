"""What waits in memory for a card that stays full is bounded: readings are thinned out, never the span; pure.

A card may stay full for weeks, and a small computer's memory must not fill with it. Of each channel the
first reading in each step of time is kept, and its newest one; the step doubles until few enough are left. So
what is kept reaches over the whole time, by measured readings and none made up. Of events and of the alarms'
transitions the newest of each device and alarm are kept, so that what comes rarely goes last.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from monitor.records import Event, Reading, iso_utc

MOST_WAITING = 60_000
"""Readings that wait at most (our choice: some 15 MB; twenty quantities each 5 s come to it in 4 hours)."""

AT_ONCE = 5_000
"""Readings that are brought at once after a commit that failed (our choice: what a disk that is still full
costs, some 25 ms on a desktop, comes once a second while notices wait)."""

FIRST_STEP_MS = 10_000
"""The first step (our choice: every other reading of a poll each 5 s)."""

MOST_TOLD = 2_000
"""Events that wait at most, and as many transitions (our choice: a megabyte each; a device that comes and
goes comes to it in three weeks, an alarm that does so at each poll of 5 s in three hours)."""

Told = TypeVar("Told")

Waiting = tuple[int, tuple[str, str], int | None, Reading]
"""Time, (device, quantity), value in steps where good, and the reading."""


@dataclass(frozen=True, slots=True)
class Thinned:
    """What was let go, in all since the last commit: how many readings of [start, end], and the step."""

    count: int
    start_ms: int
    end_ms: int
    step_ms: int

    def event(self) -> Event:
        """One sentence on it."""
        return Event(
            self.end_ms,
            "store",
            "",
            f"The store could not be written for so long that {self.count} readings were let go; of the time"
            f" from {iso_utc(self.start_ms)} to {iso_utc(self.end_ms)} one each {self.step_ms // 1000} s was"
            " kept.",
        )


@dataclass(frozen=True, slots=True)
class Untold:
    """How many events and transitions were let go since the last commit, until end_ms."""

    count: int
    end_ms: int

    def event(self) -> Event:
        """One sentence on it."""
        return Event(
            self.end_ms,
            "store",
            "",
            f"The store could not be written for so long that {self.count} events and steps of alarms were"
            " let go: of the devices and alarms that had most of them, the oldest.",
        )


def thin_out(
    waiting: Sequence[Waiting], most: int, before: Thinned | None
) -> tuple[list[Waiting], Thinned | None]:
    """At most half of `most` readings where there are more than `most`, and what was let go with that before.

    Where each channel's newest ones are too many by themselves, these are kept. The order stays.
    """
    if len(waiting) <= most:
        return list(waiting), before
    newest = {key: max_ms for max_ms, key in sorted((each[0], each[1]) for each in waiting)}
    step_ms = FIRST_STEP_MS if before is None else before.step_ms
    kept = list(waiting)
    while len(kept) > max(most // 2, len(newest)):
        seen = set[tuple[int, tuple[str, str]]]()
        thinner = []
        for each in sorted(kept, key=lambda each: each[0]):
            slot = each[0] // step_ms, each[1]
            if slot not in seen or newest[each[1]] == each[0]:
                seen.add(slot)
                thinner.append(each)
        kept, step_ms = thinner, step_ms * 2
    count, start_ms = len(waiting) - len(kept), min(each[0] for each in waiting)
    if before is not None:
        count, start_ms = count + before.count, min(start_ms, before.start_ms)
    return kept, Thinned(count, start_ms, max(newest.values()), step_ms // 2)


def newest_of_each(waiting: Sequence[Told], most: int, name: Callable[[Told], Hashable]) -> list[Told]:
    """At most half of `most` where there are more than `most`: of each name as many of its newest as of any
    other's, one at least. `waiting` is in the order in which they came; the order stays."""
    if len(waiting) <= most:
        return list(waiting)
    counts = Counter(name(each) for each in waiting)
    share = most // 2
    while share > 1 and sum(min(count, share) for count in counts.values()) > most // 2:
        share -= 1
    kept = []
    for each in waiting:
        if counts[name(each)] <= share:
            kept.append(each)
        counts[name(each)] -= 1
    return kept
