"""The last dark time as the daemon keeps it, for whoever shows it. Pure."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass

DARK_NOTE = "dark"
"""Key of the store's note."""

DARK = "dark"
"""Kind of the event with the same sentences."""


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
