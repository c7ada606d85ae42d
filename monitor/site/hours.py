"""Hours of the day as a person writes them, "22:00-07:00", and where a moment falls. Pure.

The hours are local wall time, so on the two days a year when the clocks change a span is an hour longer or
shorter, as it is for the person.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from monitor.records import to_datetime, to_ms

_SPAN = re.compile(r"\s*(\d{1,2}):(\d{2})\s*(?:-|–|to)\s*(\d{1,2}):(\d{2})\s*")
_TIME = re.compile(r"\s*(\d{1,2}):(\d{2})\s*")


@dataclass(frozen=True, slots=True)
class Hours:
    """A span of each day from begin (included) to end; it goes over midnight where end comes before begin."""

    begin: time
    end: time

    def hold(self, time_ms: int, zone: tzinfo) -> bool:
        """Whether a moment falls into the hours."""
        local = to_datetime(time_ms).astimezone(zone).time()
        if self.begin < self.end:
            return self.begin <= local < self.end
        return local >= self.begin or local < self.end

    def end_ms(self, time_ms: int, zone: tzinfo) -> int:
        """When the hours end next after a moment."""
        return next_ms(self.end, time_ms, zone)


def next_ms(at: time, after_ms: int, zone: tzinfo) -> int:
    """The first moment after a given one at which the local clock shows `at`."""
    day = to_datetime(after_ms).astimezone(zone).date()
    found = at_ms(day, at, zone)
    return found if found > after_ms else at_ms(day + timedelta(days=1), at, zone)


def at_ms(day: date, at: time, zone: tzinfo) -> int:
    """UTC ms at which the local clock shows a time on a day (of an hour shown twice, the first)."""
    return to_ms(datetime.combine(day, at, tzinfo=zone))


def parse_hours(text: str) -> Hours:
    """Hours from "22:00-07:00". Raises ValueError with what to write."""
    match = _SPAN.fullmatch(text)
    if match is None:
        raise ValueError(f'{text!r} are no hours; write them like "22:00-07:00"')
    try:
        begin, end = time(int(match[1]), int(match[2])), time(int(match[3]), int(match[4]))
    except ValueError:
        raise ValueError(f"{text!r} names a time that no clock shows; hours go from 00:00 to 23:59") from None
    if begin == end:
        raise ValueError(f"{text!r} begins when it ends; leave the key out where no hours are meant")
    return Hours(begin, end)


def parse_time(text: str) -> time:
    """A time of the day from "18:30". Raises ValueError with what to write."""
    match = _TIME.fullmatch(text)
    try:
        return time(int(match[1]), int(match[2])) if match else _no_time(text)
    except ValueError:
        return _no_time(text)


def _no_time(text: str) -> time:
    raise ValueError(f'{text!r} is no time of the day; write it like "18:30"')
