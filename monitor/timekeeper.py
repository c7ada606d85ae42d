"""The daemon's share of the clock: asks the sources, and makes good in the store what a wrong time has done.

Once a second the clock looks for a source, and people's words on the time are heard (a request that page or
command line leaves). What follows from a change:

- the time is known at last: alarms, notices and the estimate follow, and what was held is stamped and lands;
- the clock is set back further than it can let go: readings that it has stamped are stamped anew, device by
  device, and a kill in the midst is made good at the next start;
- at a start, readings of a time that has not come yet are set aside (`store/held.py`): a wrong clock stamped
  them in an earlier life, and they would stay the newest for ever.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

from monitor.clock import CLOCK_NOTE, TIME_REQUEST
from monitor.clock.kernel import Kernel
from monitor.clock.steady import BELIEVED_MS, PERSON, SOURCE_WORDS, Change, SteadyClock, Word
from monitor.errors import StoreError
from monitor.pipeline import Pipeline
from monitor.records import Event, Reading, Request, iso_utc
from monitor.store.base import StoreWriter
from monitor.store.bundle import pack, unpack
from monitor.store.heartbeat import read_heartbeat
from monitor.store.held import HeldReadings, batches
from monitor.store.steps import LATEST_MS

log = logging.getLogger("nightbank")

RESTAMP_NOTE = "restamp"
"""Key of the note of a work that is not done: readings of these devices still to be moved. '' when it is."""


@dataclass(frozen=True, slots=True)
class Restamp:
    """Readings from from_ms on, of the devices that are left, are later by by_ms than their stamps."""

    from_ms: int
    by_ms: int
    left: tuple[str, ...]

    def note(self) -> str:
        """The text under which the store keeps it."""
        kept = {"from_ms": self.from_ms, "by_ms": self.by_ms, "left": self.left}
        return json.dumps(kept, ensure_ascii=False) if self.left else ""

    @classmethod
    def of_note(cls, note: str | None) -> Restamp | None:
        """What is left to do, None where nothing is."""
        if not note:
            return None
        kept = json.loads(note)
        return cls(int(kept["from_ms"]), int(kept["by_ms"]), tuple(kept["left"]))


def start_clock(kernel: Kernel, store: StoreWriter, held: HeldReadings) -> SteadyClock:
    """The daemon's clock at its start, with the store made fit for it. Raises StoreError."""
    restamp(store, Restamp.of_note(store.note(RESTAMP_NOTE)))
    clock = SteadyClock.start(kernel, store.note(CLOCK_NOTE), newest_ms(store))
    store.put_note(CLOCK_NOTE, clock.course.note())
    if clock.is_known:
        _set_the_future_aside(store, held, clock)
        take_over(store, held, clock)
    store.commit()
    return clock


def take_over(store: StoreWriter, held: HeldReadings, clock: SteadyClock) -> None:
    """Decide on what waited when the computer was switched off before it knew the time."""
    count, early_ms = held.take_over(clock.stamped(0), BELIEVED_MS)
    if not count:
        return
    text = f"{count} readings were taken before the computer was switched off without knowing the time. "
    if early_ms is None:
        text += "They cannot be stamped; they are set aside, and not lost."
    else:
        text += f"It was off for {span_words(early_ms / 1000)} at the most, so they are stamped that well."
    tell(store, clock.now_ms(), text)


def newest_ms(store: StoreWriter) -> int | None:
    """The latest moment of which the store knows that the daemon lived."""
    moments = [reading.time_ms for reading in store.latest()]
    try:
        beat = read_heartbeat(store)
    except StoreError:
        beat = None
    if beat is not None:
        moments.append(beat.time_ms)
    return max(moments, default=None)


def set_aside(store: StoreWriter, held: HeldReadings, now_ms: int, from_ms: int, to_ms: int) -> int:
    """Take the readings in [from, to) out, which a clock that was ahead has stamped; how many."""
    devices = [name for name, last_ms in _ends(store).items() if last_ms >= from_ms]
    reason = f"stamped by a clock that was ahead, as was found when it was {iso_utc(now_ms)}"
    count = held.set_aside(store.readings(from_ms, to_ms, devices), reason) if devices else 0
    if not count:
        return 0
    for name in devices:
        store.replace(name, from_ms, to_ms, ())
    text = (
        f"{count} readings from {iso_utc(from_ms)} on were stamped by a clock that was ahead. They are set"
        " aside, and not lost; what was stamped just before may be of that clock, too."
    )
    tell(store, now_ms, text)
    return count


def _set_the_future_aside(store: StoreWriter, held: HeldReadings, clock: SteadyClock) -> None:
    """Readings of earlier boots that are stamped later than this one began; after a restart in the same boot,
    what is stamped later than now."""
    now_ms = clock.now_ms()
    from_ms = now_ms + BELIEVED_MS if clock.goes_on else clock.stamped(0)
    if max(_ends(store).values(), default=0) > from_ms + BELIEVED_MS:
        set_aside(store, held, now_ms, from_ms, LATEST_MS)


def restamp(store: StoreWriter, work: Restamp | None, alive: Callable[[], object] = lambda: None) -> None:
    """Move readings in time, one device after the other; what is left stands in the store with each."""
    while work is not None and work.left:
        device, *left = work.left
        start_ms = min(work.from_ms, max(0, work.from_ms + work.by_ms))
        work = replace(work, left=tuple(left))
        store.put_note(RESTAMP_NOTE, work.note())
        taken = [pack(batch) for batch in batches(store.readings(start_ms, LATEST_MS, {device}))]
        store.replace(device, start_ms, LATEST_MS, _moved(taken, start_ms, work, alive))


def _moved(
    taken: Iterable[bytes], start_ms: int, work: Restamp, alive: Callable[[], object]
) -> Iterator[Reading]:
    """A device's readings, those that a wrong clock has stamped with their right time."""
    for batch in taken:
        alive()
        for reading in unpack(batch):
            is_wrong = reading.time_ms >= work.from_ms
            right_ms = reading.time_ms + work.by_ms if is_wrong else reading.time_ms
            if start_ms <= right_ms < LATEST_MS:
                yield replace(reading, time_ms=right_ms)


def tell(store: StoreWriter, now_ms: int, text: str) -> None:
    """Keep an event of the clock and log it."""
    store.add_event(Event(now_ms, "clock", "", text))
    log.warning("%s", text)


def _ends(store: StoreWriter) -> dict[str, int]:
    ends: dict[str, int] = {}
    for reading in store.latest():
        ends[reading.device] = max(reading.time_ms, ends.get(reading.device, 0))
    return ends


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
        self._landed = 0

    def follow(self) -> None:
        """Once a second: what the sources say, what people say, and held readings bit by bit."""
        self._take(self._clock.look())
        for request in self._store.open_requests():
            if request.kind == TIME_REQUEST:
                self._answer(request)
        self._land()

    def _answer(self, request: Request) -> None:
        offset_ms, boot = request.details.get("offset_ms"), request.details.get("boot")
        count_ms = self._kernel.count_ms()
        if not isinstance(offset_ms, int | float) or boot != self._kernel.boot:
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
        off_s = (round(offset_ms) - before.offset_ms) / 1000
        if not before.is_known:
            outcome = "The time is taken. What was read before is stamped by it now."
        elif change is None or abs(off_s) < 2:
            outcome = "The time is taken; the monitor's own was the same."
        else:
            way = "behind" if off_s > 0 else "ahead"
            outcome = f"The time is taken; the monitor's own was {span_words(abs(off_s))} {way}."
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
        """Let all follow a change of the clock."""
        if change is None:
            return
        before, after, step_ms = change.before, change.after, change.step_ms
        self._store.commit()  # only what is committed can be set aside or stamped anew
        self._store.put_note(CLOCK_NOTE, after.note())
        if step_ms:
            self._pipeline.moved(change)
            self._follow_clock(before.utc_ms(0), step_ms)
            if before.is_known and abs(step_ms) > BELIEVED_MS:
                self._stamp_anew(before.utc_ms(0), step_ms)
        now_ms = self._clock.now_ms()
        if not before.is_known:
            _set_the_future_aside(self._store, self._held, self._clock)
            take_over(self._store, self._held, self._clock)
            self._store.commit()
            text = f"The time is known now, by the {_named(after.source)}: {iso_utc(now_ms)}."
            if step_ms > BELIEVED_MS:
                text += (
                    f" What was told since the start before this happened {span_words(step_ms / 1000)} later."
                )
            tell(self._store, now_ms, text)
        elif after.disagrees != before.disagrees:
            said = after.disagrees or "No other clock disagrees with the monitor's any more"
            tell(self._store, now_ms, f"{said[0].upper()}{said[1:]}.")
        elif step_ms or after.ahead_ms:
            way = "behind" if step_ms > 0 else "ahead"
            off_s = (abs(step_ms) or after.ahead_ms) / 1000
            slowly = "; it goes a little slower until it is right" if after.ahead_ms else ""
            tell(
                self._store,
                now_ms,
                f"By the {_named(after.source)} the clock was {span_words(off_s)} {way}{slowly}.",
            )
        self._pipeline.save()

    def _stamp_anew(self, from_ms: int, by_ms: int) -> None:
        """Readings in the store that the clock has stamped since the computer was switched on."""
        set_aside(self._store, self._held, self._clock.now_ms(), from_ms + by_ms, from_ms)
        devices = tuple(name for name, last_ms in _ends(self._store).items() if last_ms >= from_ms)
        restamp(self._store, Restamp(from_ms, by_ms, devices), self._alive)

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


def span_words(seconds: float) -> str:
    """'40 s', '12 min', '3 h 5 min', '400 days'."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours < 48 else f"{round(seconds / 86_400)} days"
