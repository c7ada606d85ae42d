"""How alarms that stand are read: in which order, and how each is told. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.records import OVER, AlarmState, Condition
from monitor.site.channel_tables import PRIORITIES

WORST_FIRST: tuple[str, ...] = tuple(reversed(PRIORITIES))
"""Priorities, first the one to be told first."""

STANDING_WORDS = {
    Condition.UNACKNOWLEDGED: "active since {since}",
    Condition.ACKNOWLEDGED: "active since {since}, acknowledged",
    Condition.RETURNED: "back to normal, raised at {since} and not acknowledged yet",
    Condition.LATCHED_UNACKNOWLEDGED: "back to normal, raised at {since}, to be acknowledged and reset",
    Condition.LATCHED: "back to normal, raised at {since}, to be reset",
}
"""How a standing alarm is told to a person."""


def standing_words(state: str, since: str, *, first_out: bool) -> str:
    """How a standing alarm stands: 'active since 20:31, first of several'."""
    words = STANDING_WORDS[Condition(state)].format(since=since)
    return f"{words}, first of several" if first_out else words


def standing_text(name: str, state: str, text: str) -> str:
    """What a standing alarm says, without its point; what it said, where its value is back to normal."""
    if state not in OVER:
        return text or name
    said = text.removeprefix(f"{name}:").strip()
    return f"{name} is over; it said: {said}" if said else f"{name} is over"


def in_order(states: Iterable[AlarmState]) -> list[AlarmState]:
    """Alarm states as a person reads them: standing ones first, by priority, then the older first."""
    rank = {priority: place for place, priority in enumerate(WORST_FIRST)}

    def place(state: AlarmState) -> tuple[bool, int, int, str]:
        last = len(rank)  # of a priority that a newer version knows
        return not state.stands, rank.get(state.priority, last), state.raised_ms or state.since_ms, state.name

    return sorted(states, key=place)
