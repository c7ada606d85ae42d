"""What people ask of alarms through the store, and what became of it in one sentence. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import tzinfo

from monitor.alarms.engine import ACKNOWLEDGED, ask
from monitor.alarms.telling import clock_words
from monitor.records import AlarmState, Request
from monitor.toml_lines import did_you_mean

KINDS = ("acknowledge", "shelve", "unshelve", "reset", "out of service", "in service")
"""Kinds of requests that are done here."""

ON_PAGE = ("acknowledge", "reset", "unshelve", "shelve")
"""Those of them that the page offers."""

SEEN = "seen_ms"
"""In a request's details: the moment that the person saw, where that lies before the request."""

ALL = "all"
"""The subject of an acknowledgement of everything that waits for one."""


def answer(
    request: Request, states: Mapping[str, AlarmState], now_ms: int, zone: tzinfo
) -> tuple[list[tuple[AlarmState, str]], str]:
    """The states after a request, each with the cause, and the outcome for the person.

    A request may be hours old where the daemon did not run, and a page minutes old when its button is
    pressed: what has come since nobody has seen, so it is not acknowledged. A shelving runs from when it was
    asked for.
    """
    asked_ms = min(request.time_ms, now_ms)
    seen = request.details.get(SEEN)
    seen_ms = min(asked_ms, seen) if isinstance(seen, int | float) else asked_ms
    if request.kind == "acknowledge" and request.subject.casefold() == ALL:
        done = [
            ask(state, "acknowledge", now_ms)
            for state in states.values()
            if state.state in ACKNOWLEDGED and not _came_later(state, seen_ms, now_ms)
        ]
        names = ", ".join(state.name for state, _ in done)
        return done, f"Acknowledged: {names}." if done else "There is nothing to acknowledge."
    named = {name.casefold(): state for name, state in states.items()}
    state = named.get(request.subject.casefold())
    if state is None:
        return [], unknown(request.subject, states)
    if request.kind == "acknowledge" and _came_later(state, seen_ms, now_ms):
        return [], f"{state.name} came after what you had seen, so it is not acknowledged; look at it first."
    for_s = request.details.get("for_s")
    until_ms = asked_ms + round(for_s * 1000) if isinstance(for_s, (int, float)) else None
    if until_ms is not None and until_ms <= now_ms:
        return [], f"{state.name} is not shelved: the time that you asked for is over."
    try:
        after, cause = ask(state, request.kind, now_ms, until_ms)
    except ValueError as error:
        return [], f"{error}."
    until = (
        ""
        if after.shelved_until_ms is None
        else f" until {clock_words(after.shelved_until_ms, now_ms, zone)}"
    )
    left = "" if cause == after.state else f"; it is now {after.state}"
    return [(after, cause)], f"{after.name}: {cause}{until}{left}."


def unknown(name: str, known: Iterable[str]) -> str:
    """What a person is told of an alarm that there is not, with the known one that was probably meant."""
    advice = did_you_mean(name, known)
    return f"There is no alarm {name!r}; {advice}{'' if advice[-1] == '?' else '.'}"


def open_to(state: AlarmState) -> tuple[str, ...]:
    """What of ON_PAGE can be asked of an alarm in its present state."""

    def allowed(kind: str) -> bool:
        try:
            ask(state, kind, 0, 1)
        except ValueError:
            return False
        return True

    return tuple(kind for kind in ON_PAGE if allowed(kind))


def _came_later(state: AlarmState, seen_ms: float, now_ms: int) -> bool:
    """Whether an alarm that waits came only after what the person saw who acknowledges it. A time ahead of
    the clock tells nothing: the clock was put back."""
    came_ms = state.since_ms if state.raised_ms is None or not state.is_over else state.raised_ms
    return state.state in ACKNOWLEDGED and seen_ms < came_ms <= now_ms
