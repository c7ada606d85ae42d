"""What a transition says to a person: one sentence with what, since when, how bad. Pure."""

from __future__ import annotations

from datetime import tzinfo

from monitor.alarms.engine import QUIET
from monitor.alarms.rule import Rule
from monitor.records import MINUTE_MS, AlarmState, Transition, to_datetime


def clock_words(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """'20:31' on the day of now, else '24 Nov 20:31'."""
    moment, now = to_datetime(time_ms).astimezone(zone), to_datetime(now_ms).astimezone(zone)
    if moment.date() == now.date():
        return f"{moment:%H:%M}"
    return f"{moment.day} {moment:%b %H:%M}"


def transition_text(
    rule: Rule, before: AlarmState, after: AlarmState, cause: str, now_ms: int, zone: tzinfo, reason: str = ""
) -> str:
    """The sentence of a transition, without its point. reason says why the design suppresses."""
    if cause == "raised" or (cause in ("unshelved", "unsuppressed", "in service") and after.stands):
        since = clock_words(after.raised_ms or now_ms, now_ms, zone)
        return f"{after.text or rule.name} (since {since})"
    if cause == "returned":
        value = "" if after.value is None else f" ({rule.shows(after.value)})"
        again = {"latched": "; it waits for a reset"}.get(after.state.partition(" ")[0], "")
        lasted = "" if before.raised_ms is None else f" after {span_words(now_ms - before.raised_ms)}"
        return f"{rule.name}: back to normal{value}{lasted}{again}"
    if cause == "shelved":
        until = clock_words(after.shelved_until_ms or now_ms, now_ms, zone)
        return f"{rule.name}: shelved until {until}"
    why = f" ({reason})" if reason else ""
    return f"{rule.name}: {cause}{why}"


def span_words(span_ms: float) -> str:
    """'40 s', '12 min', '5 h 10 min', '3 days'."""
    minutes = round(span_ms / MINUTE_MS)
    if minutes < 1:
        return f"{max(0.0, span_ms) / 1000:.0f} s"
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{hours // 24} days"


def is_told(transition: Transition) -> bool:
    """Whether a transition concerns a person: a quiet alarm that the design keeps quiet does not."""
    asked = transition.cause not in ("suppressed", "unsuppressed")
    return asked or transition.before not in QUIET or transition.after not in QUIET


def event_text(transition: Transition) -> str | None:
    """The event's sentence, None for what only the machine needs to know."""
    if not is_told(transition):
        return None
    by = f" by {transition.by}" if transition.by else ""
    lead = {"raised": "Raised. ", "returned": ""}.get(transition.cause, "")
    return f"{lead}{transition.text}{by}."
