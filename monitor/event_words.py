"""`nightbank events`' documents, and the same for a person. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any

from monitor.alarms.telling import clock_words
from monitor.records import Event, iso_utc


def events_document(events: Sequence[Event]) -> list[dict[str, Any]]:
    """One object an event, newest first."""
    return [
        {"time": iso_utc(each.time_ms), "kind": each.kind, "subject": each.subject, "text": each.text}
        for each in events
    ]


def events_in_words(events: Sequence[Event], now_ms: int, zone: tzinfo) -> str:
    """One line an event, newest first."""
    width = max(len(each.kind) for each in events)
    return "\n".join(
        f"{clock_words(each.time_ms, now_ms, zone):>12}  {each.kind:<{width}}  {_sentence(each)}"
        for each in events
    )


def none_in_words(kinds: Sequence[str], kind: str | None) -> str:
    """That nothing is there to tell: in this time at all, or of the kind that was asked for."""
    if not kinds:
        return "Nothing has happened in this time."
    return f"Nothing of the kind '{kind}' has happened in this time; there is: {', '.join(kinds)}."


def _sentence(event: Event) -> str:
    """The text, behind what it is about where it does not name that itself."""
    names_it = event.text.startswith(event.subject) or f" {event.subject}: " in event.text
    return event.text if names_it else f"{event.subject}: {event.text}"
