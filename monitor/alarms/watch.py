"""The alarms of a running daemon: every rule judged as readings come, states and transitions into the store.

Rules on quantities and fast signs are judged with the readings that they need, slow signs once a minute. What
people ask for through the store is done once a second (`tick`). One thread uses it.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from monitor.alarms import engine
from monitor.alarms.computer import Computer
from monitor.alarms.engine import Verdict
from monitor.alarms.requests import KINDS, answer
from monitor.alarms.rule import Rule
from monitor.alarms.rules import rules_of
from monitor.alarms.seen import Seen
from monitor.alarms.signs import SIGNS, VOLTAGE
from monitor.alarms.slow_look import SlowLook
from monitor.alarms.suppression import Standing, reasons
from monitor.alarms.telling import event_text, transition_text
from monitor.bank.description import describe_site
from monitor.clock import Clock
from monitor.records import (
    MINUTE_MS,
    AlarmState,
    Condition,
    DeviceHealth,
    Event,
    Quality,
    Reading,
    Request,
    Transition,
    moved_ms,
)
from monitor.sampling import PresentView
from monitor.site.model import Site
from monitor.store.base import StoreWriter

log = logging.getLogger("nightbank")

SLOW_MS = MINUTE_MS
"""Slow signs are judged so often (our choice)."""

TOGETHER_MS = 120_000
"""Alarms raised within this time of the first come together: the first is marked (our choice)."""

AHEAD_MS, AHEAD_S = MINUTE_MS, 600.0
"""States whose times lie this far ahead of the clock for so long: the clock was wrong before (our choice)."""

KEPT_EVERY_MS = MINUTE_MS
"""A standing alarm's newest value goes into the store so often (our choice: less written to the card)."""


@dataclass(frozen=True, slots=True)
class Step:
    """One alarm's way from one state to another."""

    rule: Rule
    before: AlarmState
    after: AlarmState
    cause: str
    time_ms: int
    values: Mapping[str, float | None]
    worthless_ms: int | None = None
    by: str = ""
    reason: str = ""


class AlarmWatch:
    """Judges the site's rules; states, transitions and events go into the store. It commits nothing."""

    def __init__(
        self, site: Site, store: StoreWriter, clock: Clock, computer: Computer | None = None
    ) -> None:
        """site must have its set points filled in. Without a computer its signs are unknown."""
        self._site, self._store, self._clock = site, store, clock
        self._zone = site.site.zone
        self._bank = describe_site(site)
        self._view = PresentView(site)
        self.rules = {rule.name: rule for rule in rules_of(site)}
        self._by_quantity: dict[str, list[Rule]] = {}
        for rule in self.rules.values():
            self._by_quantity.setdefault(rule.quantity, []).append(rule)
        now_ms = clock.now_ms()
        self._slow_ms: int | None = None
        self._ahead_since_s: float | None = None
        self._kept_ms: dict[str, int] = {}
        self._beyond: dict[str, bool | None] = {}
        self._states = self._states_at_start(now_ms)
        self._raises = [
            (each.time_ms, each.alarm)
            for each in reversed(store.transitions(now_ms - TOGETHER_MS, now_ms + 1))
            if each.cause == "raised"
        ]
        self._look = SlowLook(site, store, clock, computer)
        self._gives: dict[str, set[str]] = {}
        self._note_givers(store.latest())
        self.answered = False  # whether the last tick has answered a request: somebody waits for it

    @property
    def states(self) -> Mapping[str, AlarmState]:
        """The present state of each rule by name."""
        return self._states

    def calls(self, name: str) -> bool | None:
        """Whether an alarm is active, acknowledged or not, and this run has seen its value beyond the limit
        at the last look: one that stands from before the start, or is shelved, does not call. None where the
        last look could not tell."""
        state = self._states.get(name)
        active = state is not None and state.state in (Condition.UNACKNOWLEDGED, Condition.ACKNOWLEDGED)
        return self._beyond.get(name, False) if active else False

    def is_beyond(self, *quantities: str) -> bool:
        """Whether a rule on one of the quantities or signs is beyond its limit, whatever a person is told."""
        rules = [rule.name for each in quantities for rule in self._by_quantity.get(each, ())]
        return any(engine.is_beyond(self._states[name]) for name in rules)

    def sun_is_down(self) -> bool | None:
        """Whether it is night at the site; None where nothing tells it."""
        return self._look.sun_is_down(self._clock.now_ms())

    def judge(self, readings: Sequence[Reading], health: DeviceHealth | None = None) -> list[Transition]:
        """Judge what the readings of one poll (measured, derived, estimated) decide, and what is due."""
        if health is not None:
            self._look.health[health.device] = health
        self._view.take(readings)
        good = {reading.quantity: reading for reading in readings if reading.quality is Quality.GOOD}
        steps: list[Step] = []
        for quantity, reading in good.items():
            for rule in self._by_quantity.get(quantity, ()):
                best = self._view.best(quantity, reading.time_ms)
                if best is not None and best.value is not None:
                    self._step(steps, rule, rule.verdict(best.time_ms, best.value))
        voltage = good.get(VOLTAGE)
        if voltage is not None:
            self._judge_bank(steps, voltage.time_ms)
            if voltage.value is not None and self._view.best(VOLTAGE, voltage.time_ms) is voltage:
                self._look.supply.take(voltage.time_ms, voltage.value)
        self._note_givers(readings)
        self._judge_slow(steps)
        return self._keep(steps)

    def tick(self) -> list[Transition]:
        """Once a second: what people have asked for, shelvings that end, slow signs that are due."""
        now_ms = self._clock.now_ms()
        steps: list[Step] = []
        self.answered = False
        for request in self._store.open_requests():
            if request.kind in KINDS:
                self._do(steps, request, now_ms)
                self.answered = True
        for name, rule in self.rules.items():
            self._end(steps, rule, *engine.end_of_shelving(self._states[name], now_ms), now_ms)
        self._judge_slow(steps)
        return self._keep(steps)

    def became_full(self, time_ms: int) -> None:
        """The bank has met the signs of a full charge."""
        self._look.full_ms = time_ms

    def moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms: the alarms' times follow, so that none is raised, or
        over, for it."""
        for name, state in self._states.items():
            after = engine.moved(state, from_ms, by_ms)
            if after != state:
                self._states[name] = after
                self._store.put_alarm(after)
        self._raises = [(moved_ms(at, from_ms, by_ms), name) for at, name in self._raises]
        self._slow_ms = None
        self._kept_ms.clear()
        self._look.moved(from_ms, by_ms)

    def store_written(self, written: bool) -> None:
        """Whether the last commit has succeeded."""
        self._look.store_written(written)

    def _judge_bank(self, steps: list[Step], time_ms: int) -> None:
        now: dict[str, float] | None = None
        for name, sign in SIGNS.items():
            for rule in self._by_quantity.get(name, ()):
                now = now if now is not None else self._view.values(time_ms)
                self._show(steps, rule, sign(self._bank, now), time_ms)

    def _judge_slow(self, steps: list[Step]) -> None:
        now_ms = self._clock.now_ms()
        if self._slow_ms is not None and abs(now_ms - self._slow_ms) < SLOW_MS:
            return
        self._slow_ms = now_ms
        self._look_for_set_back(now_ms)
        now = self._view.values(now_ms)
        clear = self._look.clear(now_ms)
        self._suppress(steps, now_ms, dark=self._look.is_dark(clear))
        for name, sign in self._look.signs(now, clear, now_ms).items():
            for rule in self._by_quantity.get(name, ()):
                self._show(steps, rule, sign(rule), now_ms)

    def _show(self, steps: list[Step], rule: Rule, seen: Seen | None, time_ms: int) -> None:
        """A verdict of what a sign shows."""
        if seen is None:
            self._beyond[rule.name] = None
            return
        verdict = rule.verdict(time_ms, seen.value, seen.words, seen.values)
        if not seen.applies:
            verdict = replace(verdict, beyond=False, back=True)
        self._step(steps, rule, verdict, seen.worthless_ms)

    def _step(self, steps: list[Step], rule: Rule, verdict: Verdict, worthless_ms: int | None = None) -> None:
        before = self._states[rule.name]
        self._beyond[rule.name] = verdict.beyond
        after, cause = engine.judge(rule, before, verdict)
        self._end(steps, rule, after, cause, verdict.time_ms, verdict.values, worthless_ms)

    def _end(
        self,
        steps: list[Step],
        rule: Rule,
        after: AlarmState,
        cause: str | None,
        time_ms: int,
        values: Mapping[str, float | None] | None = None,
        worthless_ms: int | None = None,
        by: str = "",
        reason: str = "",
    ) -> None:
        """Take the state after a step; note it in the store where it is worth it."""
        before = self._states[rule.name]
        if after is before or after == before:
            return
        self._states[rule.name] = after
        if cause is not None:
            step = Step(rule, before, after, cause, time_ms, values or {}, worthless_ms, by, reason)
            steps.append(step)
        elif _is_worth_keeping(before, after) or (
            after.stands and time_ms - self._kept_ms.get(rule.name, 0) >= KEPT_EVERY_MS
        ):
            self._kept_ms[rule.name] = time_ms
            self._store.put_alarm(after)

    def _keep(self, steps: list[Step]) -> list[Transition]:
        """Transitions, states and events of the steps, in the order in which their values went beyond."""
        steps.sort(key=lambda step: step.after.raised_ms or step.time_ms)
        return [self._keep_one(step) for step in steps]

    def _keep_one(self, step: Step) -> Transition:
        text = transition_text(
            step.rule, step.before, step.after, step.cause, step.time_ms, self._zone, step.reason
        )
        if step.cause == "raised":
            text += self._among_others(step)
        transition = Transition(
            step.time_ms,
            step.rule.name,
            step.before.state,
            step.after.state,
            step.cause,
            step.rule.priority,
            text,
            {name: None if v is None else float(f"{v:.6g}") for name, v in step.values.items()},
            step.by,
            step.worthless_ms if step.cause == "raised" else None,
        )
        self._store.add_transition(transition)
        self._kept_ms[step.rule.name] = step.time_ms
        self._store.put_alarm(self._states[step.rule.name])
        told = event_text(transition)
        if told is not None:
            self._store.add_event(Event(step.time_ms, "alarm", step.rule.name, told))
            log.warning("alarm: %s", told)
        return transition

    def _among_others(self, step: Step) -> str:
        """Mark the first of several raised together; what the others' texts say of it."""
        self._raises = [each for each in self._raises if 0 <= step.time_ms - each[0] <= TOGETHER_MS]
        self._raises.append((step.time_ms, step.rule.name))
        first = self._raises[0][1]
        if first == step.rule.name:
            return ""
        state = self._states.get(first)
        if state is not None and state.stands and not state.first_out:
            self._states[first] = replace(state, first_out=True)
            self._store.put_alarm(self._states[first])
        return f" (after “{first}”)"

    def _suppress(self, steps: list[Step], now_ms: int, *, dark: bool) -> None:
        """Suppression by design: season and hours hold for any alarm, a consequence only for one that does
        not stand already: what is no longer known takes no alarm back."""
        standing = Standing(
            self.rules, self._states, self._look.health, self._gives, self._site, now_ms, self._clock.speed
        )
        because = reasons(standing, dark=dark, tested=self._look.is_tested())
        for name, rule in self.rules.items():
            state = self._states[name]
            reason = because.get(name, "")
            if self._clock.is_known and not rule.is_judged_at(now_ms, self._zone):
                reason = "not its season or hour"
            elif state.state not in (Condition.NORMAL, Condition.SUPPRESSED):
                reason = ""
            step = engine.suppress(state, now_ms, reason) if reason else engine.unsuppress(state, now_ms)
            self._end(steps, rule, *step, now_ms, reason=reason)

    def _do(self, steps: list[Step], request: Request, now_ms: int) -> None:
        """Do what a request asks and say in it what became of it."""
        changed, outcome = answer(request, self._states, now_ms, self._zone)
        for after, cause in changed:
            self._end(steps, self.rules[after.name], after, cause, now_ms, by=request.by)
        details = {**request.details, "changed": float(len(changed))}
        self._store.put_request(replace(request, details=details, done_ms=now_ms, outcome=outcome))
        log.info("asked to %s %s: %s", request.kind, request.subject, outcome)

    def _look_for_set_back(self, now_ms: int) -> None:
        """Times that stay ahead of the clock are of a clock that was wrong: alarms must not wait for them."""
        if all(engine.newest_ms(state) <= now_ms + AHEAD_MS for state in self._states.values()):
            self._ahead_since_s = None
            return
        if self._ahead_since_s is None:
            self._ahead_since_s = self._clock.elapsed_s()
        elif self._clock.elapsed_s() - self._ahead_since_s >= AHEAD_S:
            for name, state in self._states.items():
                self._states[name] = engine.set_back(state, now_ms)
                self._store.put_alarm(self._states[name])

    def _states_at_start(self, now_ms: int) -> dict[str, AlarmState]:
        """The states as kept; a rule that was never judged is normal, a state without its rule calmed."""
        kept = {state.name: state for state in self._store.alarms()}
        states = {}
        for name, rule in self.rules.items():
            known = kept.get(name, engine.first_state(name, rule.priority, now_ms))
            states[name] = replace(known, priority=rule.priority)
            if states[name] != kept.get(name):
                self._store.put_alarm(states[name])
        for name in kept.keys() - states.keys():  # its rule has gone from the site file
            calm = engine.first_state(name, kept[name].priority, now_ms)
            if kept[name].state != Condition.NORMAL:
                self._store.put_alarm(calm)
        return states

    def _note_givers(self, readings: Sequence[Reading]) -> None:
        for reading in readings:
            if self._view.knows(reading.device) and reading.quality is not Quality.MISSING:
                self._gives.setdefault(reading.quantity, set()).add(reading.device)


def _is_worth_keeping(before: AlarmState, after: AlarmState) -> bool:
    """Whether more than value and text have changed: what a restart must know."""
    return after != replace(before, value=after.value, text=after.text)
