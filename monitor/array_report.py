"""What is wrong with the array in some days, from the store alone: for `nightbank array` and for the care."""

from __future__ import annotations

from datetime import date, timedelta

from monitor.local_days import local_day
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.sun.expected import supply_of
from monitor.sun.findings import Finding, Looked, find_all, looked_at
from monitor.sun.taken import seen
from monitor.sun_report import history, stored_days

LOOK_BACK_DAYS = 120
"""So many days are told where none are asked for: a season of dirt or of a tree's leaves (our choice)."""

LEARN_DAYS = 60
"""So many days before the first one only teach what the array gives (our choice)."""


def found_in(site: Site, reader: StoreReader, first: date, last: date) -> tuple[list[Finding], Looked]:
    """The findings that touch the local days first..last, and how much there was to judge by.

    site has its set points filled in. Raises SunError where it has no array or the store is empty.
    """
    learn_day = max(stored_days(site, reader)[0], first - timedelta(LEARN_DAYS))
    days, supply = history(site, reader, learn_day, last), supply_of(site)
    shown, zone = seen(days, supply), site.site.zone
    start_ms, end_ms = local_day(zone, first).start_ms, local_day(zone, last).end_ms
    found = [each for each in find_all(days, shown, supply) if each.overlaps(start_ms, end_ms)]
    return found, looked_at(days, shown, supply)


def found_lately(site: Site, reader: StoreReader) -> list[Finding]:
    """The findings of the last days of the store. Raises SunError as `found_in`."""
    first, last = stored_days(site, reader)
    return found_in(site, reader, max(first, last - timedelta(LOOK_BACK_DAYS - 1)), last)[0]
