"""What a wrong or unknown clock has done to the store, made good step by step.

A mend says what is left; it stands in the store as a note, so that a kill or a card that took nothing leaves
it to the next try. No reading may come into the store meanwhile: its stamp would be taken for one of before.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, replace

from monitor.alarms.telling import span_words
from monitor.clock import UNTOLD_NOTE, Clock
from monitor.clock.steady import BELIEVED_MS
from monitor.errors import StoreError
from monitor.records import LATEST_MS, Event, Reading, iso_utc
from monitor.store.base import StoreWriter
from monitor.store.bundle import pack, unpack
from monitor.store.held import HeldReadings, batches

log = logging.getLogger("nightbank")

MEND_NOTE = "mend"
"""Key of the store's note with what is left to do; '' where nothing is."""


AHEAD = "stamped by a clock that was ahead"
"""Why such readings are set aside."""


@dataclass(frozen=True, slots=True)
class Mend:
    """What is left to do, in this order: set readings in [aside_from_ms, aside_to_ms) aside; decide on what
    other boots have held; move the readings from from_ms on of the devices that are left by by_ms."""

    aside_from_ms: int = 0
    aside_to_ms: int = 0
    takes_over: bool = False
    from_ms: int = 0
    by_ms: int = 0
    left: tuple[str, ...] = ()

    @property
    def is_done(self) -> bool:
        """Whether nothing is left."""
        return not (self.aside_to_ms > self.aside_from_ms or self.takes_over or self.left)

    def note(self) -> str:
        """The text under which the store keeps it."""
        return "" if self.is_done else json.dumps(asdict(self), ensure_ascii=False)

    @classmethod
    def of_note(cls, note: str | None) -> Mend:
        """What is left by a note. Raises StoreError for a spoilt one."""
        try:
            kept = json.loads(note or "{}")
            return cls(**kept | {"left": tuple(kept.get("left", ()))})
        except (ValueError, TypeError, AttributeError) as error:
            raise StoreError(f"the store's note {MEND_NOTE!r} cannot be read ({error})") from error


def known_at_last(store: StoreWriter, clock: Clock, *, may_be_of_now: bool) -> Mend:
    """For a clock that knows the time since now. may_be_of_now: what is stamped since this boot began may be
    right, as this boot's daemon has stamped it, or something else than a daemon.

    Otherwise another boot has stamped it, whose clock was ahead. What is still to come always is.
    """
    from_ms = clock.now_ms() + BELIEVED_MS if may_be_of_now else clock.stamped(0)
    is_ahead = max(ends_of(store).values(), default=0) > from_ms + BELIEVED_MS
    return Mend(from_ms if is_ahead else 0, LATEST_MS if is_ahead else 0, takes_over=True)


def was_off(store: StoreWriter, from_ms: int, by_ms: int) -> Mend:
    """For a clock that was off by by_ms in all that it has stamped since boot, from from_ms on.

    Where this boot began earlier than was thought, what others have stamped in between was stamped ahead.
    """
    devices = tuple(name for name, last_ms in ends_of(store).items() if last_ms >= from_ms)
    return Mend(max(0, from_ms + by_ms), from_ms, from_ms=from_ms, by_ms=by_ms, left=devices)


def go_on(
    mend: Mend,
    store: StoreWriter,
    held: HeldReadings,
    clock: Clock | None = None,
    alive: Callable[[], object] = lambda: None,
) -> Mend:
    """One step, committed; what is left after it. alive is called in long ones. Raises StoreError: the step
    is then still to do. Without a clock that knows the time nothing is taken over."""
    store.commit()  # only what is committed can be set aside or moved
    now_ms = mend.from_ms if clock is None else clock.now_ms()
    if mend.aside_to_ms > mend.aside_from_ms:
        after = replace(mend, aside_from_ms=0, aside_to_ms=0)
        _set_aside(store, held, now_ms, mend.aside_from_ms, mend.aside_to_ms)
    elif mend.takes_over:
        after = replace(mend, takes_over=False)
        if clock is not None and clock.is_known:
            _take_over(store, held, clock)
    else:
        device, *left = mend.left
        after = replace(mend, left=tuple(left))
        _move(store, device, mend, after, alive)
    store.put_note(MEND_NOTE, after.note())
    store.commit()
    return after


def tell(store: StoreWriter, now_ms: int, text: str) -> None:
    """Keep an event of the clock and log it."""
    store.add_event(Event(now_ms, "clock", "", text))
    log.warning("%s", text)


def ends_of(store: StoreWriter) -> dict[str, int]:
    """Each device's newest reading's time."""
    ends: dict[str, int] = {}
    for reading in store.latest():
        ends[reading.device] = max(reading.time_ms, ends.get(reading.device, 0))
    return ends


def _set_aside(store: StoreWriter, held: HeldReadings, now_ms: int, from_ms: int, to_ms: int) -> None:
    """Take the readings in [from, to) out, which a clock that was ahead has stamped."""
    devices = [name for name, last_ms in ends_of(store).items() if last_ms >= from_ms]
    count = held.set_aside(store.readings(from_ms, to_ms, devices), AHEAD) if devices else 0
    if not count:
        return
    for name in devices:
        store.replace(name, from_ms, to_ms, ())
    text = (
        f"{count} readings from {iso_utc(from_ms)} on were stamped by a clock that was ahead. They are set"
        " aside, and not lost; what was stamped just before may be of that clock, too."
    )
    tell(store, now_ms, text)


def _take_over(store: StoreWriter, held: HeldReadings, clock: Clock) -> None:
    """Decide on what waited when the computer was switched off before it knew the time."""
    count, early_ms = held.take_over(clock.stamped(0), BELIEVED_MS)
    if (untold := str(held.untold())) != (store.note(UNTOLD_NOTE) or "0"):
        store.put_note(UNTOLD_NOTE, untold)
    if not count:
        return
    text = f"{count} readings were taken before the computer was switched off without knowing the time. "
    if early_ms is None:
        text += (
            "They cannot be stamped; they are set aside, and not lost: nightbank clock tells how to bring"
            " them back."
        )
    else:
        text += f"It was off for {span_words(early_ms)} at the most, so they are stamped that well."
    tell(store, clock.now_ms(), text)


def _move(store: StoreWriter, device: str, mend: Mend, after: Mend, alive: Callable[[], object]) -> None:
    """Move a device's readings; that it is done goes with them into the store."""
    start_ms = min(mend.from_ms, max(0, mend.from_ms + mend.by_ms))
    taken = [pack(batch) for batch in batches(store.readings(start_ms, LATEST_MS, {device}))]
    store.put_note(MEND_NOTE, after.note())
    try:
        store.replace(device, start_ms, LATEST_MS, _moved(taken, start_ms, mend, alive))
    except BaseException:
        store.put_note(MEND_NOTE, mend.note())
        raise


def _moved(
    taken: Iterable[bytes], start_ms: int, mend: Mend, alive: Callable[[], object]
) -> Iterator[Reading]:
    """A device's readings, those that a wrong clock has stamped with their right time."""
    for batch in taken:
        alive()
        for reading in unpack(batch):
            is_wrong = reading.time_ms >= mend.from_ms
            right_ms = reading.time_ms + mend.by_ms if is_wrong else reading.time_ms
            if start_ms <= right_ms < LATEST_MS:
                yield replace(reading, time_ms=right_ms)
