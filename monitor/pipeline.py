"""One poll's readings on their way: present view, derived quantities, estimate, store, alarms.

The daemon and the demo's filling of past weeks both go through `Pipeline.take`; there is no other road into
the store for what devices say.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace

from monitor.alarms.engine import first_state, step
from monitor.alarms.rules import Rule, rules_of
from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator, Estimator
from monitor.bank.sample import BankEstimate, BankSample
from monitor.clock import Clock
from monitor.derive import derived_readings
from monitor.poll import PollResult
from monitor.quantities import Stage
from monitor.records import AlarmState, DeviceHealth, Event, Heartbeat, Quality, Reading
from monitor.site.model import Site
from monitor.store.base import StoreWriter
from monitor.store.heartbeat import write_heartbeat

log = logging.getLogger("nightbank")

ESTIMATE = "estimate"
"""The device name under which estimates are stored."""

ESTIMATOR_NOTE = "estimator"
"""Key of the store's note that holds the estimator's state."""

NET_CURRENT = "battery_current_A"
NET_QUANTITIES = (NET_CURRENT, "battery_power_W")

FRESH_POLLS = 3
"""A value older than this many of its device's periods is not used any more (our choice: one lost frame
is noise, three are an outage)."""

FRESH_FLOOR_S = 20.0
"""But a value this young always is: fast devices lose several frames in a row to one disturbance."""


class PresentView:
    """The good values that are fresh now, one a quantity: the best-ranked device that gives it wins."""

    def __init__(self, site: Site) -> None:
        self._rank = {device.name: rank for rank, device in enumerate(site.devices)}
        self._fresh_ms = {
            device.name: round(1000 * max(FRESH_FLOOR_S, FRESH_POLLS * device.every_s))
            for device in site.devices
        }
        self._held: dict[str, dict[str, Reading]] = {}

    def rank(self, device: str) -> int:
        """The device's place in the site file, 0 first."""
        return self._rank[device]

    def take(self, readings: Sequence[Reading]) -> None:
        for reading in readings:
            held = self._held.setdefault(reading.quantity, {})
            if reading.quality is Quality.GOOD:
                held[reading.device] = reading
            elif reading.quality is Quality.SUSPECT:
                held.pop(reading.device, None)

    def best(self, quantity: str, now_ms: int) -> Reading | None:
        """The best-ranked fresh reading of a quantity, None where there is none."""
        fresh = [
            reading
            for reading in self._held.get(quantity, {}).values()
            if abs(now_ms - reading.time_ms) <= self._fresh_ms[reading.device]
        ]
        return min(fresh, key=lambda reading: self._rank[reading.device], default=None)

    def values(self, now_ms: int) -> dict[str, float]:
        """All fresh values by quantity."""
        best = (self.best(quantity, now_ms) for quantity in self._held)
        return {reading.quantity: reading.value for reading in best if reading and reading.value is not None}


class Pipeline:
    """Takes poll results in order and keeps everything that follows from them. One thread uses it."""

    def __init__(self, site: Site, store: StoreWriter, clock: Clock) -> None:
        """site must have its set points filled in. The estimator goes on from the state in the store."""
        self._site, self._store, self._clock = site, store, clock
        self._view = PresentView(site)
        self._shunt: str | None = None
        self._estimator: Estimator = BankEstimator(describe_site(site), store.note(ESTIMATOR_NOTE))
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
        readings = self._metered(result.readings)
        self._store.append(readings)
        self._view.take(readings)
        self._keep_health(result.health)
        voltage = next((r for r in readings if r.quantity == "battery_voltage_V"), None)
        if voltage is not None and voltage.quality is Quality.GOOD:
            best = self._view.best("battery_voltage_V", voltage.time_ms)
            if best is voltage:
                self._follow(voltage)
        self._judge()

    def _metered(self, readings: Sequence[Reading]) -> Sequence[Reading]:
        """At level 'shunt' only the shunt's word on the net is good: a controller sees only its own part.

        The shunt is the best-ranked device that gives the net current.
        """
        if self._site.metering.level != "shunt" or not readings:
            return readings
        device = readings[0].device
        if any(reading.quantity == NET_CURRENT for reading in readings):
            self._shunt = min(self._shunt or device, device, key=self._view.rank)
        if device == self._shunt:
            return readings
        return [
            replace(reading, quality=Quality.SUSPECT, reason="this device does not see every load")
            if reading.quantity in NET_QUANTITIES and reading.quality is Quality.GOOD
            else reading
            for reading in readings
        ]

    def save(self, *, stopped: bool = False) -> None:
        """Keep the estimator's state and the heartbeat, and commit."""
        now_ms = self._clock.now_ms()
        self._store.put_note(ESTIMATOR_NOTE, self._estimator.state())
        write_heartbeat(self._store, Heartbeat(now_ms, self._started_ms, now_ms if stopped else None))
        self._store.commit()

    def tell(self, kind: str, subject: str, text: str) -> None:
        """Keep an event and log it."""
        self._store.add_event(Event(self._clock.now_ms(), kind, subject, text))
        log.info("%s", text if not subject else f"{subject}: {text}")

    def _follow(self, voltage: Reading) -> None:
        """Derived quantities and the estimate that belong to a new reading of the bank's voltage."""
        metering = self._site.metering
        present = self._view.values(voltage.time_ms)
        derived = derived_readings(present, voltage.time_ms, metering.level, metering.monitor_power_W)
        self._store.append(derived)
        present |= {r.quantity: r.value for r in derived if r.value is not None}
        estimate = self._estimator.update(_sample(present, voltage.time_ms))
        if estimate.time_ms == voltage.time_ms:
            self._store.append(_estimate_readings(estimate, stage_is_measured="charge_stage" in present))
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


def _sample(present: dict[str, float], time_ms: int) -> BankSample:
    stage = present.get("charge_stage")
    return BankSample(
        time_ms=time_ms,
        battery_voltage_V=present["battery_voltage_V"],
        battery_current_A=present.get("battery_current_A"),
        charge_current_A=present.get("charge_current_A"),
        load_current_A=present.get("load_current_A"),
        battery_temperature_C=present.get("battery_temperature_C"),
        array_voltage_V=present.get("array_voltage_V"),
        array_current_A=present.get("array_current_A"),
        stage=None if stage is None else Stage(int(stage)),
    )


def _estimate_readings(estimate: BankEstimate, *, stage_is_measured: bool) -> list[Reading]:
    def reading(quantity: str, value: float | None) -> Reading:
        if value is None:
            why = "; ".join(estimate.basis)
            return Reading(estimate.time_ms, ESTIMATE, quantity, None, Quality.MISSING, why)
        return Reading(estimate.time_ms, ESTIMATE, quantity, value)

    readings = [reading("state_of_charge", estimate.soc), reading("state_of_charge_sd", estimate.soc_sd)]
    if not stage_is_measured:
        readings.append(reading("charge_stage", float(estimate.stage)))
    return readings
