"""The days of a period, a row each (`monitor.day_rows`), and what they say together.

Long periods go by weeks. Pure but for `take_days` and `take_each_day`, which ask the store.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from typing import Any, TypeVar

from dashboard.local import day_text
from dashboard.words import number, percent
from monitor.day_rows import DayRow, beside_clear, each_day, lowest_of
from monitor.site.model import Site
from monitor.store.base import StoreReader

PERIODS = {7: "a week", 14: "a fortnight", 30: "a month", 91: "three months", 365: "a year"}
"""Lengths a person may choose, in days."""

USUAL_DAYS = 14
BY_WEEK_FROM = 60
"""A longer period than this many days goes by weeks: a phone has no room for more bars (our choice)."""


Number = TypeVar("Number", int, float)


@dataclass(frozen=True, slots=True)
class Span:
    """The days of a page: first to last, both included."""

    first: date
    last: date

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1

    @property
    def by_week(self) -> bool:
        return self.days >= BY_WEEK_FROM

    def end_of(self, row: DayRow) -> date:
        """The day after a row's last one."""
        if not self.by_week:
            return row.first + timedelta(days=1)
        return min(row.first + timedelta(days=7 - row.first.weekday()), self.last + timedelta(days=1))

    def beside(self, ahead: int) -> Span:
        """The span of the same length just before (-1) or after (1)."""
        shift = timedelta(days=ahead * self.days)
        return Span(self.first + shift, self.last + shift)

    def of_length(self, days: int) -> Span:
        """The span of another length with the same last day."""
        return Span(self.last - timedelta(days=days - 1), self.last)


def asked_span(query: Mapping[str, str], today: date) -> Span:
    """The span an address names ('?to=2026-11-25&days=14'); the usual for what it leaves out or garbles."""
    try:
        last = date.fromisoformat(query.get("to", ""))
    except ValueError:
        last = today
    given = query.get("days", "")
    days = next((length for length in PERIODS if str(length) == given), USUAL_DAYS)
    last = min(max(last, date(2000, 1, 1)), today)
    return Span(last, last).of_length(days)


def take_days(reader: StoreReader, site: Site, span: Span) -> tuple[DayRow, ...]:
    """The span's days, or its weeks where it is long. Raises StoreError."""
    rows = [row for row, _ in take_each_day(reader, site, span)]
    return weekly(rows) if span.by_week else tuple(rows)


def take_each_day(
    reader: StoreReader, site: Site, span: Span
) -> Iterator[tuple[DayRow, Mapping[str, Any] | None]]:
    """Each of the span's days, with its entry where it has one. Raises StoreError."""
    return each_day(reader, site.metering.level, span.first, span.last)


def weekly(rows: Sequence[DayRow]) -> tuple[DayRow, ...]:
    """Days in order as their weeks."""
    return tuple(week_row(list(week)) for _, week in groupby(rows, lambda row: row.first.isocalendar()[:2]))


def week_row(rows: Sequence[DayRow]) -> DayRow:
    """Days taken together: sums of what is known, the lowest of the lowest."""
    skies = Counter(row.sky for row in rows if row.sky != "none")
    lowest = lowest_of(rows)
    return DayRow(
        rows[0].first,
        sum(row.days for row in rows),
        skies.most_common(1)[0][0] if skies else "none",
        _sum(row.harvest_Wh for row in rows),
        _sum(row.clear_sky_Wh for row in rows),
        _sum(row.unused_Wh for row in rows),
        _sum(row.used_Wh for row in rows),
        _least(row.voltage_min_V for row in rows),
        None if lowest is None else lowest.soc_min,
        _sum(row.full_days for row in rows),
        None if lowest is None else lowest.soc_sd,
        beside_clear(rows),
    )


def lowest_text(row: DayRow) -> str:
    """The lowest charge of a row on which it is known: '41 %', or the band where that is wide."""
    if row.is_rough and row.soc_band is not None:
        low, high = row.soc_band
        return f"somewhere between {number(100 * low, 0)} and {percent(high)}"
    return percent(row.soc_min or 0.0)


def sentences(rows: Sequence[DayRow]) -> list[str]:
    """What the days say together, in at least one sentence; only what is known."""
    read = [row for row in rows if row.days]
    if not read:
        return ["Nothing was read in these days."]
    parts = []
    came = _sum(row.harvest_Wh for row in read)
    if came is not None:
        text, by = f"The array gave {energy(came)}", []
        beside = beside_clear(read)
        if beside is not None:
            text += f", {percent(beside.share)} of what a clear sky would have given"
            whole = sum(row.days for row in read)
            if beside.days < whole:
                by = [f"The share is of {beside.days} of {whole} days, those of which both are known."]
            unused = _sum(row.unused_Wh for row in read)
            if unused is not None and unused >= 0.02 * came:
                text += f"; about {energy(unused)} more was there and the full bank did not take it"
        parts += [f"{text}.", *by]
    used = _sum(row.used_Wh for row in read)
    if used is not None:
        on = sum(row.used_Wh is not None for row in read)
        part = "" if on == len(read) else f", as far as it is known: on {on} of {len(read)} {_each(read)}"
        parts.append(f"The loads took {energy(used)}{part}.")
    full = _sum(row.full_days for row in read)
    if full is not None:
        known = sum(row.days for row in read if row.full_days is not None)
        parts.append(f"The bank got full on {full} of {known} {'day' if known == 1 else 'days'}.")
    lowest = lowest_of(read)
    if lowest is not None:
        when = day_text(lowest.first, weekday=True)
        which = "in the week of" if any(row.days > 1 for row in rows) else "on"
        whose = "The bank's" if full is None else "Its"
        parts.append(f"{whose} lowest charge was {lowest_text(lowest)}, {which} {when}.")
    return parts or ["In these days there is nothing to add up."]


def _each(rows: Sequence[DayRow]) -> str:
    return "weeks" if any(row.days > 1 for row in rows) else "days"


def energy(value_Wh: float) -> str:
    """An energy as a person reads it: '840 Wh', '8.2 kWh'."""
    return f"{number(value_Wh, 0)} Wh" if abs(value_Wh) < 1000 else f"{number(value_Wh / 1000, 1)} kWh"


def _sum(values: Iterable[Number | None]) -> Number | None:
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def _least(values: Iterable[float | None]) -> float | None:
    return min((value for value in values if value is not None), default=None)
