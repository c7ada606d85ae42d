"""One poll's readings on their way: sample, derived quantities, estimate, store, alarms.

The daemon and the demo's filling of past weeks both go through `Pipeline.take`; there is no other road into
the store for what devices say.
"""

from __future__ import annotations

import logging
from dataclasses import replace

from monitor.alarms.computer import Computer
from monitor.alarms.telling import is_told
from monitor.alarms.watch import AlarmWatch
from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.care.keeper import LogKeeper
from monitor.clock import Clock
from monitor.device_news import DeviceNews
from monitor.errors import ServerError, StoreError
from monitor.poll import PollResult
from monitor.records import DeviceHealth, Event, Heartbeat, Reading, Transition
from monitor.sampling import BASIS_NOTE, ESTIMATOR_NOTE, Keeper, Sampled, Sampler, measuring, polls_of
from monitor.site.model import Site
from monitor.store.base import StoreWriter
from monitor.store.heartbeat import write_heartbeat

log = logging.getLogger("nightbank")

STATE_EVERY_MS = 3_600_000
"""The estimator's state, some 25 kB, is kept so often; what was read since is in the store and is gone
through again at a start (our choice: less written to the card)."""


class Pipeline:
    """Takes poll results in order and keeps everything that follows from them. One thread uses it."""

    def __init__(
        self, site: Site, store: StoreWriter, clock: Clock, computer: Computer | None = None
    ) -> None:
        """site must have its set points filled in. The estimator goes on from the state in the store.

        computer is what alarms on the computer itself ask; without it they are unknown.
        """
        self._store, self._clock = store, clock
        self._sampler = Sampler(site)
        self._keeper = Keeper()
        self._estimator = BankEstimator(describe_site(site), store.note(ESTIMATOR_NOTE))
        self._state_ms = self._estimator.last_ms
        self._basis = store.note(BASIS_NOTE)
        self._catch_up()
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
        return self._estimator

    @property
    def alarms(self) -> AlarmWatch:
        """The alarms, for whoever goes by how they stand; only this pipeline judges them."""
        return self._watch

    def take(self, result: PollResult) -> list[Transition]:
        """Readings of one poll into view, estimate, store and alarms; the alarms' transitions.

        Commits at once if a person is to hear of any, so that they are in the store before.
        """
        readings = list(self._sampler.metered(result.readings))
        self._store.append(readings)
        sampled = self._sampler.take(readings)
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
            sampled = self._sampler.take(self._sampler.metered(poll))
            if sampled is not None:
                self._estimator.update(sampled.sample)

    def save(self, *, stopped: bool = False) -> None:
        """Keep the estimator's state and the heartbeat, and commit."""
        now_ms = self._clock.now_ms()
        newest_ms = self._estimator.last_ms
        if newest_ms is not None and (
            stopped or self._state_ms is None or newest_ms - self._state_ms >= STATE_EVERY_MS
        ):
            self._store.put_note(ESTIMATOR_NOTE, self._estimator.state())
            self._state_ms = newest_ms
        write_heartbeat(self._store, Heartbeat(now_ms, self._started_ms, now_ms if stopped else None))
        try:
            self._store.commit()
        except StoreError:
            self._watch.store_written(False)
            raise
        self._watch.store_written(True)

    def tell(self, kind: str, subject: str, text: str) -> None:
        """Keep an event and log it."""
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
        estimate = self._estimator.update(sampled.sample)
        if estimate.time_ms == sampled.sample.time_ms:
            readings += self._keeper.readings(estimate, sampled.sample)
            basis = "\n".join(estimate.basis)
            if basis != self._basis:
                self._store.put_note(BASIS_NOTE, basis)
                self._basis = basis
        if estimate.became_full:
            self.tell("full", "", "The bank has met the signs of a full charge.")
            self._watch.became_full(estimate.time_ms)
        self._store.append(readings)
        return readings

    def _keep_health(self, health: DeviceHealth) -> None:
        earlier, now_s = self._earlier.get(health.device), self._clock.elapsed_s()
        health = _added_up(health, earlier)
        self._health[health.device] = health
        self._store.put_health(health)
        news = self._news.setdefault(health.device, DeviceNews(earlier, now_s))
        if said := news.text(health, now_s):
            self.tell("device", health.device, said)


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
