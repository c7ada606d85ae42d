"""What the store and the site file tell a load plan: use, cold, the weather here, the next days' sun.

For the command and the page; unknown is None or a reason in words.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import fmean, median
from typing import Any, Literal

from monitor.bank.ledger import by_day, day_ledger
from monitor.day_book import entries
from monitor.errors import SunError
from monitor.local_days import pieces_of
from monitor.outlook import OUTLOOK_NOTE
from monitor.plan.draws import Demand
from monitor.plan.sunlight import LEAST_DAYS, Sky, SkyDay, by_season
from monitor.plan.whole import Week
from monitor.records import HOUR_MS, DayStat, parse_iso
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.sun.expected import supply_of
from monitor.sun.months import ClearMonth, clear_months, noted_months
from monitor.typical_year import TypicalYear

USED_DAYS = 14
"""So many whole days tell what is used of late (our choice: two weekends)."""

OWN_DAYS = 365
"""So far back the site's own days tell sun and cold: each month once (our choice)."""

OLD_MS = HOUR_MS
"""An older outlook than this is worked out anew (our choice, as on the page)."""


@dataclass(frozen=True, slots=True)
class Warmth:
    """The bank's temperature in the cold season, None where nothing tells it, and where it is from."""

    temperature_C: float | None
    source: str


@dataclass(frozen=True, slots=True)
class DailyLoad:
    """The load that a plan rests on [Wh a day at the bank]: the larger of what is declared and what was used.

    used_Wh is the middle one of the days on which the use is known, None where it is not; seen_Wh what of
    the declared loads the meters see.
    """

    energy_Wh: float
    source: Literal["declared", "used"]
    used_Wh: float | None
    seen_Wh: float

    @property
    def over_declared(self) -> float | None:
        """What was used over what is declared of it."""
        return self.times(self.used_Wh)

    def times(self, used_Wh: float | None) -> float | None:
        """A day's use over what is declared of it."""
        return None if used_Wh is None or self.seen_Wh <= 0 else used_Wh / self.seen_Wh


def load_of(site: Site, drawn: Demand, used_Wh: Sequence[float]) -> DailyLoad:
    """The load from what is declared and the days' use. Of the meters only a shunt sees this computer and the
    controller's own draw."""
    unseen_Wh = 0.0 if site.metering.level == "shunt" else drawn.own_Wh + drawn.controller_Wh
    seen_Wh = drawn.total_Wh - unseen_Wh
    if not used_Wh:
        return DailyLoad(drawn.total_Wh, "declared", None, seen_Wh)
    usual_Wh = median(used_Wh)
    if usual_Wh > seen_Wh:
        return DailyLoad(usual_Wh + unseen_Wh, "used", usual_Wh, seen_Wh)
    return DailyLoad(drawn.total_Wh, "declared", usual_Wh, seen_Wh)


def branch_used_Wh(site: Site, drawn: Demand, branches: int, used_Wh: float | None) -> float | str:
    """What was used on a branch a day, or why that is unknown: one meter tells branches apart only where
    there is but one. What is drawn beside the loads, by the inverter too, is taken off as declared."""
    if site.metering.level == "charging":
        return "nothing here meters the loads"
    if branches > 1:
        return "one meter sees all branches together"
    if used_Wh is None:
        return "the use was not measured of late"
    aside_Wh = drawn.own_Wh + drawn.controller_Wh if site.metering.level == "shunt" else 0.0
    return max(0.0, used_Wh - aside_Wh - drawn.lost_Wh - drawn.standby_Wh)


UNKNOWN_WARMTH = Warmth(None, "not known: nothing measured it yet")


def used_days(reader: StoreReader, site: Site, today: date) -> list[tuple[date, float]]:
    """The last whole days of which the use is known (day, Wh), newest first: the weather book's, else the
    day's sums; where only currents were metered, ampere hours at the bank's nominal voltage."""
    first, last = today - timedelta(days=USED_DAYS), today - timedelta(days=1)
    book = dict(entries(reader, first, last))
    stats = by_day(reader.days(first, last))
    found = []
    for back in range(1, USED_DAYS + 1):
        day = today - timedelta(days=back)
        used_Wh: Any = None
        if day in book:
            used_Wh = book[day].get("used_Wh")
        elif day in stats:
            used_Wh = _used_Wh(stats[day], site)
        if used_Wh is not None:
            found.append((day, float(used_Wh)))
    return found


def _used_Wh(stats: Sequence[DayStat], site: Site) -> float | None:
    ledger = day_ledger(stats, site.metering.level)
    if ledger.used_Wh is None and ledger.used_Ah is not None:
        return ledger.used_Ah * site.bank.voltage_V
    return ledger.used_Wh


def clear_year(site: Site, reader: StoreReader | None) -> dict[int, ClearMonth] | str:
    """A clear day of each month (1..12) on the array, or why it is unknown: from the store's note, else
    worked out by the almanac's process, which takes some seconds."""
    try:
        return {month.month: month for month in clear_months(supply_of(site), reader)}
    except SunError as error:
        return str(error)


def noted_clear_year(site: Site, reader: StoreReader) -> dict[int, ClearMonth] | str:
    """The same from the store's note alone, for who cannot wait."""
    try:
        found = noted_months(supply_of(site), reader)
    except SunError as error:
        return str(error)
    if found is None:
        return "the monitor has not worked out the sun of this site's months yet"
    return {month.month: month for month in found}


def noted_outlook(reader: StoreReader, as_of_ms: int) -> dict[str, Any] | None:
    """The outlook that the daemon noted, None without one of the last hour before a moment, or one without
    its days (an older version's)."""
    text = reader.note(OUTLOOK_NOTE)
    if text is None:
        return None
    try:
        found: dict[str, Any] = json.loads(text)
        at_ms = parse_iso(found["at"])
    except (ValueError, KeyError, TypeError):  # a spoilt one tells nothing
        return None
    is_whole = {"soc", "days"} <= found.keys()
    return found if is_whole and abs(as_of_ms - at_ms) < OLD_MS else None


def charging_V_of(site: Site) -> float | None:
    """The bank's voltage while it charges, None without an array that can be used."""
    try:
        return supply_of(site).charging_V
    except SunError:
        return None


def week_of(outlook: Mapping[str, Any], charging_V: float) -> Week:
    """The next days by the document of `nightbank outlook`."""
    days = outlook["days"]
    gives = [day["array_gives_Wh"]["p50"] / charging_V for day in days if day["array_gives_Wh"] is not None]
    return Week(outlook["soc"], fmean(gives) if gives else None, len(days))


def warmth_of(reader: StoreReader, today: date, month: int | None, typical: TypicalYear | None) -> Warmth:
    """The bank's temperature on the coldest day of the year behind, of a month if one is asked for and has
    been measured; else the air's in the typical year."""
    means = [
        (stat.day.month, stat.mean)
        for first, last in pieces_of(today - timedelta(days=OWN_DAYS), today - timedelta(days=1))
        for stat in reader.days(first, last)
        if stat.quantity == "battery_temperature_C"
    ]
    of_month = [mean for its, mean in means if its == month]
    if means:
        of_month = of_month if len(of_month) >= LEAST_DAYS else []
        some = of_month or [mean for _, mean in means]
        which = f"the coldest of {len(some)} days" if len(some) > 1 else "the one day"
        return Warmth(min(some), f"the mean of {which} on record{' in that month' if of_month else ''}")
    return air_of(month, typical)


def air_of(month: int | None, typical: TypicalYear | None) -> Warmth:
    """The typical year's air in a month, else in its coldest, for a bank that nothing has measured."""
    if typical is None:
        return UNKNOWN_WARMTH
    air_C = min(typical.air_C) if month is None else typical.air_C[month - 1]
    which = "coldest month" if month is None else "month"
    return Warmth(air_C, f"as the air of the {which} of the typical year, for nothing measured it yet")


def sky_of(
    reader: StoreReader | None, today: date | None, typical: TypicalYear | None, stated: float | None
) -> Sky:
    """The weather here: a share of a clear sky that a person states, the days of a typical year, or those of
    the weather book on which light and sky are known. What the array really gives its own days tell."""
    days, scales = [], []
    if reader is not None and today is not None:
        for day, entry in entries(reader, today - timedelta(days=OWN_DAYS), today - timedelta(days=1)):
            sun_h, share, scale = (entry.get(key) for key in ("reference_yield_h", "index", "scale"))
            if isinstance(sun_h, (int, float)) and isinstance(share, (int, float)):
                days.append(SkyDay(day, float(sun_h), float(share)))
            if isinstance(scale, (int, float)):
                scales.append((day, float(scale)))
    learnt = by_season(scales)
    if stated is not None:
        return Sky((), "own days", learnt, stated)
    if typical is not None:
        return Sky(typical.days, "typical year", learnt)
    return Sky(tuple(days), "own days", learnt)
