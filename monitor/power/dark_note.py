"""The last dark time as the daemon keeps it, for whoever shows it. Pure."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from monitor.records import Event

DARK_NOTE = "dark"
"""Key of the store's note."""

DARK, DARK_YET = "dark", "dark-untimed"
"""Kinds of the event with the same sentences; the second where they are told again once the time is known."""

START = "start"
"""Kind of the event with which each run of the daemon begins."""


@dataclass(frozen=True, slots=True)
class DarkTime:
    """A time in which nobody watched: from the last commit before to the start after, None while the time
    is not known; text tells it, why, and what the bank did meanwhile."""

    from_ms: int
    to_ms: int | None
    text: str

    def note(self) -> str:
        """The text of the note."""
        return json.dumps(asdict(self), ensure_ascii=False)


def dark_of(note: str | None) -> DarkTime | None:
    """The dark time in its note; None without one, and for one that is spoilt."""
    try:
        kept = json.loads(note or "null")
        to_ms = kept["to_ms"]
        return DarkTime(int(kept["from_ms"]), None if to_ms is None else int(to_ms), str(kept["text"]))
    except (ValueError, KeyError, TypeError):
        return None


def told_last(events: Sequence[Event]) -> list[Event]:
    """The tellings of dark times among events that come newest first, in that order: one that came before the
    time was known only where none follows in the same run of the daemon."""
    found: list[Event] = []
    is_told = False
    for event in events:
        if event.kind == DARK or (event.kind == DARK_YET and not is_told):
            found.append(event)
        if event.kind in (DARK, START):
            is_told = event.kind == DARK
    return found
