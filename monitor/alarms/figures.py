"""How the alarms do, in the figures by which ISA-18.2 / IEC 62682 judge an alarm system. Pure.

The standard's own thresholds are from memory and are meant for an operator at a desk; for a person who sleeps
the target is ours and far lower.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from monitor.records import DAY_MS, MINUTE_MS, AlarmState, Condition, Transition, to_datetime

FLOOD_MS, FLOOD_RAISES = 600_000, 10
"""More than 10 alarms within 10 minutes are a flood (the standard's, from memory)."""

CHATTER_MS, CHATTER_RAISES = MINUTE_MS, 3
"""An alarm raised three times or more within a minute chatters (the standard's, from memory)."""

FLEETING_MS = MINUTE_MS
"""An alarm that returns within a minute is fleeting: nobody can have answered it (our choice; the standard
names no time)."""

STALE_MS = DAY_MS
"""An alarm that stands for more than a day is stale (the standard's, from memory)."""

A_DAY_FOR_A_DESK = 150
"""About so many alarms a day one operator can answer (the standard's, from memory)."""

A_DAY_FOR_US = 1.0
"""More than one alarm a day, and a person stops looking (our choice)."""

PRIORITY_SHARES = {"low": 0.80, "medium": 0.15, "high": 0.05}
"""How alarms are best shared among priorities; 'urgent' counts as high (the standard's, from memory)."""


@dataclass(frozen=True, slots=True)
class Figures:
    """What was raised in [start_ms, end_ms), and what stands at its end. What lies before anybody watched
    is left out, as long as a day remains.

    per_day is the mean, busiest_day the most in one local day, peak the most within 10 minutes. chattering,
    fleeting and frequent count by alarm; stale and standing name alarms.
    """

    start_ms: int
    end_ms: int
    raised: int
    per_day: float
    busiest_day: int
    peak: int
    floods: int
    chattering: Mapping[str, int]
    fleeting: Mapping[str, int]
    frequent: Mapping[str, int]
    by_priority: Mapping[str, int]
    standing: tuple[str, ...]
    stale: tuple[str, ...]


def figures(
    transitions: Iterable[Transition], states: Sequence[AlarmState], start_ms: int, end_ms: int, zone: tzinfo
) -> Figures:
    """The figures of a time, from its transitions in any order and the present states."""
    ordered = sorted(
        (each for each in transitions if start_ms <= each.time_ms < end_ms), key=lambda each: each.time_ms
    )
    start_ms = max(start_ms, min(_watched_ms(ordered, states, start_ms), end_ms - DAY_MS))
    raises = [each for each in ordered if each.after == Condition.UNACKNOWLEDGED]
    times = [each.time_ms for each in raises]
    by_day = Counter(to_datetime(time_ms).astimezone(zone).date() for time_ms in times)
    days = max((end_ms - start_ms) / DAY_MS, 1e-9)
    standing = [state for state in states if state.stands]
    return Figures(
        start_ms,
        end_ms,
        raised=len(raises),
        per_day=len(raises) / days,
        busiest_day=max(by_day.values(), default=0),
        peak=most_within(times, FLOOD_MS),
        floods=_floods(times),
        chattering=_chattering(raises),
        fleeting=_counts(name for name, lasted_ms in _lasted(ordered) if lasted_ms <= FLEETING_MS),
        frequent=_counts(each.alarm for each in raises),
        by_priority=_counts(each.priority for each in raises),
        standing=tuple(state.name for state in standing),
        stale=tuple(
            state.name
            for state in standing
            if state.raised_ms is not None and end_ms - state.raised_ms > STALE_MS
        ),
    )


def _watched_ms(ordered: Sequence[Transition], states: Sequence[AlarmState], start_ms: int) -> int:
    """Since when alarms have been judged, as far as their states and transitions tell."""
    since = [state.since_ms for state in states]
    return min([*since, *(each.time_ms for each in ordered[:1])]) if since else start_ms


def most_within(times: Sequence[int], span_ms: int) -> int:
    """The most of the times, in order, within any span of that length."""
    most, first = 0, 0
    for last, time_ms in enumerate(times):
        while time_ms - times[first] >= span_ms:
            first += 1
        most = max(most, last - first + 1)
    return most


def _floods(times: Sequence[int]) -> int:
    """How often more than FLOOD_RAISES came within FLOOD_MS; a flood ends with a pause of that length."""
    count, until_ms, first = 0, None, 0
    for last, time_ms in enumerate(times):
        while time_ms - times[first] >= FLOOD_MS:
            first += 1
        if last - first + 1 > FLOOD_RAISES:
            count += until_ms is None or time_ms >= until_ms
            until_ms = time_ms + FLOOD_MS
    return count


def _chattering(raises: Sequence[Transition]) -> dict[str, int]:
    """The most raises within a minute of each alarm that chatters."""
    times: dict[str, list[int]] = {}
    for each in raises:
        times.setdefault(each.alarm, []).append(each.time_ms)
    most = {name: most_within(of_one, CHATTER_MS) for name, of_one in times.items()}
    return {name: count for name, count in most.items() if count >= CHATTER_RAISES}


def _counts(names: Iterable[str]) -> dict[str, int]:
    return dict(Counter(names))


def _lasted(ordered: Sequence[Transition]) -> list[tuple[str, int]]:
    """Alarm and length of each raise that has returned."""
    raised: dict[str, int] = {}
    lasted = []
    for each in ordered:
        if each.after == Condition.UNACKNOWLEDGED:
            raised[each.alarm] = each.time_ms
        elif each.cause == "returned" and each.alarm in raised:
            lasted.append((each.alarm, each.time_ms - raised.pop(each.alarm)))
    return lasted
