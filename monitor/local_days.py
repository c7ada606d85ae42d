"""The local calendar: a site's time zone, its days in UTC milliseconds, the day of a moment. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.errors import StoreError

PIECE_DAYS = 31
"""The days of a long span are gone through so many at a time: a page has little memory, and what a year of
all quantities takes for a moment stays with the process (our choice; a year is 3 MB)."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def zone_of(name: str) -> ZoneInfo:
    """The time zone of an IANA name. Raises StoreError where it is unknown."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise StoreError(
            f"time zone '{name}' is unknown; write it like 'Europe/London' ([site] time_zone)"
        ) from error


@dataclass(frozen=True, slots=True)
class LocalDay:
    """One local day: its date and the UTC ms at which it starts and ends (23 or 25 h at a clock change)."""

    day: date
    start_ms: int
    end_ms: int


@lru_cache(maxsize=4096)
def local_day(zone: ZoneInfo, day: date) -> LocalDay:
    """The span of a date in a zone. Where midnight does not exist the day starts as the clocks jump."""
    return LocalDay(day, _midnight_ms(zone, day), _midnight_ms(zone, day + timedelta(days=1)))


def day_at(zone: ZoneInfo, time_ms: int) -> LocalDay:
    """The local day in which a moment lies."""
    return local_day(zone, (_EPOCH + timedelta(milliseconds=time_ms)).astimezone(zone).date())


def dates(first: date, last: date) -> list[date]:
    """The dates from the first to the last, both with them; none where the last comes before."""
    return [first + timedelta(days=at) for at in range((last - first).days + 1)]


def pieces_of(first: date, last: date) -> Iterator[tuple[date, date]]:
    """The days first..last as spans of PIECE_DAYS days, the last one shorter."""
    while first <= last:
        yield first, min(last, first + timedelta(days=PIECE_DAYS - 1))
        first += timedelta(days=PIECE_DAYS)


def _midnight_ms(zone: ZoneInfo, day: date) -> int:
    return round(datetime.combine(day, time(), tzinfo=zone).timestamp() * 1000)
