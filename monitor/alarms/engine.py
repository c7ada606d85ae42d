"""The alarm state machine with the states and transitions of ISA-18.2 / IEC 62682 (from memory). Pure.

`judge` takes one verdict on a rule's value, `ask` what a person asks for, `suppress` and `unsuppress` what
the design asks for, `end_of_shelving` the time that has come. Each gives the state after it and the cause of
the transition, None where the state has stayed.

What the standard leaves to the site is chosen so (our choice): shelving, suppression and being out of
service end by a look at the value, which was followed all the while: unacknowledged where it is beyond its
limit, else normal. What is out of service can be neither shelved nor suppressed, what is shelved not
suppressed. A latched alarm is acknowledged first and reset then.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

from monitor.records import AlarmState, Condition, moved_ms

BUSY = frozenset({Condition.SHELVED, Condition.SUPPRESSED, Condition.OUT_OF_SERVICE})
"""States in which the value is followed and nobody is told."""

QUIET = BUSY | {Condition.NORMAL}

LONGEST_SHELF_S = 86_400.0
"""A shelving lasts at most a day (our choice: whoever shelves an alarm looks at the bank again tomorrow)."""


class Delays(Protocol):
    """What the machine needs to know of a rule."""

    @property
    def on_delay_s(self) -> float: ...
    @property
    def off_delay_s(self) -> float: ...
    @property
    def latching(self) -> bool: ...


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one value says: beyond its limit, back by more than the deadband, or between the two.

    text is the sentence for a person, values the quantities that decided.
    """

    time_ms: int
    value: float
    beyond: bool
    back: bool
    text: str = ""
    values: Mapping[str, float | None] = field(default_factory=dict)


Step = tuple[AlarmState, str | None]
"""The state after, and the cause of the transition as in `Transition.cause`."""


def first_state(name: str, priority: str, now_ms: int) -> AlarmState:
    """The state of a rule that was never judged."""
    return AlarmState(name, Condition.NORMAL, now_ms, priority, None, "")


def judge(rule: Delays, state: AlarmState, verdict: Verdict) -> Step:
    """The state after a verdict. A time before the state's own changes nothing (a late row)."""
    now_ms = verdict.time_ms
    if now_ms < newest_ms(state):
        return state, None
    if is_beyond(state):
        return _may_return(rule, replace(state, value=verdict.value), verdict)
    if not verdict.beyond:
        return replace(state, value=verdict.value, beyond_ms=None), None
    since_ms = now_ms if state.beyond_ms is None else state.beyond_ms
    state = replace(state, value=verdict.value, beyond_ms=since_ms)
    if now_ms - since_ms < rule.on_delay_s * 1000:
        return state, None
    raised = replace(
        state,
        raised_ms=since_ms,
        beyond_ms=None,
        back_ms=None,
        standing=True,
        first_out=False,
        text=verdict.text,
    )
    if state.state in BUSY:
        return raised, None
    return _entered(raised, Condition.UNACKNOWLEDGED, now_ms), "raised"


def _may_return(rule: Delays, state: AlarmState, verdict: Verdict) -> Step:
    if verdict.beyond:
        state = replace(state, text=verdict.text)
    if not verdict.back:
        return replace(state, back_ms=None), None
    now_ms = verdict.time_ms
    since_ms = now_ms if state.back_ms is None else state.back_ms
    if now_ms - since_ms < rule.off_delay_s * 1000:
        return replace(state, back_ms=since_ms), None
    gone = replace(state, back_ms=None, beyond_ms=None, standing=False)
    if state.state in BUSY:
        return replace(gone, raised_ms=None, text=""), None
    acknowledged = state.state == Condition.ACKNOWLEDGED
    if rule.latching:
        after = Condition.LATCHED if acknowledged else Condition.LATCHED_UNACKNOWLEDGED
        return _entered(gone, after, now_ms), "returned"
    if acknowledged:
        return _calm(gone, now_ms), "returned"
    return _entered(gone, Condition.RETURNED, now_ms), "returned"


def is_beyond(state: AlarmState) -> bool:
    """Whether the value is beyond its limit, delays counted, whatever the state says to a person."""
    if state.state in BUSY:
        return state.standing
    return state.state in (Condition.UNACKNOWLEDGED, Condition.ACKNOWLEDGED)


def newest_ms(state: AlarmState) -> int:
    """The newest time that the state knows of."""
    return max(state.since_ms, state.beyond_ms or 0, state.back_ms or 0)


ACKNOWLEDGED = {
    Condition.UNACKNOWLEDGED: Condition.ACKNOWLEDGED,
    Condition.RETURNED: Condition.NORMAL,
    Condition.LATCHED_UNACKNOWLEDGED: Condition.LATCHED,
}


def ask(state: AlarmState, kind: str, now_ms: int, until_ms: int | None = None) -> tuple[AlarmState, str]:
    """The state after what a person asks for, and the cause of the transition.

    kind is 'acknowledge', 'reset', 'shelve' (with until_ms), 'unshelve', 'out of service' or 'in service'.
    Raises ValueError, in words, for what the state does not allow.
    """
    before = Condition(state.state)
    if kind == "acknowledge":
        if before not in ACKNOWLEDGED:
            raise ValueError(f"{state.name} is {before}: there is nothing to acknowledge")
        after = ACKNOWLEDGED[before]
        calm = after is Condition.NORMAL
        return (_calm(state, now_ms) if calm else _entered(state, after, now_ms)), "acknowledged"
    if kind == "reset":
        if before is not Condition.LATCHED:
            first = ": acknowledge it first" if before is Condition.LATCHED_UNACKNOWLEDGED else ""
            raise ValueError(f"{state.name} is {before}, so it cannot be reset{first}")
        return _calm(state, now_ms), "reset"
    if kind == "shelve":
        return _shelved(state, before, now_ms, until_ms), "shelved"
    if kind == "out of service":
        if before is Condition.OUT_OF_SERVICE:
            raise ValueError(f"{state.name} is out of service already")
        return _set_aside(state, Condition.OUT_OF_SERVICE, now_ms), "out of service"
    if kind in ("unshelve", "in service"):
        needed = Condition.SHELVED if kind == "unshelve" else Condition.OUT_OF_SERVICE
        if before is not needed:
            raise ValueError(f"{state.name} is {before}, not {needed}")
        return _judged_again(state, now_ms), "unshelved" if kind == "unshelve" else "in service"
    raise ValueError(f"unknown request {kind!r}")


def _shelved(state: AlarmState, before: Condition, now_ms: int, until_ms: int | None) -> AlarmState:
    if before is Condition.OUT_OF_SERVICE:
        raise ValueError(f"{state.name} is out of service: put it in service before shelving it")
    if until_ms is None or not 0 < until_ms - now_ms <= LONGEST_SHELF_S * 1000:
        raise ValueError(f"shelving {state.name} needs a time of up to {LONGEST_SHELF_S / 3600:g} h")
    return replace(_set_aside(state, Condition.SHELVED, now_ms), shelved_until_ms=until_ms)


def suppress(state: AlarmState, now_ms: int, reason: str = "") -> Step:
    """The design says that nobody is to be told now (another alarm tells it, or the season is another)."""
    if state.state == Condition.SUPPRESSED:
        return replace(state, reason=reason), None
    if state.state in BUSY:
        return state, None
    return replace(_set_aside(state, Condition.SUPPRESSED, now_ms), reason=reason), "suppressed"


def unsuppress(state: AlarmState, now_ms: int) -> Step:
    """The design's reason has gone."""
    if state.state != Condition.SUPPRESSED:
        return state, None
    return _judged_again(state, now_ms), "unsuppressed"


def end_of_shelving(state: AlarmState, now_ms: int) -> Step:
    """A shelving ends by itself when its time has come."""
    if state.state != Condition.SHELVED or state.shelved_until_ms is None or now_ms < state.shelved_until_ms:
        return state, None
    return _judged_again(state, now_ms), "unshelved"


def set_back(state: AlarmState, now_ms: int) -> AlarmState:
    """The state as of now for a clock that was ahead and has been set back: no time of it lies ahead."""

    def at_most(time_ms: int | None) -> int | None:
        return None if time_ms is None else min(time_ms, now_ms)

    until_ms = state.shelved_until_ms
    if until_ms is not None:
        until_ms = min(until_ms, now_ms + max(0, until_ms - state.since_ms))
    return replace(
        state,
        since_ms=min(state.since_ms, now_ms),
        raised_ms=at_most(state.raised_ms),
        beyond_ms=at_most(state.beyond_ms),
        back_ms=at_most(state.back_ms),
        shelved_until_ms=until_ms,
    )


def moved(state: AlarmState, from_ms: int, by_ms: int) -> AlarmState:
    """The state for a clock that was off from from_ms on: what it has stamped since is later by by_ms, so
    that no delay is over sooner or later for it, and no shelving that was asked for since."""
    until_ms = state.shelved_until_ms
    if state.since_ms >= from_ms:
        until_ms = moved_ms(until_ms, from_ms, by_ms)
    return replace(
        state,
        since_ms=moved_ms(state.since_ms, from_ms, by_ms),
        raised_ms=moved_ms(state.raised_ms, from_ms, by_ms),
        beyond_ms=moved_ms(state.beyond_ms, from_ms, by_ms),
        back_ms=moved_ms(state.back_ms, from_ms, by_ms),
        shelved_until_ms=until_ms,
    )


def _entered(state: AlarmState, after: Condition, now_ms: int) -> AlarmState:
    return replace(state, state=after, since_ms=now_ms, reason="")


def _calm(state: AlarmState, now_ms: int) -> AlarmState:
    """Normal, with nothing left of what was."""
    calm = replace(
        state, text="", raised_ms=None, beyond_ms=None, back_ms=None, standing=False, first_out=False
    )
    return replace(_entered(calm, Condition.NORMAL, now_ms), shelved_until_ms=None)


def _set_aside(state: AlarmState, after: Condition, now_ms: int) -> AlarmState:
    """Shelved, suppressed or out of service: the value is followed all the same."""
    standing = is_beyond(state)
    aside = _entered(state if standing else _calm(state, now_ms), after, now_ms)
    return replace(aside, standing=standing, shelved_until_ms=None, beyond_ms=None, back_ms=None)


def _judged_again(state: AlarmState, now_ms: int) -> AlarmState:
    if not is_beyond(state):
        return _calm(state, now_ms)
    return replace(_entered(state, Condition.UNACKNOWLEDGED, now_ms), shelved_until_ms=None)
