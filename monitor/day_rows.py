"""A day as one row: from its entry in the weather book or, where it has none yet, from the day's sums.

Pages and the season's report go by the same rows. Unknown is None.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from monitor.bank.charge_words import WIDE_SD, charge_band
from monitor.bank.ledger import by_day, day_ledger, deepest
from monitor.day_book import entries
from monitor.local_days import dates, pieces_of
from monitor.records import DayStat
from monitor.store.base import StoreReader

SKY_WORDS = {
    "clear": "clear",
    "broken": "broken cloud",
    "overcast": "overcast",
    "dark": "dark, rain",
    "snow": "snow on the array",
    "none": "not known",
}
"""Kinds of day, as in `monitor.sun.sky`, for a person."""


@dataclass(frozen=True, slots=True)
class Beside:
    """What came [Wh] beside what a clear sky would have given, over the days that know both."""

    came_Wh: float
    clear_Wh: float
    days: int

    @property
    def share(self) -> float:
        return self.came_Wh / self.clear_Wh


@dataclass(frozen=True, slots=True)
class DayRow:
    """One day, or one week from its first day on; None is unknown.

    sky is a kind of day as in `monitor.sun.sky` ('none' also where the day has not been judged yet), of a
    week the most frequent one; days counts those with readings, full_days those with a full bank, None where
    not known. soc_sd is the charge's mean standard deviation on the day of its lowest. of_week is what those
    days of a week say that know both harvest and clear sky: its two sums are each over other days.
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
    of_week: Beside | None = None

    @property
    def soc_band(self) -> tuple[float, float] | None:
        """Between what the lowest charge lies 19 times in 20, None where not known."""
        known = self.soc_min is not None and self.soc_sd is not None
        return charge_band(self.soc_min or 0.0, self.soc_sd or 0.0) if known else None

    @property
    def is_rough(self) -> bool:
        """Whether one figure for the lowest charge would claim too much, as on 'Tonight'."""
        return self.soc_sd is not None and self.soc_sd > WIDE_SD


def each_day(
    reader: StoreReader, level: str, first: date, last: date, read: Sequence[DayStat] | None = None
) -> Iterator[tuple[DayRow, Mapping[str, Any] | None]]:
    """Each of the local days first..last, with its entry where it has one. Raises StoreError.

    read are the days' statistics in order, where somebody has asked the store for them already; else they are
    read some weeks at a time.
    """
    if read is None:
        for begin, end in pieces_of(first, last):
            yield from each_day(reader, level, begin, end, reader.days(begin, end))
        return
    stats, judged = by_day(read), entries(reader, first, last)
    coming = next(judged, None)
    for day in dates(first, last):
        entry = None
        if coming is not None and coming[0] == day:
            entry, coming = coming[1], next(judged, None)
        yield day_row(day, entry, stats.get(day, []), level), entry


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


def beside_clear(rows: Iterable[DayRow]) -> Beside | None:
    """What came beside a clear sky's, over the days of these rows that know both; None where none does."""
    found = [each for row in rows if (each := row.of_week or _of_day(row)) is not None]
    if not found:
        return None
    return Beside(
        sum(each.came_Wh for each in found),
        sum(each.clear_Wh for each in found),
        sum(each.days for each in found),
    )


def _of_day(row: DayRow) -> Beside | None:
    if row.days != 1 or row.harvest_Wh is None or not row.clear_sky_Wh:
        return None
    return Beside(row.harvest_Wh, row.clear_sky_Wh, 1)


def lowest_of(rows: Iterable[DayRow]) -> DayRow | None:
    """The row with the lowest charge, None where no charge is known."""
    known = [row for row in rows if row.soc_min is not None]
    return min(known, key=lambda row: row.soc_min or 0.0, default=None)
