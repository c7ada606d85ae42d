"""The days of a period: a row each from the weather book or, where it has no entry yet, from the day's sums.

Long periods go by weeks. Pure but for `take_days`, which asks the store.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from typing import Any

from dashboard.local import day_text
from dashboard.words import number, percent
from monitor.bank.charge_words import WIDE_SD, charge_band
from monitor.bank.ledger import day_ledger, deepest
from monitor.day_book import entries
from monitor.records import DayStat
from monitor.site.model import Site
from monitor.store.base import StoreReader

PERIODS = {7: "a week", 14: "a fortnight", 30: "a month", 91: "three months", 365: "a year"}
"""Lengths a person may choose, in days."""

USUAL_DAYS = 14
BY_WEEK_FROM = 60
"""A longer period than this many days goes by weeks: a phone has no room for more bars (our choice)."""

SKY_WORDS = {
    "clear": "clear",
    "broken": "broken cloud",
    "overcast": "overcast",
    "dark": "dark, rain",
    "snow": "snow on the array",
    "none": "not known",
}
"""Kinds of day, as in `monitor.sun.sky`."""


@dataclass(frozen=True, slots=True)
class DayRow:
    """One day, or one week from its first day on; None is unknown.

    sky is a key of SKY_WORDS ('none' also where the day has not been judged yet), of a week the most
    frequent one; days counts those with readings, full_days those with a full bank, None where not known.
    soc_sd is the charge's mean standard deviation on the day of its lowest.
    """

    first: date
    days: int
    sky: str
    harvest_Wh: float | None
    clear_sky_Wh: float | None
    unused_Wh: float | None
    used_Wh: float | None
    voltage_min_V: float | None
    soc_min: float | None
    full_days: int | None
    soc_sd: float | None = None

    @property
    def soc_band(self) -> tuple[float, float] | None:
        """Between what the lowest charge lies 19 times in 20, None where not known."""
        known = self.soc_min is not None and self.soc_sd is not None
        return charge_band(self.soc_min or 0.0, self.soc_sd or 0.0) if known else None

    @property
    def is_rough(self) -> bool:
        """Whether one figure for the lowest charge would claim too much, as on 'Tonight'."""
        return self.soc_sd is not None and self.soc_sd > WIDE_SD


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
) -> list[tuple[DayRow, Mapping[str, Any] | None]]:
    """Each of the span's days, with its entry where it has one. Raises StoreError."""
    judged = entries(reader, span.first, span.last)
    stats = {day: list(some) for day, some in groupby(reader.days(span.first, span.last), lambda s: s.day)}
    days = [span.first + timedelta(days=at) for at in range(span.days)]
    level = site.metering.level
    return [(day_row(day, judged.get(day), stats.get(day, []), level), judged.get(day)) for day in days]


def day_row(day: date, entry: Mapping[str, Any] | None, stats: Sequence[DayStat], level: str) -> DayRow:
    """A day from its entry; without one from its sums, of which the sky is not known."""
    lowest = deepest(stats)
    soc_min = lowest[0] if lowest else None
    soc_sd = next((stat.mean for stat in stats if stat.quantity == "state_of_charge_sd"), None)
    if entry is not None:
        full = entry["full"]
        return DayRow(
            day,
            0 if entry["battery_voltage_min_V"] is None and entry["harvest_Wh"] is None else 1,
            entry["sky"],
            entry["harvest_Wh"],
            entry["clear_sky_Wh"],
            entry["unused_Wh"],
            entry["used_Wh"],
            entry["battery_voltage_min_V"],
            entry.get("lowest_soc", soc_min),
            None if full is None else int(full),
            soc_sd,
        )
    if not stats:
        return DayRow(day, 0, "none", None, None, None, None, None, None, None)
    ledger = day_ledger(stats, level)
    harvest_Wh = ledger.harvest_Wh if ledger.harvest_Wh is not None else ledger.charge_Wh
    return DayRow(
        day, 1, "none", harvest_Wh, None, None, ledger.used_Wh, ledger.voltage_min_V, soc_min, None, soc_sd
    )


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
    )


def lowest_of(rows: Iterable[DayRow]) -> DayRow | None:
    """The row with the lowest charge, None where no charge is known."""
    known = [row for row in rows if row.soc_min is not None]
    return min(known, key=lambda row: row.soc_min or 0.0, default=None)


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
    both = [row for row in read if row.harvest_Wh is not None and row.clear_sky_Wh]
    if came is not None:
        text = f"The array gave {energy(came)}"
        if both:
            share = sum(row.harvest_Wh or 0 for row in both) / sum(row.clear_sky_Wh or 0 for row in both)
            text += f", {percent(share)} of what a clear sky would have given"
            unused = _sum(row.unused_Wh for row in both)
            if unused is not None and unused >= 0.02 * came:
                text += f"; about {energy(unused)} more was there and the full bank did not take it"
        parts.append(text + ".")
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
        parts.append(f"Its lowest charge was {lowest_text(lowest)}, {which} {when}.")
    return parts or ["In these days there is nothing to add up."]


def _each(rows: Sequence[DayRow]) -> str:
    return "weeks" if any(row.days > 1 for row in rows) else "days"


def energy(value_Wh: float) -> str:
    """An energy as a person reads it: '840 Wh', '8.2 kWh'."""
    return f"{number(value_Wh, 0)} Wh" if abs(value_Wh) < 1000 else f"{number(value_Wh / 1000, 1)} kWh"


def _sum(values: Any) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def _least(values: Any) -> float | None:
    return min((value for value in values if value is not None), default=None)
