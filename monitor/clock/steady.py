"""The daemon's clock: UTC by the count since boot and what a trusted source has told; never by the system's
clock alone, which on a board without a chip begins at some earlier day and may be set while the daemon runs.

Who may tell the time, weakest first: a clock chip, which nobody has set for long; the computer that hosts a
guest, of which nobody knows who keeps its clock; a receiver on a line, which hears the time itself (once its
lines agree: `receiver.py`); the network (the kernel says that its clock follows a better one), whose time
daemon holds several servers against each other while a receiver may count the years wrong alone; a person.
Of the computer's own sources and the receiver only the strongest that speaks is asked, so that no two move
the clock in turn. What is told once holds until a source says otherwise, and then:

- a source that is stronger than the present one, or a person, is believed whatever it says;
- an equal or weaker one is believed up to BELIEVED_MS, so that one bad server or a person's `date` moves
  nothing; more than that is told as a doubt;
- a clock that was behind is right at once. One that was ahead by up to BELIEVED_MS goes a little slower
  until it is right, so that no stamp comes twice; one that was further ahead is set back, and whoever keeps
  readings stamps them anew (`monitor.timekeeper`).
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

from monitor.clock.course import Course
from monitor.clock.kernel import Kernel

CHIP, HOST, RECEIVER, NETWORK, PERSON = "clock chip", "host", "receiver", "network", "person"

SOURCE_WORDS = {PERSON: "phone", CHIP: "clock chip", HOST: "host computer", RECEIVER: "receiver on a line"}
"""What a source is called, where that is another word."""

STRENGTH = {"": 0, CHIP: 1, HOST: 2, RECEIVER: 3, NETWORK: 4, PERSON: 5}

ERROR_MS = {CHIP: 300_000, HOST: 1_000, RECEIVER: 2_000, NETWORK: 1_000, PERSON: 5_000}
"""How wrong each may be (our choice: a chip loses seconds a day and nobody knows since when; a receiver's
line comes within the second and is read within half of one; a phone's clock and the way to the page make
seconds)."""

NEAR_MS = 1_500
"""Two sources this near agree (our choice)."""

BELIEVED_MS = 900_000
"""What one source may take back of what an equal one has told; at LET_GO a day's work (our choice)."""

EARLIEST_MS, LATEST_MS = 1_767_225_600_000, 7_258_118_400_000
"""No clock that says 2025 or 2200 is right: the program is younger, and stores end there
(`records.LATEST_MS`; our choice)."""

HELD_UP_MS = 100
"""Two looks at clocks that are further apart say nothing of each other (our choice: a tenth of what the
system's clock is taken to be wrong by)."""

CHIP_YEARS_MS = 5 * 31_557_600_000
"""A chip that has gone further than so long since the last reading has run wild (our choice)."""


@dataclass(frozen=True, slots=True)
class Word:
    """What a source says: that UTC is utc_ms at a count since boot."""

    source: str
    utc_ms: int
    count_ms: int


@dataclass(frozen=True, slots=True)
class Change:
    """One course has given way to another at a count since boot."""

    before: Course
    after: Course
    count_ms: int

    @property
    def step_ms(self) -> int:
        """By how much what the clock shows has jumped."""
        return self.after.utc_ms(self.count_ms) - self.before.utc_ms(self.count_ms)


def heard(course: Course, word: Word) -> Course:
    """The course after a word; the same one where it changes nothing."""
    if not EARLIEST_MS <= word.utc_ms < LATEST_MS:
        return course
    off_ms = word.utc_ms - word.count_ms - course.offset_ms
    is_stronger = STRENGTH[word.source] > STRENGTH[course.source] or word.source == PERSON
    told = replace(
        course,
        source=word.source if is_stronger else course.source,
        error_ms=ERROR_MS[word.source] if is_stronger else course.error_ms,
        learnt_ms=word.count_ms,
        disagrees="",
    )
    if course.is_known and abs(off_ms) <= NEAR_MS:
        error_ms = ERROR_MS[word.source] + abs(off_ms)
        if is_stronger:
            return replace(told, error_ms=error_ms)
        agreed = replace(course, disagrees="") if course.disagrees else course
        return agreed.confirmed(word.count_ms, error_ms)
    if course.is_known and abs(off_ms) > BELIEVED_MS and not is_stronger:
        return replace(course, disagrees=_disagreement(word.source, off_ms))
    offset_ms = word.utc_ms - word.count_ms
    ahead_ms = course.utc_ms(word.count_ms) - word.utc_ms
    if not 0 < ahead_ms <= BELIEVED_MS:
        ahead_ms = 0
    return replace(
        told,
        offset_ms=offset_ms,
        source=word.source,
        error_ms=ERROR_MS[word.source],
        since_ms=word.count_ms,
        ahead_ms=ahead_ms,
    )


def _disagreement(source: str, off_ms: int) -> str:
    way = "later" if off_ms > 0 else "earlier"
    minutes = round(abs(off_ms) / 60_000)
    told = f"{minutes} min" if minutes < 2880 else f"{minutes / 1440:.0f} days"
    return f"the {source}'s time is {told} {way} than the monitor goes by"


class SteadyClock:
    """See above. `look` and `hear` are the main thread's; the rest is anybody's."""

    speed = 1.0

    def __init__(
        self, kernel: Kernel, course: Course, floor_ms: int, *, goes_on: bool = False, is_first: bool = False
    ) -> None:
        """floor_ms: UTC cannot be earlier now, as the newest reading is of then. goes_on: the course is one
        of an earlier daemon in this boot. is_first: no course was noted before on this computer, so that what
        is stored was stamped by others: an import, a version that noted none, another computer."""
        self._kernel, self.course, self._floor_ms = kernel, course, floor_ms
        self.goes_on, self.is_first = goes_on, is_first
        self.sun_doubt = ""
        self._received: Word | None = None

    @classmethod
    def start(
        cls, kernel: Kernel, note: str | None, newest_ms: int | None, *, asks: bool = True
    ) -> SteadyClock:
        """Go on by the note of this very boot; else UTC is unknown, and no earlier than what was stored,
        until a source tells it. asks: the sources are asked at once."""
        floor_ms = max(EARLIEST_MS, newest_ms or 0)
        try:
            noted = None if note is None else Course.from_note(note)
        except ValueError:
            noted = None
        if noted is not None and noted.boot and noted.boot == kernel.boot:
            return cls(kernel, noted, floor_ms, goes_on=True)
        clock = cls(kernel, Course(kernel.boot, floor_ms + 1), floor_ms, is_first=note is None)
        if asks:
            clock.look()
        return clock

    def now_ms(self) -> int:
        return self.course.utc_ms(self._kernel.count_ms())

    def elapsed_s(self) -> float:
        return time.monotonic()

    def stamped(self, wire_ms: int) -> int:
        return self.course.utc_ms(wire_ms)

    @property
    def is_known(self) -> bool:
        """Whether UTC is known; where not, `now_ms` is the earliest that it can be."""
        return self.course.is_known

    @property
    def doubt(self) -> str | None:
        """Why the time cannot be trusted, in words; '' where it can."""
        if not self.is_known:
            return "nobody has told the time since the computer was switched on, and no clock chip kept it"
        return self.course.disagrees or self.sun_doubt

    @property
    def error_s(self) -> float | None:
        """How wrong it may be, None where it is not known at all."""
        return self.course.error_at_ms(self._kernel.count_ms()) / 1000 if self.is_known else None

    def refusal(self, word: Word) -> str:
        """Why a receiver's time cannot be, in words; '' where it can."""
        if word.utc_ms < EARLIEST_MS:
            return (
                "the monitor is younger than that. An old receiver counts weeks up to 1024 and then begins"
                " anew, some twenty years back; only a newer one helps"
            )
        if word.utc_ms >= LATEST_MS:
            return "it lies beyond the year 2199"
        if not self.is_known and word.utc_ms < self._floor_ms - BELIEVED_MS:
            return (
                "it is before readings that were taken before the computer was switched on. If it is right,"
                " tell the time by a phone"
            )
        return ""

    def receive(self, word: Word) -> None:
        """A receiver's time, on which its lines agree, for the next look."""
        self._received = word

    def look(self) -> Change | None:
        """Ask a receiver and this computer's own sources, once a second; the change that follows, if any."""
        word = self._word()
        return None if word is None else self.hear(word)

    def hear(self, word: Word) -> Change | None:
        """Take a source's word; the change that follows, if any."""
        before, count_ms = self.course, self._kernel.count_ms()
        self.course = heard(before, word)
        return None if self.course.goes_like(before) else Change(before, self.course, count_ms)

    def _word(self) -> Word | None:
        kernel, received = self._kernel, self._received
        self._received = None
        if kernel.is_set():
            return self._system_word(NETWORK)
        if received is not None:
            return received
        if kernel.is_guest() and self.course.source != RECEIVER:
            return self._system_word(HOST)
        if self.is_known:
            return None
        chip_ms = kernel.chip_ms()
        if chip_ms is None or not self._floor_ms <= chip_ms <= self._floor_ms + CHIP_YEARS_MS:
            return None
        return Word(CHIP, chip_ms, kernel.count_ms())

    def _system_word(self, source: str) -> Word | None:
        """The system's clock as a source's word; None where the process was held up between two looks."""
        before_ms = self._kernel.count_ms()
        utc_ms = self._kernel.system_ms()
        count_ms = self._kernel.count_ms()
        return Word(source, utc_ms, count_ms) if count_ms - before_ms <= HELD_UP_MS else None
