"""One poll's readings on their way: sample, derived quantities, estimate, store, alarms.

The daemon and the demo's filling of past weeks both go through `Pipeline.take`; there is no other road into
the store for what devices say. While nobody has told the time they wait on the way (`store/held.py`): alarms
are judged by the earliest time that it can be, and the estimate goes on, but the store gets no reading before
its stamp is right.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from monitor.alarms.computer import Computer
from monitor.alarms.telling import is_told
from monitor.alarms.watch import AlarmWatch
from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.care.keeper import LogKeeper
from monitor.clock import Clock
from monitor.clock.steady import Change
from monitor.device_news import DeviceNews
from monitor.errors import ServerError, StoreError
from monitor.poll import PollResult
from monitor.records import HOUR_MS, DeviceHealth, Event, Heartbeat, Reading, Transition, moved_ms
from monitor.sampling import BASIS_NOTE, ESTIMATOR_NOTE, Keeper, Sampled, Sampler, measuring, polls_of
from monitor.site.model import Site
from monitor.store.base import StoreWriter
from monitor.store.bundle import HELD_NOTE, rows_of
from monitor.store.fulls import FULL
from monitor.store.heartbeat import write_heartbeat
from monitor.store.held import HeldReadings

log = logging.getLogger("nightbank")

STATE_EVERY_MS = HOUR_MS
"""The estimator's state, some 25 kB, is kept so often; what was read since is in the store and is gone
through again at a start (our choice: less written to the card)."""

LAND_S = 0.3
"""Held readings are brought into the store for so long at a time (our choice: what a round of the main loop
may take beside its own work)."""


class Pipeline:
    """Takes poll results in order and keeps everything that follows from them. One thread uses it."""

    def __init__(
        self,
        site: Site,
        store: StoreWriter,
        clock: Clock,
        computer: Computer | None = None,
        held: HeldReadings | None = None,
    ) -> None:
        """site must have its set points filled in. The estimator goes on from the state in the store.

        computer is what alarms on the computer itself ask; without it they are unknown. held is where
        readings wait while the time is not known; a clock that always knows it needs none.
        """
        self._site, self._store, self._clock, self._held = site, store, clock, held
        self.waits = False  # whether the store is being made good, so that no reading may come into it
        self._shown: dict[tuple[str, str], Reading] = {}
        self._shown_note = True  # whether the store's note of these may name any: a former run leaves it so
        self._landing: _Road | None = None
        self._landed: _Landed | None = None  # what was brought, and is to be committed
        self._road = _Road(site, store)
        self._state_ms = self._road.estimator.last_ms
        self._basis = store.note(BASIS_NOTE)
        self._catch_up()
        self._leave_the_future(self._road, self._clock.now_ms())
        self._watch = AlarmWatch(site, store, clock, computer)
        self._log = LogKeeper(site, store, clock)
        self._health: dict[str, DeviceHealth] = {health.device: health for health in store.health()}
        self._earlier = dict(self._health)
        self._news: dict[str, DeviceNews] = {}
        self._started_ms = clock.now_ms()
        store.rank_devices([device.name for device in site.devices])

    @property
    def estimator(self) -> BankEstimator:
        """The bank's estimator, for whoever looks ahead; only this pipeline updates it."""
        return self._road.estimator

    @property
    def holds(self) -> bool:
        """Whether readings wait, because the time is not known or earlier ones are not in the store yet."""
        is_ready = self._clock.is_known and not self.waits and self._landed is None
        return self._held is not None and not (is_ready and self._held.is_empty)

    @property
    def alarms(self) -> AlarmWatch:
        """The alarms, for whoever goes by how they stand; only this pipeline judges them."""
        return self._watch

    def take(self, result: PollResult) -> list[Transition]:
        """Readings of one poll into view, estimate, store and alarms; the alarms' transitions.

        Commits at once if a person is to hear of any, so that they are in the store before.
        """
        measured = self._road.sampler.metered(result.readings)
        if self._held is not None and self.holds:
            self._held.add(measured)
        readings = self._stamped(measured)
        self._keep(readings)
        sampled = self._road.sampler.take(readings)
        self._keep_health(result.health)
        if sampled is not None:
            readings += self._follow(sampled)
        transitions = self._watch.judge(readings, self._health[result.device])
        if any(is_told(each) for each in transitions):
            self._save_at_once()
        return transitions

    def follow(self) -> list[Transition]:
        """What is due without a reading, once a second: requests, shelvings that end, slow signs."""
        transitions = self._watch.tick()
        written = self._log.follow()
        if written or self._watch.answered or any(is_told(each) for each in transitions):
            self._save_at_once()
        return transitions

    def _catch_up(self) -> None:
        """Go through what was stored after the estimator's state was: it is kept only now and then."""
        newest_ms = self._store.span()
        if self._state_ms is None or newest_ms is None or newest_ms[1] <= self._state_ms:
            return
        try:
            self._follow_stored(newest_ms[1])
        except ServerError as error:
            log.warning("%s; the estimate goes on from its state of the last hour", error)

    def _follow_stored(self, newest_ms: int) -> None:
        assert self._state_ms is not None, "only what follows a state is gone through"
        measured = measuring(self._store.latest())
        since = self._store.readings(self._state_ms + 1, newest_ms + 1, measured)
        for poll in polls_of(since):
            sampled = self._road.sampler.take(self._road.sampler.metered(poll))
            if sampled is not None:
                self._road.estimator.update(sampled.sample)

    def _leave_the_future(self, road: _Road, now_ms: int) -> None:
        """What an estimator knows stays where its last moment lies ahead of a clock that knows the time: it
        would wait for that moment."""
        last_ms = road.estimator.last_ms
        is_sure = self._held is not None and self._clock.is_known
        if is_sure and last_ms is not None and last_ms > now_ms:
            road.estimator.move(now_ms, now_ms - last_ms)
            self._state_ms = None

    def moved(self, change: Change) -> None:
        """The clock goes by another course: what it has stamped since the computer was switched on, as far as
        it is not in the store as a reading, follows. The change goes with the next commit."""
        from_ms, by_ms = change.before.utc_ms(0), change.step_ms
        self._watch.moved(from_ms, by_ms)
        for road in (self._road, self._landing):
            if road is not None:
                road.estimator.move(from_ms, by_ms)
        self._started_ms = moved_ms(self._started_ms, from_ms, by_ms)
        self._health = {name: health.moved(from_ms, by_ms) for name, health in self._health.items()}
        for health in self._health.values():
            self._store.put_health(health)
        self._shown = {
            key: replace(reading, time_ms=reading.time_ms + by_ms) for key, reading in self._shown.items()
        }

    def land(self) -> int:
        """Bring held readings into the store, stamped, for LAND_S at most, and commit; how many. Where the
        commit fails the next call tries it again, and brings nothing more before."""
        held = self._held
        if held is None or not self.holds or self.waits or not self._clock.is_known:
            return 0
        if self._landing is None:
            self._landing = _Road(self._site, self._store)
            self._leave_the_future(self._landing, self._clock.stamped(0))
        if self._landed is None:
            self._landed = self._bring(held, self._landing)
        self._store.commit()
        if self._landed.number is not None:
            held.landed(self._landed.number)
        count, self._landed = self._landed.count, None
        if held.is_empty:
            self._road, self._landing, self._shown = self._landing, None, {}
            self._state_ms = None
            self._keep_shown()
        return count

    def _bring(self, held: HeldReadings, road: _Road) -> _Landed:
        """Held readings into the store, to be committed."""
        end_s, count, last = time.monotonic() + LAND_S, 0, None
        for number, readings in held.entries():
            self._land(road, readings)
            count, last = count + len(readings), number
            if time.monotonic() >= end_s:
                break
        else:
            fresh = held.take_pending()
            self._land(road, fresh)
            count += len(fresh)
        return _Landed(last, count)

    def _land(self, road: _Road, readings: Iterable[Reading]) -> None:
        """Held readings the way that they would have gone; the alarms have judged them when they came."""
        for poll in polls_of(self._stamped(readings)):
            self._store.append(poll)
            sampled = road.sampler.take(poll)
            if sampled is None:
                continue
            estimate = road.estimator.update(sampled.sample)
            self._store.append(sampled.derived)
            if estimate.time_ms == sampled.sample.time_ms:
                self._store.append(road.keeper.readings(estimate, sampled.sample))

    def _stamped(self, readings: Iterable[Reading]) -> list[Reading]:
        """Readings as the clock on the wires has stamped them, with UTC as far as it is known."""
        stamped = self._clock.stamped
        return [replace(reading, time_ms=stamped(reading.time_ms)) for reading in readings]

    def _keep(self, readings: Sequence[Reading]) -> None:
        """Into the store; while readings wait, only to be shown."""
        if self.holds:
            self._shown |= {(reading.device, reading.quantity): reading for reading in readings}
        else:
            self._store.append(readings)

    def save(self, *, stopped: bool = False) -> None:
        """Keep the estimator's state and the heartbeat, and commit."""
        now_ms = self._clock.now_ms()
        newest_ms = self._road.estimator.last_ms
        self._keep_shown()
        if (
            not self.holds
            and newest_ms is not None
            and (stopped or self._state_ms is None or newest_ms - self._state_ms >= STATE_EVERY_MS)
        ):
            self._store.put_note(ESTIMATOR_NOTE, self._road.estimator.state())
            self._state_ms = newest_ms
        write_heartbeat(self._store, Heartbeat(now_ms, self._started_ms, now_ms if stopped else None))
        try:
            if self._held is not None:
                self._held.commit(self._clock.stamped(0))
            self._store.commit()
        except StoreError:
            self._watch.store_written(False)
            raise
        self._watch.store_written(True)

    def _keep_shown(self) -> None:
        """Note the newest of the readings that wait, and once that none does."""
        if self.holds or self._shown_note:
            self._store.put_note(HELD_NOTE, rows_of(self._shown.values()))
            self._shown_note = self.holds

    def tell(self, kind: str, subject: str, text: str) -> None:
        """Keep an event and log it; one whose time is not known says so."""
        if not self._clock.is_known:
            text += " (Its time is not known yet.)"
        self._store.add_event(Event(self._clock.now_ms(), kind, subject, text))
        log.info("%s", text if not subject else f"{subject}: {text}")

    def _save_at_once(self) -> None:
        """Save, and where that fails say so in the log: it is all tried again with the next commit."""
        try:
            self.save()
        except StoreError as error:
            log.error("%s", error)

    def _follow(self, sampled: Sampled) -> list[Reading]:
        """Keep the derived quantities and the estimate that belong to a new reading of the bank's voltage."""
        readings = list(sampled.derived)
        estimate = self._road.estimator.update(sampled.sample)
        if estimate.time_ms == sampled.sample.time_ms:
            readings += self._road.keeper.readings(estimate, sampled.sample)
            basis = "\n".join(estimate.basis)
            if basis != self._basis:
                self._store.put_note(BASIS_NOTE, basis)
                self._basis = basis
        if estimate.became_full:
            self.tell(FULL, "", "The bank has met the signs of a full charge.")
            self._watch.became_full(estimate.time_ms)
        self._keep(readings)
        return readings

    def _keep_health(self, health: DeviceHealth) -> None:
        health = _stamped_health(health, self._clock)
        earlier, now_s = self._earlier.get(health.device), self._clock.elapsed_s()
        health = _added_up(health, earlier)
        self._health[health.device] = health
        self._store.put_health(health)
        news = self._news.setdefault(health.device, DeviceNews(earlier, now_s))
        if said := news.text(health, now_s):
            self.tell("device", health.device, said)


@dataclass(frozen=True, slots=True)
class _Landed:
    """Held readings that are in the store with the next commit: the last entry's number on the card, None
    where they were only in memory, and how many they are."""

    number: int | None
    count: int


class _Road:
    """What readings pass on their way: sampler, estimator, and what is kept of its estimates."""

    def __init__(self, site: Site, store: StoreWriter) -> None:
        """The estimator goes on from the state in the store."""
        self.sampler = Sampler(site)
        self.estimator = BankEstimator(describe_site(site), store.note(ESTIMATOR_NOTE))
        self.keeper = Keeper()


def _stamped_health(health: DeviceHealth, clock: Clock) -> DeviceHealth:
    """A device's health as the clock on the wires has stamped it, with UTC as far as it is known."""

    def at(wire_ms: int | None) -> int | None:
        return None if wire_ms is None else clock.stamped(wire_ms)

    return replace(
        health,
        since_ms=clock.stamped(health.since_ms),
        last_good_ms=at(health.last_good_ms),
        next_try_ms=at(health.next_try_ms),
    )


def _added_up(health: DeviceHealth, earlier: DeviceHealth | None) -> DeviceHealth:
    """A device's health with the counts of the daemon's earlier runs."""
    if earlier is None:
        return health
    kinds = earlier.errors.keys() | health.errors.keys()
    return replace(
        health,
        polls=earlier.polls + health.polls,
        errors={kind: earlier.errors.get(kind, 0) + health.errors.get(kind, 0) for kind in sorted(kinds)},
        last_good_ms=health.last_good_ms or earlier.last_good_ms,
        last_error=health.last_error or earlier.last_error,
    )
