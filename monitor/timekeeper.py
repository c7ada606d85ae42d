"""The daemon's share of the clock: asks the sources, hears people, and has the store follow.

Once a second the clock looks for a source, and people's words on the time are heard (a request that page or
command line leaves). What follows from a change:

- the time is known at last: alarms, notices and the estimate follow, and what was held is stamped and lands;
- the clock was wrong by more than it can let go: what it has stamped is stamped anew;
- readings of a time that has not come yet are set aside: a wrong clock stamped them in an earlier life, and
  they would stay the newest for ever.

What is to be made good in the store is a `mending.Mend`; readings wait until it is done.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import replace
from math import isfinite

from monitor.alarms.telling import span_words
from monitor.clock import CLOCK_NOTE, TIME_REQUEST, Clock
from monitor.clock.kernel import Kernel
from monitor.clock.receiver import Agreement, TimeTold
from monitor.clock.steady import BELIEVED_MS, PERSON, SOURCE_WORDS, Change, SteadyClock, Word
from monitor.errors import ServerError, StoreError
from monitor.mending import MEND_NOTE, Mend, ends_of, go_on, known_at_last, tell, was_off
from monitor.pipeline import Pipeline
from monitor.power.darkness import read_run
from monitor.records import HOUR_MS, LATEST_MS, Event, Request, iso_utc
from monitor.store.base import StoreWriter
from monitor.store.heartbeat import read_heartbeat
from monitor.store.held import HeldReadings

log = logging.getLogger("nightbank")

RENEWED_MS = HOUR_MS
"""How often the note for readers follows what the sources have confirmed (our choice: within it a clock may
drift by 0.4 s)."""

RECEIVER_REST_MS = 600_000
"""Of several receivers the one that was believed first is gone by, until it has been silent so long (our
choice): two that differ would move the clock in turn."""


def start_clock(kernel: Kernel, store: StoreWriter, held: HeldReadings) -> SteadyClock:
    """The daemon's clock at its start, with the store made fit for it. Raises StoreError.

    Where the store's server is away, what is left to do stays noted; the timekeeper goes on with it.
    """
    mend = Mend.of_note(store.note(MEND_NOTE))
    # a clock was set; what is left of that needs no clock, and must be done before this one is believed
    is_ready = not mend.left or _all_done(mend, store, held)
    clock = SteadyClock.start(kernel, _own_note(kernel, store), newest_ms(store), asks=is_ready)
    store.put_note(CLOCK_NOTE, clock.course.note())
    if clock.is_known and is_ready:
        mend = known_at_last(store, clock, may_be_of_now=clock.goes_on or clock.is_first)
        store.put_note(MEND_NOTE, mend.note())
        _all_done(mend, store, held, clock)
    store.commit()
    return clock


def _own_note(kernel: Kernel, store: StoreWriter) -> str | None:
    """The clock's note. None where another computer's daemon has left it, in a store that was copied by hand:
    what was read there while this was on is no sign of a wrong clock. Where nothing tells it is our own."""
    return None if read_run(store).is_of_another(kernel.computer) else store.note(CLOCK_NOTE)


def _all_done(mend: Mend, store: StoreWriter, held: HeldReadings, clock: Clock | None = None) -> bool:
    """Make the store good; False where its server is away. Raises StoreError for a store that is not well."""
    try:
        while not mend.is_done:
            mend = go_on(mend, store, held, clock)
    except ServerError as error:
        log.warning("%s; readings wait until it answers", error)
        return False
    return True


def newest_ms(store: StoreWriter) -> int | None:
    """The latest moment of which the store knows that the daemon lived."""
    moments = list(ends_of(store).values())
    try:
        beat = read_heartbeat(store)
    except StoreError:
        beat = None
    if beat is not None:
        moments.append(beat.time_ms)
    return max(moments, default=None)


class Timekeeper:
    """Keeps one daemon's clock, and the store fit for it. The main thread uses it."""

    def __init__(
        self,
        kernel: Kernel,
        clock: SteadyClock,
        store: StoreWriter,
        held: HeldReadings,
        pipeline: Pipeline,
        follow_clock: Callable[[int, int], object],
        alive: Callable[[], object] = lambda: None,
    ) -> None:
        """follow_clock(from_ms, by_ms) moves whatever else keeps times; alive is called in long work."""
        self._kernel, self._clock, self._store = kernel, clock, store
        self._held, self._pipeline = held, pipeline
        self._follow_clock, self._alive = follow_clock, alive
        self._landed = self._let_go = 0
        noted = Mend.of_note(store.note(MEND_NOTE))
        # what a start has left over; what needs the time is found anew once that is known
        self._mend = noted if clock.is_known or noted.left else Mend()
        pipeline.waits = not self._mend.is_done
        self._agreements: dict[str, Agreement] = {}
        self._refused: set[str] = set()
        self._receiver, self._received_ms = "", -RECEIVER_REST_MS
        self._noted_ms = clock.course.learnt_ms

    def receive(self, device: str, times: Iterable[TimeTold]) -> None:
        """What a device's lines tell of the time; the next look takes it, where they agree on it."""
        for told in times:
            word = self._agreements.setdefault(device, Agreement()).hear(told)
            if word is None:
                continue
            if refusal := self._clock.refusal(word):
                if device not in self._refused:
                    self._refused.add(device)
                    text = f"Its time, {iso_utc(word.utc_ms)}, is not taken: {refusal}."
                    self._pipeline.tell("clock", device, text)
            elif device == self._receiver or word.count_ms - self._received_ms > RECEIVER_REST_MS:
                self._receiver, self._received_ms = device, word.count_ms
                self._clock.receive(word)

    def follow(self) -> None:
        """Once a second: what the sources say, what people say, and held readings bit by bit."""
        if self._held.let_go and not self._let_go:
            text = "So many readings wait for the time that of the oldest one each five minutes is kept."
            tell(self._store, self._clock.now_ms(), text)
        self._let_go = self._held.let_go
        if self._pipeline.waits:
            self._go_on()
            return
        self._take(self._clock.look())
        self._renew()
        for request in self._store.open_requests():
            if request.kind == TIME_REQUEST and not self._pipeline.waits:
                self._answer(request)
        self._land()

    def _answer(self, request: Request) -> None:
        offset_ms, boot = request.details.get("offset_ms"), request.details.get("boot")
        count_ms = self._kernel.count_ms()
        if not isinstance(offset_ms, int | float) or not isfinite(offset_ms) or boot != self._kernel.boot:
            outcome = (
                "The computer was switched off since the time was told, so it is not taken. Tell it again."
            )
            self._done(request, outcome, taken=False)
            return
        before = self._clock.course
        if not request.details.get("sure") and self._puts_into_future(round(offset_ms)):
            outcome = (
                "That time is not taken: it is before readings that were taken before the computer was"
                " switched on. Look at the phone's clock. If it is right, say so, and those readings are set"
                " aside."
            )
            self._done(request, outcome, taken=False)
            return
        change = self._clock.hear(Word(PERSON, round(offset_ms) + count_ms, count_ms))
        self._take(change)
        if self._clock.course.source != PERSON:
            outcome = "A time before 2026 or after 2199 is not taken: look at the clock that told it."
            self._done(request, outcome, taken=False)
            return
        off_ms = round(offset_ms) - before.offset_ms
        if not before.is_known:
            outcome = "The time is taken. What was read before is stamped by it now."
        elif change is None or abs(off_ms) < 2000:
            outcome = "The time is taken; the monitor's own was the same."
        else:
            way = "behind" if off_ms > 0 else "ahead"
            off = span_words(abs(off_ms))
            outcome = f"The time is taken; the monitor's own was {off} {way}."
        self._done(request, outcome)

    def _puts_into_future(self, on_ms: int) -> bool:
        """Whether readings of earlier boots would be later than this boot's begin, were it at on_ms."""
        course = self._clock.course
        until_ms = course.utc_ms(0) if course.is_known else LATEST_MS
        from_ms = on_ms + BELIEVED_MS
        return from_ms < until_ms and any(True for _ in self._store.readings(from_ms, until_ms))

    def _done(self, request: Request, outcome: str, *, taken: bool = True) -> None:
        now_ms = self._clock.now_ms()
        details = {**request.details, "changed": float(taken)}
        self._store.put_request(replace(request, details=details, done_ms=now_ms, outcome=outcome))
        log.info("asked to take a time: %s", outcome)
        self._store.commit()

    def _take(self, change: Change | None) -> None:
        """Let all follow a change of the clock. It is durable with the next commit."""
        if change is None:
            return
        before, after, step_ms = change.before, change.after, change.step_ms
        self._store.put_note(CLOCK_NOTE, after.note())
        self._noted_ms = after.learnt_ms
        if step_ms:
            self._pipeline.moved(change)
            self._follow_clock(before.utc_ms(0), step_ms)
        if not before.is_known:
            self._begin(known_at_last(self._store, self._clock, may_be_of_now=self._clock.is_first))
        elif abs(step_ms) > BELIEVED_MS:
            self._begin(was_off(self._store, before.utc_ms(0), step_ms))
        tell(self._store, self._clock.now_ms(), _change_words(change, self._clock.now_ms()))
        self._pipeline.save()

    def _renew(self) -> None:
        """Note now and then what a source has confirmed: an old word is less sure with each day."""
        course = self._clock.course
        if course.is_known and course.learnt_ms - self._noted_ms >= RENEWED_MS:
            self._noted_ms = course.learnt_ms
            self._store.put_note(CLOCK_NOTE, course.note())

    def _begin(self, mend: Mend) -> None:
        """Have the store made good; until it is, readings wait."""
        self._mend, self._pipeline.waits = mend, not mend.is_done
        self._store.put_note(MEND_NOTE, mend.note())

    def _go_on(self) -> None:
        """One more step of what is to be made good."""
        if not self._mend.is_done:
            self._mend = go_on(self._mend, self._store, self._held, self._clock, self._alive)
        self._pipeline.waits = not self._mend.is_done

    def _land(self) -> None:
        count = self._pipeline.land()
        self._landed += count
        if count and not self._pipeline.holds:
            text = f"{self._landed} readings that had waited for the time are stamped and stored."
            self._store.add_event(Event(self._clock.now_ms(), "clock", "", text))
            log.info("%s", text)
            self._landed = 0


def _named(source: str) -> str:
    return SOURCE_WORDS.get(source, source)


def _change_words(change: Change, now_ms: int) -> str:
    """What is told of a change of the clock."""
    before, after, step_ms = change.before, change.after, change.step_ms
    source = _named(after.source)
    if not before.is_known:
        text = f"The time is known now, by the {source}: {iso_utc(now_ms)}."
        if step_ms > BELIEVED_MS:
            text += f" What was told since the start before this happened {span_words(step_ms)} later."
        return text
    if after.disagrees != before.disagrees:
        said = after.disagrees or "no other clock disagrees with the monitor's any more"
        return f"{said[0].upper()}{said[1:]}."
    if not step_ms and not after.ahead_ms:
        return f"The {source} tells the same time as the monitor goes by."
    way = "behind" if step_ms > 0 else "ahead"
    slowly = "; it goes a little slower until it is right" if after.ahead_ms else ""
    off_ms = abs(step_ms) or after.ahead_ms
    return f"By the {source} the clock was {span_words(off_ms)} {way}{slowly}."
