"""The alarm state machine, first cut: normal -> waiting -> active -> clearing -> normal. Pure.

'waiting' is the on-delay running, 'clearing' the off-delay, in which the alarm still stands.
No value, no step: a silent device neither raises nor clears an alarm.
"""

from __future__ import annotations

from dataclasses import replace

from monitor.alarms.rules import Rule
from monitor.records import AlarmState, Event


def first_state(rule: Rule, now_ms: int) -> AlarmState:
    """The state of a rule that was never judged."""
    return AlarmState(rule.name, "normal", now_ms, rule.priority, None, "")


def step(rule: Rule, state: AlarmState, value: float, time_ms: int) -> tuple[AlarmState, Event | None]:
    """The state after a value measured at time_ms, and the event if the alarm was raised or has cleared.

    A time before the state's own changes nothing (late rows, a clock put back).
    """
    if time_ms < state.since_ms:
        return state, None
    state = replace(state, value=value, priority=rule.priority)
    held_s = (time_ms - state.since_ms) / 1000

    if state.state == "normal" and rule.is_beyond(value):
        state = replace(state, state="waiting", since_ms=time_ms, text=rule.says(value))
        held_s = 0.0
    if state.state == "waiting":
        if not rule.is_beyond(value):
            return replace(state, state="normal", since_ms=time_ms, text=""), None
        if held_s >= rule.on_delay_s:
            raised = replace(state, state="active", raised_ms=state.since_ms, text=rule.says(value))
            return raised, Event(time_ms, "alarm", rule.name, f"Raised. {rule.says(value)}")
        return state, None

    if state.state == "active" and rule.is_back(value):
        return replace(state, state="clearing", since_ms=time_ms), None
    if state.state == "clearing":
        if not rule.is_back(value):
            return replace(state, state="active", since_ms=time_ms), None
        if held_s >= rule.off_delay_s:
            cleared = replace(state, state="normal", since_ms=time_ms, raised_ms=None, text="")
            return cleared, Event(time_ms, "alarm", rule.name, f"Cleared at {rule.shows(value)}.")
    return state, None
