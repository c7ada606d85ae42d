"""The document of `nightbank care SITE due`: what is to be done at bank and array, and when."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from monitor.array_look import Found, last_look
from monitor.bank.description import BankDescription, describe_site
from monitor.bank.health import coulombic_efficiency
from monitor.bank.ledger import FLOW_QUANTITIES, flow
from monitor.care.due import (
    AFTER_DAYS,
    Limit,
    Use,
    by_gravity,
    by_lacking_cell,
    by_loss,
    by_voltages,
    limits,
    soonest,
)
from monitor.care.entry import kinds_for
from monitor.care.gravity import gravities_of
from monitor.care.howto import HINTS, MIND
from monitor.care.known import MOST_ENTRIES, estimated_capacity, last_tested
from monitor.care.units import units_of
from monitor.care.water import water_L
from monitor.local_days import PIECE_DAYS, day_at, local_day
from monitor.present import now_of
from monitor.quantities import Stage
from monitor.records import DAY_MS, LogEntry, LogKind, iso_utc, to_ms
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.fulls import told_full
from monitor.store.parts import span_stats

if TYPE_CHECKING:
    from monitor.sun.findings import Finding

DIRT = "soiling"
"""The finding that asks for water and a cloth."""

TITLES = {
    LogKind.EQUALIZATION: "Equalize the bank",
    LogKind.WATER: "Look at the water in every cell",
    LogKind.HYDROMETER: "Read every cell with the hydrometer",
    LogKind.VOLTAGES: "Measure the voltage of each battery",
    LogKind.TERMINALS: "Look at the terminals and their torque",
    LogKind.CLEANING: "Look at the panels' glass and at new shade",
    LogKind.CAPACITY: "Test the bank's capacity",
}

ORDER = tuple(LogKind)
"""In which order one does what is due together: cells are read before water is added (common practice)."""

FULL_BEFORE_MS = DAY_MS
"""Gravity is of a full bank where one was told at most so long before (our choice: the rest over a night)."""

BACK_MS = 366 * DAY_MS
"""Use, full charges and equalizations are looked for so far back (our choice: every calendar here is
shorter, so that nothing older can make an act due)."""


@dataclass(frozen=True, slots=True)
class _Look:
    """What every part reads with."""

    site: Site
    bank: BankDescription
    reader: StoreReader
    zone: ZoneInfo
    now_ms: int
    span: tuple[int, int] | None
    entries: list[LogEntry]
    fulls_ms: list[int]

    def newest(self, kind: str, since_ms: int = 0) -> LogEntry | None:
        """The newest entry of a kind after a time."""
        return next((each for each in self.entries if each.kind == kind and each.time_ms > since_ms), None)


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


def care_report(
    site: Site, reader: StoreReader, found: Sequence[Found | Finding] | None = None
) -> dict[str, Any]:
    """The document: each act with its last time, the day it is due, why, how, what to mind; soonest first.

    is_due and due are None where nobody knows when it was done last. water_L is what overcharge split at most
    in the water_days between the first and the last full charge since, water_sd_L its deviation by the
    meters. Times are ISO 8601 UTC, days local at the site; site has its set points filled in. found are
    findings on the array of this moment; without them those of the daemon's last look count, whose day is
    `looked`, None where there was none.
    """
    now_ms, zone = now_of(reader).time_ms, site.site.zone
    last = last_look(reader) if found is None else None
    looked = day_at(zone, now_ms).day if found is not None else None if last is None else last.day
    look = _Look(
        site,
        describe_site(site),
        reader,
        zone,
        now_ms,
        reader.span(),
        reader.log(0, now_ms + 1, MOST_ENTRIES),
        sorted(_fulls(reader, now_ms)),
    )
    seen = found if found is not None else () if last is None else last.found
    kinds = [kind for kind in AFTER_DAYS if _belongs(site, kind)]
    if _lacks_a_cell(look) and LogKind.EQUALIZATION in kinds:
        kinds.remove(LogKind.EQUALIZATION)
    tasks = [_task(look, kind, seen) for kind in kinds]
    tasks.sort(key=_place)
    return {
        "time": iso_utc(now_ms),
        "site": site.site.name,
        "looked": None if looked is None else looked.isoformat(),
        "tasks": tasks,
    }


def _place(task: Mapping[str, Any]) -> tuple[int, str, int]:
    """What is due first, in the order in which one does it; then by the day; last what nobody knows."""
    if task["due"] is None:
        return 2, "", ORDER.index(task["kind"])
    return (
        (0, "", ORDER.index(task["kind"])) if task["is_due"] else (1, task["due"], ORDER.index(task["kind"]))
    )


def _fulls(reader: StoreReader, now_ms: int) -> Iterator[int]:
    """When the bank was told full, within BACK_MS."""
    end_ms = now_ms + 1
    while end_ms > now_ms - BACK_MS:
        start_ms = end_ms - PIECE_DAYS * DAY_MS
        yield from told_full(reader, start_ms, end_ms)
        end_ms = start_ms


def _belongs(site: Site, kind: str) -> bool:
    """Whether an act is for this site: a test of the capacity needs metered loads, and batteries that
    stand side by side alone have one voltage, which tells nothing of each."""
    if kind == LogKind.VOLTAGES and site.bank.units_in_series == 1:
        return False
    if kind == LogKind.CLEANING:
        return site.array is not None
    if kind == LogKind.EQUALIZATION:
        return site.bank.chemistry == "flooded"
    if kind == LogKind.CAPACITY:
        return site.bank.chemistry != "lifepo4" and site.metering.level != "charging"
    return kind in kinds_for(site)


def _task(look: _Look, kind: str, found: Sequence[Found | Finding]) -> dict[str, Any]:
    last = _last(look, kind)
    task: dict[str, Any] = {
        "kind": kind,
        "title": TITLES[LogKind(kind)],
        "last": None if last.time_ms is None else iso_utc(last.time_ms),
        "last_from": last.source,
        "due": None,
        "is_due": None,
        "why": last.source,
        "water_L": None,
        "water_sd_L": None,
        "water_days": None,
        "how": HINTS[kind],
        "cautions": list(MIND[kind]),
    }
    if last.time_ms is None:
        return task
    use, water = _use(look, kind, last.time_ms)
    by_finding = next(iter(_by_findings(look, kind, last, found)), None)
    reason = by_finding or soonest(limits(kind, use))
    due_ms = look.now_ms + round(max(0.0, reason.days_left) * DAY_MS)
    task |= {
        "due": day_at(look.zone, due_ms).day.isoformat(),
        "is_due": reason.days_left <= 0,
        "why": reason.words if by_finding else f"{last.source}; {reason.words}",
    }
    if water is not None:
        task["water_L"], task["water_sd_L"] = round(water.litres, 2), round(water.sd_L, 2)
        task["water_days"] = round(water.days, 1)
    return task


def _by_findings(look: _Look, kind: str, last: _Last, found: Sequence[Found | Finding]) -> list[Limit]:
    """Why an act is due now by what was measured or found, whatever the calendar says."""
    since_ms = last.time_ms or 0
    if kind == LogKind.EQUALIZATION:
        return [*_by_newest_gravity(look, since_ms), *_by_newest_voltages(look, since_ms)]
    if kind == LogKind.CLEANING:
        return [limit for each in found if (limit := _by_dirt(each, last)) is not None]
    if kind == LogKind.VOLTAGES:
        return _lacks_a_cell(look)
    return list(_by_learnt_capacity(look)) if kind == LogKind.CAPACITY else []


def _last(look: _Look, kind: str) -> _Last:
    """When an act was done last: by the log, by the stages seen, else since bank or readings began."""
    entry = look.newest(kind)
    done = [] if entry is None else [_Last(entry.time_ms, "done last by the log", written=True)]
    if kind == LogKind.EQUALIZATION:
        done += _equalized(look)
    if done:
        return max(done, key=lambda last: last.time_ms or 0)
    installed = look.site.bank.installed
    none = "none is written down"
    if installed is not None and kind != LogKind.CLEANING:
        start_ms = to_ms(datetime.combine(installed, time(), look.zone))
        if start_ms <= look.now_ms:
            return _Last(start_ms, f"{none}, counted from the day the bank was installed")
        none += f", and by the site file the bank will be installed on {installed} only: look at the year"
    if look.span is None:
        return _Last(None, f"{none}, and there are no readings yet")
    return _Last(look.span[0], f"{none}, counted from the first reading")


def _equalized(look: _Look) -> list[_Last]:
    """The last day on which the controller was seen to equalize, at its end."""
    if look.span is None:
        return []
    first = day_at(look.zone, max(look.span[0], look.now_ms - BACK_MS)).day
    last = day_at(look.zone, look.now_ms).day
    while last >= first:
        start = max(first, last - timedelta(days=PIECE_DAYS - 1))
        days = [each.day for each in look.reader.days(start, last) if _equalizes(each.quantity, each.maximum)]
        if days:
            end_ms = min(look.now_ms, local_day(look.zone, max(days)).end_ms - 1)
            return [_Last(end_ms, "the controller was seen to equalize last")]
        last = start - timedelta(days=1)
    return []


def _equalizes(quantity: str, highest: float) -> bool:
    return quantity == "charge_stage" and highest == Stage.EQUALIZATION


def _use(look: _Look, kind: str, since_ms: int) -> tuple[Use, _Water | None]:
    """The use since a time, where an act of the kind goes by it, and the water that overcharge took."""
    days = (look.now_ms - since_ms) / DAY_MS
    calendar = Use(days, 0.0), None
    if kind not in (LogKind.EQUALIZATION, LogKind.WATER) or look.span is None:
        return calendar
    start_ms = max(since_ms, look.span[0], look.now_ms - BACK_MS)
    watched_days = max(0.0, (look.now_ms - start_ms) / DAY_MS)
    if look.site.metering.level == "charging" or watched_days <= 0:
        return calendar
    if kind == LogKind.WATER:
        return _overcharged(look, days, watched_days, start_ms)
    stats = span_stats(look.reader, look.zone, FLOW_QUANTITIES, start_ms, look.now_ms + 1)
    moved = flow(stats, look.site.metering.level, watched_days * 86_400)
    cycles = None if moved.out_Ah is None else moved.out_Ah / look.bank.capacity_Ah
    return Use(days, watched_days, cycles), None


def _overcharged(look: _Look, days: float, watched_days: float, start_ms: int) -> tuple[Use, _Water | None]:
    """What was overcharged between the first and the last full charge of a time, and the water it took."""
    unknown = Use(days, watched_days), None
    fulls = [full_ms for full_ms in look.fulls_ms if full_ms >= start_ms]
    if len(fulls) < 2:
        return unknown
    seconds = (fulls[-1] - fulls[0]) / 1000
    stats = span_stats(look.reader, look.zone, FLOW_QUANTITIES, fulls[0], fulls[-1])
    between = flow(stats, look.site.metering.level, seconds)
    efficiency = coulombic_efficiency(between, look.bank.capacity_Ah, look.bank.meters)
    if efficiency is None or between.in_Ah is None:
        return unknown
    over_Ah, sd_Ah = max(0.0, between.in_Ah * (1 - efficiency.value)), between.in_Ah * efficiency.sd
    cells = look.site.bank.cells_in_series
    water = _Water(water_L(over_Ah, cells), water_L(sd_Ah, cells), seconds / 86_400)
    return Use(days, watched_days, overcharge=over_Ah / look.bank.capacity_Ah), water


def _by_dirt(found: Found | Finding, last: _Last) -> Limit | None:
    """Dirt on the glass that lasts, and that nobody has cleaned off since it began."""
    if found.kind != DIRT or found.end_ms is not None:
        return None
    if last.written and last.time_ms is not None and last.time_ms > found.start_ms:
        return None
    words = f"dirt takes about {100 * found.size:.0f} % of the light ({100 * found.confidence:.0f} % sure)"
    return Limit(0.0, f"{words}: the command “nightbank array” has the evidence")


def _by_newest_gravity(look: _Look, since_ms: int) -> list[Limit]:
    """What the newest readings of the cells since the last equalization ask for."""
    newest = look.newest(LogKind.HYDROMETER, since_ms)
    cells = None if newest is None else gravities_of(newest)
    if newest is None or cells is None:
        return []
    after_full = any(0 <= newest.time_ms - full_ms <= FULL_BEFORE_MS for full_ms in look.fulls_ms)
    return list(by_gravity(cells, after_full))


def _by_newest_voltages(look: _Look, since_ms: int) -> list[Limit]:
    """What the newest voltages of the batteries since the last equalization ask for."""
    newest = look.newest(LogKind.VOLTAGES, since_ms)
    units = None if newest is None else units_of(newest, look.site.bank)
    return [] if units is None else list(by_voltages(units))


def _lacks_a_cell(look: _Look) -> list[Limit]:
    """Whether by the newest voltages a battery has lost a cell: then nobody must equalize."""
    newest = look.newest(LogKind.VOLTAGES)
    units = None if newest is None else units_of(newest, look.site.bank)
    return [] if units is None else list(by_lacking_cell(units))


def _by_learnt_capacity(look: _Look) -> list[Limit]:
    """What the capacity that the estimate has learnt asks for."""
    learnt = estimated_capacity(look.reader)
    if learnt is None or not learnt.is_learnt:
        return []
    return list(by_loss(learnt, last_tested(look.entries), look.bank.capacity_Ah))
