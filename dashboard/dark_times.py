"""When nobody watched, in the days that a page shows: how long, why, and what the bank did meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from dashboard.days import Span
from dashboard.local import in_form
from dashboard.tags import Tag, html
from dashboard.words import clock_text, unbroken
from monitor.local_days import local_day
from monitor.power.dark_note import DARK_YET, told_last
from monitor.present import now_of
from monitor.records import Event
from monitor.site.model import Site
from monitor.store.base import StoreReader

MOST = 20
"""More than so many are not told by one page (our choice: who sees twenty looks for the wire)."""

MOST_EVENTS = 10_000


def take_dark_times(reader: StoreReader, site: Site, span: Span) -> list[str]:
    """The dark times that ended in the span's days, newest first. Raises StoreError."""
    zone = site.site.zone
    start_ms, end_ms = local_day(zone, span.first).start_ms, local_day(zone, span.last).end_ms
    now_ms = now_of(reader).time_ms
    found = told_last(reader.events(start_ms, end_ms, MOST_EVENTS))
    if any(event.kind == DARK_YET for event in found):  # the time may have put the other telling further on
        since = reader.events(start_ms, max(end_ms, now_ms + 1), MOST_EVENTS)
        found = [event for event in told_last(since) if event.time_ms < end_ms]
    return [_told(event, now_ms, zone) for event in found[:MOST]]


def _told(event: Event, now_ms: int, zone: ZoneInfo) -> str:
    return f"{clock_text(event.time_ms, now_ms, zone)}: {in_form(event.text)}"


def dark_times(told: Sequence[str]) -> list[Tag]:
    """A section of them; nothing where there were none."""
    if not told:
        return []
    return [html.Section([html.H2("When nobody watched"), *(html.P(unbroken(text)) for text in told)])]
