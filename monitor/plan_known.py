"""What the store and the site file tell a load plan: use, cold, the sky of own days, the next days' sun.

For the command and the page; unknown is None or a reason in words.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from statistics import fmean, median
from typing import Any, Literal

from monitor.bank.ledger import day_ledger
from monitor.day_book import entries
from monitor.errors import SunError
from monitor.outlook import OUTLOOK_NOTE
from monitor.plan.draws import Demand
from monitor.plan.sunlight import OwnDay
from monitor.plan.whole import Week
from monitor.records import parse_iso
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.sun.expected import Notes, supply_of
from monitor.sun.months import clear_months

USED_DAYS = 14
"""So many whole days tell what is used of late (our choice: two weekends)."""

OWN_DAYS = 365
"""So far back the site's own days tell sun and cold: each month once (our choice)."""

OLD_MS = 3_600_000
"""An older outlook than this is worked out anew (our choice, as on the page)."""


@dataclass(frozen=True, slots=True)
class Warmth:
    """The bank's temperature in the cold season, None where nothing tells it, and where it is from."""

    temperature_C: float | None
    source: str


@dataclass(frozen=True, slots=True)
class DailyLoad:
    """The load that a plan rests on [Wh a day at the bank]: the larger of what is declared and what was used.

    used_Wh is the middle one of the days on which the use is known, None where it is not; over_declared that
    over what of the declared loads the meters see.
    """

    energy_Wh: float
    source: Literal["declared", "used"]
    used_Wh: float | None
    over_declared: float | None


def load_of(site: Site, drawn: Demand, used_Wh: Sequence[float]) -> DailyLoad:
    """The load from what is declared and the days' use. Of the meters only a shunt sees this computer."""
    unseen_Wh = 0.0 if site.metering.level == "shunt" else drawn.own_Wh
    seen_Wh = drawn.total_Wh - unseen_Wh
    if not used_Wh:
        return DailyLoad(drawn.total_Wh, "declared", None, None)
    usual_Wh = median(used_Wh)
    times = usual_Wh / seen_Wh if seen_Wh > 0 else None
    if usual_Wh > seen_Wh:
        return DailyLoad(usual_Wh + unseen_Wh, "used", usual_Wh, times)
    return DailyLoad(drawn.total_Wh, "declared", usual_Wh, times)


UNKNOWN_WARMTH = Warmth(None, "not known: nothing measured it yet; --bank-temperature gives it")


def used_days(reader: StoreReader, site: Site, today: date) -> list[tuple[date, float]]:
    """The last whole days of which the use is known (day, Wh), newest first: the weather book's, else the
    day's sums; where only currents were metered, ampere hours at the bank's nominal voltage."""
    first, last = today - timedelta(days=USED_DAYS), today - timedelta(days=1)
    book = entries(reader, first, last)
    stats = {day: list(some) for day, some in groupby(reader.days(first, last), lambda stat: stat.day)}
    found = []
    for back in range(1, USED_DAYS + 1):
        day = today - timedelta(days=back)
        used_Wh: Any = None
        if day in book:
            used_Wh = book[day].get("used_Wh")
        elif day in stats:
            ledger = day_ledger(stats[day], site.metering.level)
            used_Wh = ledger.used_Wh
            if used_Wh is None and ledger.used_Ah is not None:
                used_Wh = ledger.used_Ah * site.bank.voltage_V
        if used_Wh is not None:
            found.append((day, float(used_Wh)))
    return found


def clear_hours(site: Site, notes: Notes | None = None) -> dict[int, float] | str:
    """Peak sun hours a day of each month (1..12) on the array under a clear sky, or why that is unknown; from
    a store's note where it has one."""
    try:
        return {month.month: month.sun_h for month in clear_months(supply_of(site), notes)}
    except SunError as error:
        return str(error)


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


def warmth_of(reader: StoreReader, today: date, back_days: int) -> Warmth:
    """The bank's temperature on the coldest of the days behind."""
    stats = reader.days(today - timedelta(days=back_days), today - timedelta(days=1))
    means = [stat.mean for stat in stats if stat.quantity == "battery_temperature_C"]
    if not means:
        return UNKNOWN_WARMTH
    which = f"the coldest of {len(means)} days" if len(means) > 1 else "the one day"
    return Warmth(min(means), f"the mean of {which} on record")


def own_days(reader: StoreReader, today: date) -> list[OwnDay]:
    """The days of the weather book on which light and sky are known."""
    book = entries(reader, today - timedelta(days=OWN_DAYS), today - timedelta(days=1))
    found = []
    for day, entry in book.items():
        sun_h, share = entry.get("reference_yield_h"), entry.get("index")
        if isinstance(sun_h, (int, float)) and isinstance(share, (int, float)):
            found.append(OwnDay(day, float(sun_h), float(share)))
    return found
