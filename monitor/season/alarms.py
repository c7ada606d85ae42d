"""What was raised in a season: each alarm with how often and for how long. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.records import HOUR_MS, Condition, Transition

BEYOND = (Condition.UNACKNOWLEDGED, Condition.ACKNOWLEDGED)
"""The states in which a value counts as beyond its limit: what was set aside by a person or by the design is
not counted on."""


@dataclass(frozen=True, slots=True)
class Raised:
    """An alarm: how often it was raised, the newest time, and for how long in all its value was beyond its
    limit; stands is whether it still was at the end."""

    name: str
    priority: str
    times: int
    last_ms: int
    hours: float
    stands: bool


def raised(transitions: Iterable[Transition], end_ms: int) -> list[Raised]:
    """The alarms that were raised, most often first, from their transitions in any order; what stands counts
    to end_ms. What was raised before the first of these transitions is not counted: nothing says when."""
    by_name: dict[str, list[Transition]] = {}
    for each in sorted(transitions, key=lambda each: each.time_ms):
        by_name.setdefault(each.alarm, []).append(each)
    found = [told for some in by_name.values() if (told := _raised(some, end_ms)) is not None]
    return sorted(found, key=lambda each: (-each.times, each.name))


def _raised(ordered: Iterable[Transition], end_ms: int) -> Raised | None:
    """One alarm's transitions in order of time; None where it was never raised."""
    newest: Transition | None = None
    begun_ms: int | None = None
    times, lasted_ms = 0, 0
    for each in ordered:
        if each.after == Condition.UNACKNOWLEDGED:
            newest, times = each, times + 1
            begun_ms = each.time_ms if begun_ms is None else begun_ms
        elif each.after not in BEYOND and begun_ms is not None:
            lasted_ms, begun_ms = lasted_ms + each.time_ms - begun_ms, None
    if newest is None:
        return None
    if begun_ms is not None:
        lasted_ms += max(0, end_ms - begun_ms)
    hours = lasted_ms / HOUR_MS
    return Raised(newest.alarm, newest.priority, times, newest.time_ms, hours, begun_ms is not None)
