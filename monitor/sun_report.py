"""The documents of `nightbank days`: what each day brought, from the store alone.

It reads rows, day statistics and events, has `monitor.sun` judge them, and keeps nothing. Unknown is None
here and told as unknown in `sun_words`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from typing import Any

from monitor.bank.description import describe_site
from monitor.bank.ledger import by_day, day_ledger, deepest
from monitor.bank.stage import StageTracker
from monitor.errors import SunError
from monitor.local_days import dates, day_at, local_day
from monitor.records import DayStat
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.fulls import told_full
from monitor.sun.at_bank import at_bank
from monitor.sun.book import DayEntry
from monitor.sun.day import Day, Seen
from monitor.sun.expected import clear_days, supply_of, widened
from monitor.sun.gather import BY_MINUTE_S, GATHERED, gather
from monitor.sun.level import BACK_DAYS, Level
from monitor.sun.sky import SKIES, DaySky, skies_of
from monitor.sun.taken import judged, left
from monitor.sun.yields import By, Energies, Yields, period_of, together, yields

WARM_UP_DAYS = 2
"""Days before the first one that only teach the stage tracker where set points are held (our choice)."""


@dataclass(frozen=True, slots=True)
class Past:
    """The days of a history; of each whether its readings show a full bank, and what the loads used."""

    days: list[Day]
    full: list[bool]
    used_Wh: list[float | None]


def history(site: Site, reader: StoreReader, first: date, last: date) -> list[Day]:
    """The local days first..last with a clear sky's steps and the store's; site has its set points filled in.

    A day without readings has steps without values. Raises SunError where the site has no array or a clear
    sky cannot be worked out.
    """
    return past(site, reader, first, last).days


def past(site: Site, reader: StoreReader, first: date, last: date) -> Past:
    """`history` with the signs of a full bank and the use."""
    supply, zone = supply_of(site), site.site.zone
    spans = [local_day(zone, day) for day in dates(first, last)]
    clear = clear_days(supply, [span.day for span in spans], reader)
    start_ms = local_day(zone, first - timedelta(days=WARM_UP_DAYS)).start_ms
    rows = reader.rows(GATHERED, start_ms, spans[-1].end_ms, BY_MINUTE_S)
    tracker = StageTracker(describe_site(site))
    found = list(gather(rows, spans, tracker, supply.controller or "mppt", site.metering.level))
    days = [
        Day(
            each.span.day,
            each.span.start_ms,
            each.span.end_ms,
            each.step_s,
            at_bank(widened(clear[each.span.day], each.step_s), each.steps, supply),
            each.steps,
        )
        for each in found
    ]
    return Past(days, [each.full for each in found], [each.used_Wh for each in found])


def stored_days(site: Site, reader: StoreReader) -> tuple[date, date]:
    """The first and the last local day of the store. Raises SunError where it is empty."""
    span = reader.span()
    if span is None:
        raise SunError(
            "the store has no reading yet; let `nightbank monitor` run for a day, or bring a log in with"
            " `nightbank import`"
        )
    zone = site.site.zone
    return day_at(zone, span[0]).day, day_at(zone, span[1]).day


def weather_book(site: Site, reader: StoreReader, first: date, last: date) -> list[DayEntry]:
    """The local days first..last judged; site has its set points filled in.

    The array's factor is learnt from the weeks before `first`, too. Raises SunError where the site has no
    array or the store is empty.
    """
    supply = supply_of(site)
    learn_from = max(first - timedelta(days=BACK_DAYS), min(first, stored_days(site, reader)[0]))
    known = past(site, reader, learn_from, last)
    judgement = judged(known.days, supply)
    skies = skies_of(known.days, judgement, supply)
    stats = by_day(reader.days(first, last))
    zone = site.site.zone
    start_ms, end_ms = local_day(zone, first).start_ms, local_day(zone, last).end_ms
    fulls = {day_at(zone, time_ms).day for time_ms in told_full(reader, start_ms, end_ms)}
    return [
        _entry(
            day,
            judgement.seen[at],
            judgement.levels[at],
            skies[at],
            stats.get(day.day, []),
            site.metering.level,
            known.used_Wh[at],
            known.full[at] or day.day in fulls,
        )
        for at, day in enumerate(known.days)
        if day.day >= first
    ]


def _entry(
    day: Day,
    steps: Sequence[Seen],
    level: Level,
    sky: DaySky,
    stats: Sequence[DayStat],
    metering: str,
    used_Wh: float | None,
    full: bool,
) -> DayEntry:
    ledger = day_ledger(stats, metering) if stats else None
    hours = day.step_s / 3600
    powers = [step.power_W for step in day.steps if step.power_W is not None]
    harvest_Wh = hours * sum(powers) if powers else None
    if ledger is not None and ledger.harvest_Wh is not None:
        harvest_Wh = ledger.harvest_Wh
    if ledger is not None and ledger.used_Wh is not None:
        used_Wh = ledger.used_Wh
    voltage_min_V = ledger.voltage_min_V if ledger else None
    lowest = deepest(stats)
    return DayEntry(
        day=day.day,
        sky=sky,
        level=level,
        harvest_Wh=harvest_Wh,
        clear_sky_Wh=hours * sum(level.at(clear) * clear.passed_W for clear in day.clear),
        left=left(day, steps) if powers else None,
        used_Wh=used_Wh,
        voltage_min_V=voltage_min_V,
        soc_min=lowest[0] if lowest else None,
        full=full if voltage_min_V is not None else None,
        energies=_energies(sky, harvest_Wh, used_Wh),
    )


def _energies(sky: DaySky, harvest_Wh: float | None, used_Wh: float | None) -> Energies:
    """What the yields are made of; light on the plane is the clear sky's times the index."""
    if sky.index is None:
        return Energies(None, harvest_Wh, used_Wh)
    hours = sky.width_s / 3600
    told = [quarter for quarter in sky.quarters if quarter.index is not None]
    free = [quarter for quarter in told if not quarter.held_back]
    return Energies(
        hours * sum(quarter.light_W_m2 for quarter in told),
        harvest_Wh,
        used_Wh,
        hours * sum(quarter.light_W_m2 for quarter in free),
        hours * sum(quarter.power_W for quarter in free),
    )


def days_report(entries: Sequence[DayEntry], power_W: float) -> list[dict[str, Any]]:
    """The weather book as `nightbank days --json` prints it: one object a day, unknown is None.

    Energies in Wh, yields in hours; unused_sd_Wh is one standard deviation, index the day's clear-sky index,
    scale the array's learnt share of its rated clear-sky power.
    """
    return [
        {
            "date": entry.day.isoformat(),
            "sky": entry.sky.sky,
            "harvest_Wh": _rounded(entry.harvest_Wh),
            "clear_sky_Wh": _rounded(entry.clear_sky_Wh),
            "unused_Wh": _rounded(entry.left.unused_Wh if entry.left else None),
            "used_Wh": _rounded(entry.used_Wh),
            "battery_voltage_min_V": _rounded(entry.voltage_min_V, 2),
            "full": entry.full,
            "unused_sd_Wh": _rounded(entry.left.sd_Wh if entry.left else None),
            "index": _rounded(entry.sky.index, 3),
            "variability": _rounded(entry.sky.variability, 2),
            "scale": _rounded(entry.level.scale, 3),
            "lowest_soc": _rounded(entry.soc_min, 3),
            **_yields(yields(entry.energies, power_W)),
        }
        for entry in entries
    ]


def periods_report(entries: Sequence[DayEntry], power_W: float, by: By) -> list[dict[str, Any]]:
    """The same by week or month: sums of what is known, days of each sky, days with a full bank."""
    report = []
    for start, some in groupby(entries, lambda entry: period_of(entry.day, by)):
        days = list(some)
        skies = [entry.sky.sky for entry in days]
        report.append(
            {
                "start": start.isoformat(),
                "days": len(days),
                "sky": {sky: skies.count(sky) for sky in SKIES},
                "harvest_Wh": _rounded(_sum(entry.harvest_Wh for entry in days)),
                "clear_sky_Wh": _rounded(sum(entry.clear_sky_Wh for entry in days)),
                "unused_Wh": _rounded(_sum(entry.left.unused_Wh if entry.left else None for entry in days)),
                "used_Wh": _rounded(_sum(entry.used_Wh for entry in days)),
                "battery_voltage_min_V": _rounded(_least(entry.voltage_min_V for entry in days), 2),
                "full_days": sum(entry.full is True for entry in days),
                **_yields(yields(together([entry.energies for entry in days]), power_W)),
            }
        )
    return report


def _yields(found: Yields) -> dict[str, float | None]:
    return {
        "reference_yield_h": _rounded(found.reference_h, 3),
        "array_yield_h": _rounded(found.array_h, 3),
        "final_yield_h": _rounded(found.final_h, 3),
        "performance_ratio": _rounded(found.performance_ratio, 3),
        "array_ratio": _rounded(found.array_ratio, 3),
        "array_ratio_free": _rounded(found.array_ratio_free, 3),
    }


def _rounded(value: float | None, digits: int = 1) -> float | None:
    return None if value is None else round(value, digits)


def _sum(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def _least(values: Iterable[float | None]) -> float | None:
    return min((value for value in values if value is not None), default=None)
