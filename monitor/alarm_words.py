"""`nightbank alarms`' documents, and the same for a person with a lamp in the other hand. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import tzinfo
from typing import Any

from monitor.alarms.figures import (
    A_DAY_FOR_A_DESK,
    A_DAY_FOR_US,
    FLOOD_RAISES,
    PRIORITY_SHARES,
    Figures,
)
from monitor.alarms.rule import Rule
from monitor.alarms.standing import in_order, standing_text, standing_words
from monitor.alarms.telling import clock_words
from monitor.records import AlarmState, Condition, Heartbeat, Transition, iso_utc, to_datetime


def list_document(states: Sequence[AlarmState], rules: Sequence[Rule]) -> list[dict[str, Any]]:
    """One object an alarm, standing ones first; times in UTC, what is unknown null."""
    by_name = {rule.name: rule for rule in rules}
    return [_alarm(state, by_name[state.name]) for state in in_order(states) if state.name in by_name]


def _alarm(state: AlarmState, rule: Rule) -> dict[str, Any]:
    return {
        "name": state.name,
        "state": state.state,
        "stands": state.stands,
        "priority": state.priority,
        "since": iso_utc(state.since_ms),
        "raised": _iso(state.raised_ms),
        "shelved_until": _iso(state.shelved_until_ms),
        "first_out": state.first_out,
        "text": state.text,
        "reason": state.reason,
        "value": state.value,
        "quantity": rule.quantity,
        "condition": rule.beyond,
        "set_point": rule.set_point,
        "do_first": rule.do_first,
        "caution": rule.caution,
    }


def _iso(time_ms: int | None) -> str | None:
    return None if time_ms is None else iso_utc(time_ms)


def list_in_words(
    states: Sequence[AlarmState],
    rules: Sequence[Rule],
    beat: Heartbeat | None,
    now_ms: int,
    patience_ms: float,
    zone: tzinfo,
    *,
    is_untold: bool = False,
) -> str:
    """Standing alarms with what to do first, then those set aside, then how many are watched.

    patience_ms is how old the heartbeat of a daemon that runs may be; is_untold: it did not know the time.
    """
    by_name = {rule.name: rule for rule in rules}
    known = [state for state in in_order(states) if state.name in by_name]
    lines = [*unwatched("the alarms are", beat, now_ms, patience_ms, zone, is_untold=is_untold)]
    for state in known:
        if state.stands:
            lines += _standing(state, by_name[state.name], now_ms, zone)
    if not any(state.stands for state in known):
        lines.append("No alarm." if known else "No alarm has been judged yet.")
    for state in known:
        if state.shelved_until_ms is not None:
            lines.append(f"{state.name}: shelved until {clock_words(state.shelved_until_ms, now_ms, zone)}.")
        elif state.state == Condition.OUT_OF_SERVICE:
            lines.append(f"{state.name}: out of service since {clock_words(state.since_ms, now_ms, zone)}.")
    quiet = sum(state.state in (Condition.NORMAL, Condition.SUPPRESSED) for state in known)
    if quiet:
        lines.append(f"{quiet} watched and quiet.")
    return "\n".join(lines)


def unwatched(
    what: str, beat: Heartbeat | None, now_ms: int, patience_ms: float, zone: tzinfo, *, is_untold: bool
) -> list[str]:
    """The line on a monitor that does not run, or seems not to; none while it does. what is what is shown."""
    if beat is None:
        return ["The monitor has not been started yet: nobody is watching."]
    if beat.stopped_ms is not None:
        at = clock_words(beat.stopped_ms, now_ms, zone)
        return [f"The monitor was stopped at {at}: nobody is watching; {what} of then."]
    if now_ms - beat.time_ms > patience_ms and is_untold:
        return [
            "The monitor did not know the time when it was last heard of, and how long ago that was cannot be"
            f" told from here: nobody may be watching; {what} of then."
        ]
    if now_ms - beat.time_ms > patience_ms:
        at = clock_words(beat.time_ms, now_ms, zone)
        return [f"The monitor has been silent since {at}: nobody may be watching; {what} of then."]
    return []


def _standing(state: AlarmState, rule: Rule, now_ms: int, zone: tzinfo) -> list[str]:
    since = clock_words(state.raised_ms or state.since_ms, now_ms, zone)
    words = standing_words(state.state, since, first_out=state.first_out)
    lines = [
        f"ALARM, {state.priority} priority, {words}",
        f"  {standing_text(state.name, state.state, state.text)}.",
    ]
    if rule.do_first and not state.is_over:
        lines.append(f"  First: {rule.do_first}")
    if rule.caution and not state.is_over:
        lines.append(f"  Mind: {rule.caution}")
    return [*lines, ""]


def history_document(transitions: Sequence[Transition]) -> list[dict[str, Any]]:
    """One object a transition, newest first."""
    return [
        {
            "time": iso_utc(each.time_ms),
            "alarm": each.alarm,
            "before": each.before,
            "after": each.after,
            "cause": each.cause,
            "priority": each.priority,
            "text": each.text,
            "values": dict(each.values),
            "by": each.by,
        }
        for each in transitions
    ]


def history_in_words(transitions: Sequence[Transition], now_ms: int, zone: tzinfo) -> str:
    """One line a transition, newest first."""
    if not transitions:
        return "No alarm has changed its state in this time."
    lines = []
    for each in transitions:
        by = f", by {each.by}" if each.by else ""
        lines.append(f"{clock_words(each.time_ms, now_ms, zone):>12}  {each.cause:<14} {each.text}{by}")
    return "\n".join(lines)


def figures_document(found: Figures) -> dict[str, Any]:
    """All figures and the thresholds they are held against."""
    named = asdict(found)
    for key in ("start_ms", "end_ms"):
        named[key.removesuffix("_ms")] = iso_utc(named.pop(key))
    return named | {
        "thresholds": {
            "per_day": A_DAY_FOR_US,
            "per_day_at_a_desk": A_DAY_FOR_A_DESK,
            "peak": FLOOD_RAISES,
            "priority_shares": PRIORITY_SHARES,
        }
    }


def figures_in_words(found: Figures, zone: tzinfo) -> str:
    """The figures line by line, each beside what it should be."""
    moments = (to_datetime(time_ms).astimezone(zone) for time_ms in (found.start_ms, found.end_ms))
    begin, end = (f"{moment.day} {moment:%b %H:%M}" for moment in moments)
    shares = ", ".join(
        f"{name} {count} ({100 * count / found.raised:.0f} %)"
        for name, count in sorted(found.by_priority.items())
    )
    return "\n".join(
        [
            f"Alarms from {begin} to {end}:",
            f"  raised            {found.raised}, {found.per_day:.2f} a day (at most {A_DAY_FOR_US:g} is our"
            f" aim; the standard allows a desk {A_DAY_FOR_A_DESK})",
            f"  busiest day       {found.busiest_day}",
            f"  in 10 minutes     at most {found.peak} (more than {FLOOD_RAISES} are a flood; floods:"
            f" {found.floods})",
            f"  by priority       {shares or 'none'}",
            f"  most frequent     {_counted(found.frequent)}",
            f"  chattering        {_counted(found.chattering)}",
            f"  fleeting          {_counted(found.fleeting)}",
            f"  standing now      {', '.join(found.standing) or 'none'}",
            f"  stale (over 24 h) {', '.join(found.stale) or 'none'}",
        ]
    )


def _counted(counts: Any) -> str:
    most = sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:5]
    return ", ".join(f"{name} {count}" for name, count in most) or "none"
