"""A capacity test that somebody has begun: the note in which the daemon keeps it, and its signs. Pure.

`monitor/capacity/watch.py` looks at the test once a minute and writes the note; the signs tell from it when
the test is to end, and that a bank waits for its charge afterwards. Page and command line show the note.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace

from monitor.alarms.seen import Seen
from monitor.records import HOUR_MS, MINUTE_MS, moved_ms

TEST_NOTE = "capacity-test"
"""Key of the store's note."""

TEST_EVENT = "capacity test"
"""Kind of the events that tell of its beginning and its end."""

BEGIN, END = "begin capacity test", "end capacity test"
"""Kinds of the requests by which a person begins and ends it."""

VOID = "void"
"""The phase of a test that a charge has spoilt while a load ran."""

CALLS = ("while", VOID)
"""The phases in which the loads may have to be switched off."""

ENDED = "ended"
"""The phase of a test that is watched no longer."""

TO_CHARGE = " Charge the bank full now."
"""How the sentence of a test that is over ends: its alarm says so by itself."""

SEEN_MS = 15 * MINUTE_MS
"""The daemon looks each minute, each five while the bank rests: an older look is told with its time (our
choice)."""

NO_TEST = Seen(0.0, "no capacity test is watched", applies=False)


@dataclass(frozen=True, slots=True)
class WatchedTest:
    """A test as the daemon saw it last, at at_ms.

    phase is 'before' (nothing is drawn yet), 'while', 'rest', 'after' (the rest is over, the bank waits for
    its charge), 'void' or 'ended', and began at phase_ms. says is where it stands, in a sentence. left_h is
    how long it may go on at the present current, None where nothing is drawn; why is what ends it then,
    without its point.
    """

    begun_ms: int
    by: str
    at_ms: int
    phase: str
    phase_ms: int
    says: str = ""
    left_h: float | None = None
    why: str = ""

    @property
    def runs(self) -> bool:
        """Whether it is watched still."""
        return self.phase != ENDED

    @property
    def ends_ms(self) -> int | None:
        """When the loads are to be switched off if they go on as at the last look; None where nothing is
        drawn."""
        if self.phase != "while" or self.left_h is None:
            return None
        return self.at_ms + round(self.left_h * HOUR_MS)

    def note(self) -> str:
        """The text of the note."""
        return json.dumps(asdict(self), ensure_ascii=False)

    def moved(self, from_ms: int, by_ms: int) -> WatchedTest:
        """The same for a clock that was off from from_ms on: what it has stamped since is later by by_ms."""
        return replace(
            self,
            begun_ms=moved_ms(self.begun_ms, from_ms, by_ms),
            at_ms=moved_ms(self.at_ms, from_ms, by_ms),
            phase_ms=moved_ms(self.phase_ms, from_ms, by_ms),
        )


def watched_test(note: str | None) -> WatchedTest | None:
    """The test in its note; None without one, and for one that is spoilt."""
    try:
        kept = json.loads(note or "null")
        left_h = kept["left_h"]
        return WatchedTest(
            int(kept["begun_ms"]),
            str(kept["by"]),
            int(kept["at_ms"]),
            str(kept["phase"]),
            int(kept["phase_ms"]),
            str(kept["says"]),
            None if left_h is None else float(left_h),
            str(kept["why"]),
        )
    except (ValueError, KeyError, TypeError, OverflowError):
        return None


def lead_of(test: WatchedTest, now_ms: int, clock_of: Callable[[int], str]) -> str:
    """Since when a test that is watched runs and when it is to end; where it stands (says) belongs behind it.
    clock_of writes a time as its reader does."""
    begun = clock_of(test.begun_ms)
    seen = f", last seen {clock_of(test.at_ms)}" if abs(now_ms - test.at_ms) > SEEN_MS else ""
    if test.phase == VOID:
        return f"A capacity test was begun {begun}{seen}."
    if test.phase == "after":
        return f"A capacity test, begun {begun}{seen}, waits for the charge after it."
    end = ""
    if test.ends_ms is not None and (test.ends_ms > now_ms or seen):
        end = f", {'to end' if test.ends_ms > now_ms else 'and was to end'} about {clock_of(test.ends_ms)}"
    return f"A capacity test runs, begun {begun}{seen}{end}."


def left_of(test: WatchedTest | None, now_ms: int) -> Seen:
    """How long a test may go on before the loads are to be switched off.

    The load is taken to have gone on since the last look, so that a store that cannot be asked, or a time
    without the monitor, delays nothing.
    """
    if test is None or test.phase not in CALLS or test.left_h is None:
        return NO_TEST
    left_h = test.left_h - max(0, now_ms - test.at_ms) / HOUR_MS
    words = test.why if left_h <= 0 else f"in about {60 * left_h:.0f} min {test.why}"
    return Seen(left_h, words, {"test_left_h": round(left_h, 3)})


def waits_of(test: WatchedTest | None, now_ms: int) -> Seen:
    """How long a bank has waited for its charge since its test was over."""
    if test is None or test.phase != "after":
        return NO_TEST
    waits_h = max(0, now_ms - test.phase_ms) / HOUR_MS
    words = test.says[:1].lower() + test.says[1:].removesuffix(TO_CHARGE).rstrip(".")
    return Seen(waits_h, words, {"test_waits_h": round(waits_h, 3)})
