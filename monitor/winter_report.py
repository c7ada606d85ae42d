"""Whether the bank may stand out in the cold: what it holds and what its array gives, from the store."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from statistics import fmean
from typing import Any

from monitor.bank.charge_words import BAND_SDS
from monitor.care.winter import Given, clouds_of
from monitor.care.winter_told import LEFT_OUT, Asked, Held, winter_document
from monitor.clock import SystemClock
from monitor.day_book import entries
from monitor.errors import SunError
from monitor.local_days import day_at
from monitor.plan_known import OWN_DAYS
from monitor.present import now_of, present
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.sun.expected import Supply, supply_of
from monitor.sun.level import USUAL
from monitor.sun.months import ClearMonth, clear_months, noted_months

LATELY_DAYS = 7
"""So many days tell how warm the bank stands (our choice: a spell of weather)."""

NOT_YET = "what a clear sky gives here the monitor has not worked out yet; it does so within a day"


def winter_report(
    site: Site, reader: StoreReader | None, asked: Asked, charge: float | None = None, at_once: bool = True
) -> dict[str, Any]:
    """The document; site has its set points filled in. charge 0..1 is a person's own, None takes the store's.

    reader is None where there is no store yet; charge must then be given. Where the store has no note of what
    a clear sky gives, at_once has a process of its own work it out, which takes seconds; a page waits for the
    monitor instead. Raises StoreError.
    """
    now_ms = SystemClock().now_ms() if reader is None else now_of(reader).time_ms
    today = day_at(site.site.zone, now_ms).day
    held = Held(charge, None, "as given") if reader is None else _held(site, reader, today, charge)
    gives = _gives(site, reader, today, at_once) if asked.array else LEFT_OUT
    return winter_document(site, held, asked, today, gives)


def _held(site: Site, reader: StoreReader, today: date, charge: float | None) -> Held:
    """What the store says that the bank holds: the lower end of the charge's band."""
    capacity = reader.latest_good("bank_capacity_Ah")
    capacity_Ah = None if capacity is None else capacity.value
    measured_C = _lately_C(reader, today)
    if charge is not None:
        return Held(charge, capacity_Ah, "as given", measured_C)
    standing = present(site, reader)
    if standing["soc"] is None or standing["soc_sd"] is None:
        return Held(None, capacity_Ah, "the store has no estimate that still holds", measured_C)
    least = max(0.0, standing["soc"] - BAND_SDS * standing["soc_sd"])
    return Held(least, capacity_Ah, "the lower end of the estimate", measured_C)


def _lately_C(reader: StoreReader, today: date) -> float | None:
    stats = reader.days(today - timedelta(days=LATELY_DAYS - 1), today)
    means = [stat.mean for stat in stats if stat.quantity == "battery_temperature_C"]
    return fmean(means) if means else None


def _gives(site: Site, reader: StoreReader | None, today: date, at_once: bool) -> Sequence[Given] | str:
    """What the array gives the bank in each month, or in words why that is unknown."""
    if site.array is None:
        return "the site file describes no array"
    try:
        supply = supply_of(site)
        clear = clear_months(supply, reader) if at_once or reader is None else noted_months(supply, reader)
    except SunError as error:
        return str(error)
    if clear is None:
        return NOT_YET
    own, scale = ([], USUAL) if reader is None else _own_days(reader, today)
    return [Given(each.month, _clear_Ah(supply, each, scale), clouds_of(each.month, own)) for each in clear]


def _own_days(reader: StoreReader, today: date) -> tuple[list[tuple[date, float]], float]:
    """The days' shares of a clear sky, and by the newest of them the array's learnt share of its rated
    clear-sky power, the usual one without any."""
    shares, learnt = [], None
    for day, entry in entries(reader, today - timedelta(days=OWN_DAYS), today - timedelta(days=1)):
        share, learnt = _share(entry), entry.get("scale")
        if share is not None:
            shares.append((day, share))
    return shares, float(learnt) if isinstance(learnt, (int, float)) else USUAL


def _share(entry: Mapping[str, Any]) -> float | None:
    """The share of a clear sky's light on a day without snow, None where it is not known."""
    share = entry.get("index")
    return float(share) if isinstance(share, (int, float)) and entry.get("sky") != "snow" else None


def _clear_Ah(supply: Supply, month: ClearMonth, scale: float) -> float:
    """What reaches the bank on a clear day of a month."""
    return month.passed_Wh * scale * supply.into_bank / supply.charging_V
