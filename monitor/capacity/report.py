"""The document of `nightbank care SITE capacity`: what a discharge in the store tells of the capacity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor import cautions
from monitor.bank.charge_words import BAND_SDS
from monitor.bank.description import BankDescription, describe_site
from monitor.bank.ledger import flow
from monitor.care.capacity import END_CELL_V, Discharge, NoCapacity, measured_capacity
from monitor.care.entry import TEXT, TIME
from monitor.care.numbers import BAND, CAPACITY
from monitor.records import HOUR_MS, iso_utc, parse_iso
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.fulls import told_full
from monitor.store.parts import span_stats

REST_MS = 6 * HOUR_MS
"""A rest voltage counts after 6 h, better 24 h (a maker's guide, read)."""

SEARCH_MS = 48 * HOUR_MS
"""So long after its end a discharge's rest is looked for (our choice)."""

REST_PER_CAPACITY = 0.002
"""At rest no more than 0.2 % of the capacity flows in an hour (our choice: the monitor on a small bank;
over 6 h about 1 %, which is counted as taken)."""

SILENT_MS = 900_000
"""A rest with a longer silence in it is none (our choice)."""

FULL_BEFORE_MS = 24 * HOUR_MS
"""The discharge began full where the bank was told full at most so long before (our choice)."""

WELL_COVERED = 0.98
"""With more than 2 % of the time without readings the Ah are not known well enough (our choice)."""

END_SLACK_V = 0.01
"""A cell this near to END_CELL_V has reached it: meters round (our choice)."""

NOT_METERED = "the loads are not metered here, so nobody knows what was taken"
METER_THEM = (
    "A shunt in the bank's negative wire would tell it, or loads on the load output of a controller that"
    " counts them; then write that as level into [metering] of the site file."
)

HOW = (
    "Charge the bank until it is full, then {opened}. Let a steady load of about a twentieth of the "
    "capacity, or the usual evening, run until about half is taken or the loads' disconnect opens, whichever "
    "is first; never go deeper than your maker's sheet allows. Switch all loads off, let the bank rest for 6 "
    "hours or a night, then {full_again}."
)

OPENED = {True: "open the array's disconnect", False: "switch off whatever charges it"}
"""What keeps a bank from being charged, by whether it has an array."""

FULL_AGAIN = {
    True: "close the array's disconnect again and charge the bank full at once",
    False: "charge the bank full at once",
}


@dataclass(frozen=True, slots=True)
class _Rest:
    """When a rest had lasted long enough, and the bank's voltage then."""

    time_ms: int
    voltage_V: float


def capacity_document(site: Site, reader: StoreReader, start_ms: int, end_ms: int) -> dict[str, Any]:
    """What the discharge from start to end tells; `capacity_Ah` is None where it tells nothing, and why says
    why. site has its set points filled in."""
    bank = describe_site(site)
    document: dict[str, Any] = {
        "site": site.site.name,
        "from": iso_utc(start_ms),
        "to": iso_utc(end_ms),
        "capacity_Ah": None,
        "sd_Ah": None,
        "rated_Ah": bank.capacity_Ah,
        "began_full": began_full(reader, start_ms),
        "why": "",
        "how": how_words(site),
        "cautions": minded(site),
    }
    try:
        if not document["began_full"]:
            raise NoCapacity("the bank was not told full in the day before: charge it full first")
        found = measured_capacity(
            bank.chemistry, bank.meters, _discharge(site, bank, reader, start_ms, end_ms)
        )
    except NoCapacity as error:
        document["why"] = str(error)
        return document
    document |= {
        "capacity_Ah": round(found.capacity_Ah, 1),
        "sd_Ah": round(found.sd_Ah, 1),
        "why": found.words,
    }
    return document


def how_words(site: Site) -> str:
    """How a test is done at a site."""
    has_array = site.array is not None
    return HOW.format(opened=OPENED[has_array], full_again=FULL_AGAIN[has_array])


def minded(site: Site) -> list[str]:
    """The cautions that belong to a test."""
    order = [] if site.array is None else [cautions.ORDER]
    return [cautions.CODES, *order, cautions.ACID_AND_HYDROGEN]


def still_A(bank: BankDescription) -> float:
    """The current either way up to which a bank rests."""
    return REST_PER_CAPACITY * bank.capacity_Ah


def began_full(reader: StoreReader, start_ms: int, since_ms: int = 0) -> bool:
    """Whether the bank was told full shortly before a time, and since another."""
    return bool(told_full(reader, max(start_ms - FULL_BEFORE_MS, since_ms), start_ms + 1))


def _discharge(
    site: Site, bank: BankDescription, reader: StoreReader, start_ms: int, end_ms: int
) -> Discharge:
    """The discharge as the store has it. Raises NoCapacity where it does not hold enough of one."""
    if site.metering.level == "charging":
        raise NoCapacity(f"{NOT_METERED}. {METER_THEM.removesuffix('.')}")
    empty = _reached_end(bank, reader, end_ms)
    rest = None if empty else _rest(bank, reader, end_ms)
    if not empty and rest is None:
        raise NoCapacity(
            f"it did not end at {END_CELL_V:g} V a cell, and no rest of 6 h followed within two days: switch "
            f"everything off after the test and {OPENED[site.array is not None]}"
        )
    counted_to_ms = end_ms if rest is None else rest.time_ms
    names = ("battery_current_A", "battery_temperature_C")
    stats = span_stats(reader, site.site.zone, names, start_ms, counted_to_ms)
    moved = flow(stats, site.metering.level, (counted_to_ms - start_ms) / 1000)
    if moved.in_Ah is None or moved.out_Ah is None or moved.covered_s < WELL_COVERED * moved.span_s:
        raise NoCapacity("too many readings of the current are missing in that time")
    warm = [stat for stat in stats if stat.quantity == "battery_temperature_C"]
    count = sum(stat.count for stat in warm)
    return Discharge(
        taken_Ah=moved.out_Ah - moved.in_Ah,
        hours=(end_ms - start_ms) / HOUR_MS,
        temperature_C=sum(stat.mean * stat.count for stat in warm) / count if count else None,
        rest_cell_V=None if rest is None else rest.voltage_V / bank.cells,
    )


def _reached_end(bank: BankDescription, reader: StoreReader, end_ms: int) -> bool:
    """Whether the bank's voltage was down at the rated end as the discharge ended."""
    last = reader.rows(["battery_voltage_V"], end_ms - SILENT_MS, end_ms + 1)
    volts = [row["battery_voltage_V"] for _, row in last]
    return bool(volts) and min(volts) <= (END_CELL_V + END_SLACK_V) * bank.cells


def _rest(bank: BankDescription, reader: StoreReader, end_ms: int) -> _Rest | None:
    """The first moment after the end at which the bank has rested long enough."""
    names = ("battery_voltage_V", "battery_current_A")
    since_ms = last_ms = end_ms
    for time_ms, row in reader.rows(names, end_ms, end_ms + SEARCH_MS):
        net_A, voltage_V = row.get("battery_current_A"), row.get("battery_voltage_V")
        if net_A is None:
            continue
        if abs(net_A) > still_A(bank) or time_ms - last_ms > SILENT_MS:
            since_ms = time_ms
        last_ms = time_ms
        if voltage_V is not None and time_ms - since_ms >= REST_MS:
            return _Rest(time_ms, voltage_V)
    return None


def log_details(told: Mapping[str, Any]) -> dict[str, str | float | None]:
    """What the log keeps of a discharge that told a capacity, as a request's details."""
    return {
        TIME: float(parse_iso(told["to"])),
        TEXT: f"By the monitor: {told['why']}.",
        CAPACITY: told["capacity_Ah"],
        BAND: round(BAND_SDS * told["sd_Ah"], 1),
    }
