"""The document of `nightbank care SITE due`: what is to be done at bank and array, and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from monitor.bank.description import BankDescription, describe_site
from monitor.bank.health import coulombic_efficiency
from monitor.bank.ledger import FLOW_QUANTITIES, flow
from monitor.care.due import AFTER_DAYS, Limit, Use, by_gravity, limits, soonest
from monitor.care.entry import WET_ONLY
from monitor.care.gravity import gravities_of
from monitor.care.howto import HINTS, MIND
from monitor.care.water import water_L
from monitor.present import now_of
from monitor.quantities import Stage
from monitor.records import LogEntry, LogKind, iso_utc, to_ms
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.days import day_at, local_day, zone_of
from monitor.store.parts import span_stats

if TYPE_CHECKING:
    from monitor.sun.findings import Finding

DAY_MS = 86_400_000

DIRT = "soiling"
"""The finding that asks for water and a cloth."""

TITLES = {
    LogKind.EQUALIZATION: "Equalize the bank",
    LogKind.WATER: "Look at the water in every cell",
    LogKind.HYDROMETER: "Read every cell with the hydrometer",
    LogKind.TERMINALS: "Look at the terminals and their torque",
    LogKind.CLEANING: "Look at the panels' glass and at new shade",
}

FULL_BEFORE_MS = DAY_MS
"""Gravity is of a full bank where one was told at most so long before (our choice: the rest over a night)."""


@dataclass(frozen=True, slots=True)
class _Look:
    """What every part reads with."""

    site: Site
    bank: BankDescription
    reader: StoreReader
    zone: ZoneInfo
    now_ms: int
    entries: list[LogEntry]
    fulls_ms: list[int]


@dataclass(frozen=True, slots=True)
class _Water:
    """Litres that overcharge split at most between two full charges, with the meters' deviation, and days."""

    litres: float
    sd_L: float
    days: float


@dataclass(frozen=True, slots=True)
class _Last:
    """When an act was done last and how that is known; time_ms None where nothing tells."""

    time_ms: int | None
    source: str
    written: bool = False


def care_report(site: Site, reader: StoreReader, findings: Sequence[Finding] | None = None) -> dict[str, Any]:
    """The document: each act with its last time, the day it is due, why, how, what to mind; soonest first.

    water_L is what overcharge split at most in the water_days between the first and the last full charge
    since, water_sd_L its deviation by the meters. Times are ISO 8601 UTC, days local at the site; site has
    its set points filled in. findings are those on the array, None where nobody looked for any.
    """
    now_ms = now_of(reader).time_ms
    events = reader.events(0, now_ms + 1, 10_000)
    fulls_ms = sorted(event.time_ms for event in events if event.kind == "full")
    zone, entries = zone_of(site.site.time_zone), reader.log(0, now_ms + 1, 10_000)
    look = _Look(site, describe_site(site), reader, zone, now_ms, entries, fulls_ms)
    tasks = [_task(look, kind, findings) for kind in AFTER_DAYS if _belongs(site, kind)]
    tasks.sort(key=lambda task: (task["due"] or "", task["kind"]))
    return {"time": iso_utc(now_ms), "site": site.site.name, "tasks": tasks}


def _belongs(site: Site, kind: str) -> bool:
    if kind == LogKind.CLEANING:
        return site.array is not None
    if kind == LogKind.EQUALIZATION and site.bank.chemistry != "flooded":
        return False
    return kind not in WET_ONLY or site.bank.chemistry == "flooded"


def _task(look: _Look, kind: str, findings: Sequence[Finding] | None) -> dict[str, Any]:
    last = _last(look, kind)
    task: dict[str, Any] = {
        "kind": kind,
        "title": TITLES[LogKind(kind)],
        "last": None if last.time_ms is None else iso_utc(last.time_ms),
        "last_from": last.source,
        "due": None,
        "is_due": True,
        "why": last.source,
        "water_L": None,
        "water_sd_L": None,
        "water_days": None,
        "how": HINTS[kind],
        "cautions": list(MIND[kind]),
    }
    if last.time_ms is None:
        return task
    use, water = _use(look, last.time_ms)
    reasons = limits(kind, use)
    if kind == LogKind.EQUALIZATION:
        reasons += _by_newest_gravity(look, last.time_ms)
    if kind == LogKind.CLEANING and findings is not None:
        reasons += [limit for found in findings if (limit := _by_dirt(found, last)) is not None]
    reason = soonest(reasons)
    due_ms = look.now_ms + round(max(0.0, reason.days_left) * DAY_MS)
    task |= {
        "due": day_at(look.zone, due_ms).day.isoformat(),
        "is_due": reason.days_left <= 0,
        "why": f"{reason.words}; {last.source}",
    }
    if kind == LogKind.WATER and water is not None:
        task["water_L"], task["water_sd_L"] = round(water.litres, 2), round(water.sd_L, 2)
        task["water_days"] = round(water.days, 1)
    return task


def _last(look: _Look, kind: str) -> _Last:
    """When an act was done last: by the log, by the stages seen, else since bank or readings began."""
    done = [_Last(entry.time_ms, "by the log", written=True) for entry in look.entries if entry.kind == kind]
    if kind == LogKind.EQUALIZATION:
        done += _equalized(look)
    if done:
        return max(done, key=lambda last: last.time_ms or 0)
    installed = look.site.bank.installed
    if installed is not None and kind != LogKind.CLEANING:
        start_ms = to_ms(datetime.combine(installed, time(), look.zone))
        return _Last(start_ms, "none is written down, counted from the day the bank was installed")
    span = look.reader.span()
    if span is None:
        return _Last(None, "none is written down, and there are no readings yet")
    return _Last(span[0], "none is written down, counted from the first reading")


def _equalized(look: _Look) -> list[_Last]:
    """The last day on which the controller was seen to equalize, at its end."""
    span = look.reader.span()
    if span is None:
        return []
    first, today = day_at(look.zone, span[0]).day, day_at(look.zone, look.now_ms).day
    days = [
        stat.day
        for stat in look.reader.days(first, today)
        if stat.quantity == "charge_stage" and stat.maximum == Stage.EQUALIZATION
    ]
    if not days:
        return []
    end_ms = min(look.now_ms, local_day(look.zone, max(days)).end_ms - 1)
    return [_Last(end_ms, "the controller was seen to equalize")]


def _use(look: _Look, since_ms: int) -> tuple[Use, _Water | None]:
    """The use since a time, and the water that overcharge took."""
    days = (look.now_ms - since_ms) / DAY_MS
    span = look.reader.span()
    if span is None:
        return Use(days, 0.0), None
    start_ms, capacity_Ah = max(since_ms, span[0]), look.bank.capacity_Ah
    watched_days = max(0.0, (look.now_ms - start_ms) / DAY_MS)
    if look.site.metering.level == "charging" or watched_days <= 0:
        return Use(days, watched_days), None
    stats = span_stats(look.reader, look.zone, FLOW_QUANTITIES, start_ms, look.now_ms + 1)
    moved = flow(stats, look.site.metering.level, watched_days * 86_400)
    cycles = None if moved.out_Ah is None else moved.out_Ah / capacity_Ah
    fulls = [full_ms for full_ms in look.fulls_ms if full_ms >= start_ms]
    if len(fulls) < 2:
        return Use(days, watched_days, cycles), None
    seconds = (fulls[-1] - fulls[0]) / 1000
    stats = span_stats(look.reader, look.zone, FLOW_QUANTITIES, fulls[0], fulls[-1])
    between = flow(stats, look.site.metering.level, seconds)
    efficiency = coulombic_efficiency(between, capacity_Ah, look.bank.meters)
    if efficiency is None or between.in_Ah is None:
        return Use(days, watched_days, cycles), None
    over_Ah, sd_Ah = max(0.0, between.in_Ah * (1 - efficiency.value)), between.in_Ah * efficiency.sd
    cells = look.site.bank.cells_in_series
    water = _Water(water_L(over_Ah, cells), water_L(sd_Ah, cells), seconds / 86_400)
    return Use(days, watched_days, cycles, over_Ah / capacity_Ah), water


def _by_dirt(found: Finding, last: _Last) -> Limit | None:
    """Dirt on the glass that lasts, and that nobody has cleaned off since it began."""
    if found.kind != DIRT or found.end_ms is not None:
        return None
    if last.written and last.time_ms is not None and last.time_ms > found.start_ms:
        return None
    words = f"dirt takes about {100 * found.size:.0f} % of the light ({100 * found.confidence:.0f} % sure)"
    return Limit(0.0, f"{words}: `nightbank array` has the evidence")


def _by_newest_gravity(look: _Look, since_ms: int) -> list[Limit]:
    """What the newest readings of the cells since the last equalization ask for."""
    newest = next((e for e in look.entries if e.kind == LogKind.HYDROMETER and e.time_ms > since_ms), None)
    cells = None if newest is None else gravities_of(newest)
    if newest is None or cells is None:
        return []
    after_full = any(0 <= newest.time_ms - full_ms <= FULL_BEFORE_MS for full_ms in look.fulls_ms)
    return list(by_gravity(cells, after_full))
