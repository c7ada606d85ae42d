"""The documents of `nightbank days`: what each day brought, from the store alone.

It reads rows, day statistics and events, has `monitor.sun` judge them, and keeps nothing. Unknown is None
here and told as unknown in `sun_words`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from monitor.bank.description import describe_site
from monitor.bank.stage import StageTracker
from monitor.errors import SunError
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.days import day_at, local_day, zone_of
from monitor.sun.day import Day
from monitor.sun.expected import clear_days, supply_of, widened
from monitor.sun.gather import BY_MINUTE_S, GATHERED, gather

WARM_UP_DAYS = 2
"""Days before the first one that only teach the stage tracker where set points are held (our choice)."""


@dataclass(frozen=True, slots=True)
class Past:
    """The days of a history, and of each whether its readings show that the bank got full."""

    days: list[Day]
    full: list[bool]


def history(site: Site, reader: StoreReader, first: date, last: date) -> list[Day]:
    """The local days first..last with a clear sky's steps and the store's; site has its set points filled in.

    A day without readings has steps without values. Raises SunError where the site has no array or a clear
    sky cannot be worked out.
    """
    return past(site, reader, first, last).days


def past(site: Site, reader: StoreReader, first: date, last: date) -> Past:
    """`history` with the signs of a full bank."""
    supply, zone = supply_of(site), zone_of(site.site.time_zone)
    count = (last - first).days + 1
    spans = [local_day(zone, first + timedelta(days=at)) for at in range(count)]
    clear = clear_days(supply, [span.day for span in spans], reader)
    start_ms = local_day(zone, first - timedelta(days=WARM_UP_DAYS)).start_ms
    rows = reader.rows(GATHERED, start_ms, spans[-1].end_ms, BY_MINUTE_S)
    tracker = StageTracker(describe_site(site))
    found = list(gather(rows, spans, tracker, supply.controller or "mppt"))
    days = [
        Day(
            each.span.day,
            each.span.start_ms,
            each.span.end_ms,
            each.step_s,
            widened(clear[each.span.day], each.step_s),
            each.steps,
        )
        for each in found
    ]
    return Past(days, [each.full for each in found])


def stored_days(site: Site, reader: StoreReader) -> tuple[date, date]:
    """The first and the last local day of the store. Raises SunError where it is empty."""
    span = reader.span()
    if span is None:
        raise SunError(
            "the store has no reading yet; let `nightbank monitor` run for a day, or bring a log in with"
            " `nightbank import`"
        )
    zone = zone_of(site.site.time_zone)
    return day_at(zone, span[0]).day, day_at(zone, span[1]).day
