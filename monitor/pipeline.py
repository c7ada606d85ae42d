"""One poll's readings on their way: sample, derived quantities, estimate, store, alarms.

The daemon and the demo's filling of past weeks both go through `Pipeline.take`; there is no other road into
the store for what devices say.
"""

from __future__ import annotations

import logging
from dataclasses import replace

from monitor.alarms.engine import first_state, step
from monitor.alarms.rules import Rule, rules_of
from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.clock import Clock
from monitor.poll import PollResult
from monitor.records import AlarmState, DeviceHealth, Event, Heartbeat
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

    def __init__(self, site: Site, store: StoreWriter, clock: Clock) -> None:
        """site must have its set points filled in. The estimator goes on from the state in the store."""
        self._store, self._clock = store, clock
        self._sampler = Sampler(site)
        self._keeper = Keeper()
        self._estimator = BankEstimator(describe_site(site), store.note(ESTIMATOR_NOTE))
        self._state_ms = self._estimator.last_ms
        self._basis = store.note(BASIS_NOTE)
        self._catch_up()
        self._rules = rules_of(site)
        kept = {state.name: state for state in store.alarms()}
        now_ms = clock.now_ms()
        self._alarms = {rule.name: kept.get(rule.name, first_state(rule, now_ms)) for rule in self._rules}
        for state in self._alarms.values():
            store.put_alarm(state)
        for name in kept.keys() - self._alarms.keys():  # its rule has gone from the site file
            store.put_alarm(AlarmState(name, "normal", now_ms, kept[name].priority, None, ""))
        self._health: dict[str, DeviceHealth] = {health.device: health for health in store.health()}
        self._earlier = dict(self._health)
        self._started_ms = now_ms
        store.rank_devices([device.name for device in site.devices])

    def take(self, result: PollResult) -> None:
        """Readings of one poll into view, estimate, store and alarms. Commits at once if an alarm changed."""
        readings = self._sampler.metered(result.readings)
        self._store.append(readings)
        sampled = self._sampler.take(readings)
        self._keep_health(result.health)
        if sampled is not None:
            self._follow(sampled)
        self._judge()

    def _catch_up(self) -> None:
        """Go through what was stored after the estimator's state was: it is kept only now and then."""
        newest_ms = self._store.span()
        if self._state_ms is None or newest_ms is None or newest_ms[1] <= self._state_ms:
            return
        measured = measuring(self._store.latest())
        since = self._store.readings(self._state_ms + 1, newest_ms[1] + 1, measured)
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
        self._store.commit()

    def tell(self, kind: str, subject: str, text: str) -> None:
        """Keep an event and log it."""
        self._store.add_event(Event(self._clock.now_ms(), kind, subject, text))
        log.info("%s", text if not subject else f"{subject}: {text}")

    def _follow(self, sampled: Sampled) -> None:
        """Keep the derived quantities and the estimate that belong to a new reading of the bank's voltage."""
        self._store.append(sampled.derived)
        estimate = self._estimator.update(sampled.sample)
        if estimate.time_ms == sampled.sample.time_ms:
            self._store.append(self._keeper.readings(estimate, sampled.sample))
            basis = "\n".join(estimate.basis)
            if basis != self._basis:
                self._store.put_note(BASIS_NOTE, basis)
                self._basis = basis
        if estimate.became_full:
            self.tell("full", "", "The bank has met the signs of a full charge.")

    def _keep_health(self, health: DeviceHealth) -> None:
        before = self._health.get(health.device)
        health = _added_up(health, self._earlier.get(health.device))
        self._health[health.device] = health
        self._store.put_health(health)
        if before is None or before.state != health.state:
            said = f"{health.state} on {health.connection}"
            if health.state != "answering" and health.last_error:
                said += f" ({health.last_error})"
            self.tell("device", health.device, said)

    def _judge(self) -> None:
        changed = False
        for rule in self._rules:
            changed |= self._judge_one(rule)
        if changed:
            self.save()

    def _judge_one(self, rule: Rule) -> bool:
        """Step one rule on what was stored; True if a person must be told at once."""
        reading = self._store.latest_good(rule.quantity)
        before = self._alarms[rule.name]
        if reading is None or reading.value is None:
            return False
        after, event = step(rule, before, reading.value, reading.time_ms)
        if after != before:
            self._alarms[rule.name] = after
            if _differs(after, before):
                self._store.put_alarm(after)
        if event is not None:
            self._store.add_event(event)
            log.warning("alarm: %s", event.text)
        return event is not None


def _differs(after: AlarmState, before: AlarmState) -> bool:
    """Worth writing: the state changed, or a raised alarm has another value."""
    return after.state != before.state or (after.state != "normal" and after.value != before.value)


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
