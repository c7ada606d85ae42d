"""When the sun sets and rises at the site, so that the page knows whether it is night there and until when.

From the newest outlook's document, else from the day's table of the sun; None without both. Pure but for
`take_turns`, which asks the store.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

from monitor.present import Now
from monitor.records import DAY_MS, parse_iso, to_datetime
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.sun.expected import note_key
from monitor.sun.table import unpacked

FAR_MS = 3 * DAY_MS
"""An outlook's sunset tells that of other days so near it, at most a quarter of an hour off in the far north
(our choice); an older outlook is not asked."""

TOLD = 4
"""So many turns ahead a page is told: it may lie open for two days without hearing anything (our choice)."""

Event = tuple[int, bool]
"""UTC ms of a sunset (True: night begins) or of a sunrise (False)."""


@dataclass(frozen=True, slots=True)
class Turns:
    """Whether it is night at the site, and in how many ms of real time it turns, again and again."""

    night: bool
    ahead_ms: tuple[int, ...]

    def text(self) -> str:
        """For the page's script: '1 3600000 50400000' is a night that ends in an hour."""
        return " ".join(map(str, (int(self.night), *self.ahead_ms)))


def take_turns(reader: StoreReader, site: Site, outlook: Mapping[str, Any] | None, now: Now) -> Turns | None:
    """What the store knows of sunset and sunrise around now. Raises StoreError."""
    events = of_outlook(outlook, now.time_ms)
    if not events:
        today = to_datetime(now.time_ms).astimezone(site.site.zone).date()
        text = reader.note(note_key(today))
        events = () if text is None else of_table(text)
    return turns_of(events, now)


def of_outlook(document: Mapping[str, Any] | None, now_ms: int) -> Sequence[Event]:
    """The sunset and the sunrise that an outlook names; none where it lacks one or is too old."""
    sunset, sunrise = (None if document is None else document.get(name) for name in ("sunset", "sunrise"))
    if sunset is None or sunrise is None:
        return ()
    events = ((parse_iso(sunset), True), (parse_iso(sunrise), False))
    return events if all(abs(at_ms - now_ms) <= FAR_MS for at_ms, _ in events) else ()


@lru_cache(maxsize=2)
def of_table(text: str) -> Sequence[Event]:
    """When the sun crosses the horizon in a day's table; none where it does not, or where that is damaged."""
    try:
        steps = unpacked(text).steps
    except ValueError:
        return ()
    return tuple(
        (step.start_ms, step.elevation_deg <= 0)
        for before, step in pairwise(steps)
        if (before.elevation_deg > 0) is not (step.elevation_deg > 0)
    )


def turns_of(events: Iterable[Event], now: Now) -> Turns | None:
    """Whether the newest event before now began a night, and the turns to come; None without events.

    Each event is taken to come every day at the same time.
    """
    around = sorted(
        (at_ms + (days + shift) * DAY_MS, night)
        for at_ms, night in events
        for days in (math.floor((now.time_ms - at_ms) / DAY_MS),)
        for shift in (0, 1, 2)
    )
    before = [night for at_ms, night in around if at_ms <= now.time_ms]
    ahead = [at_ms for at_ms, _ in around if at_ms > now.time_ms]
    if not before:
        return None
    return Turns(before[-1], tuple(round((at_ms - now.time_ms) / now.speed) for at_ms in ahead[:TOLD]))
