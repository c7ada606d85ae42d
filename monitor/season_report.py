"""A season from the store: what the bank went through, what was done, what the array gave, what is due.

For `nightbank season` and for the page's sheet of a period. Day statistics and day entries tell it, so that a
year of readings costs no more than its days.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from monitor.array_look import Found, last_look
from monitor.bank.ledger import FLOW_QUANTITIES, Flow, equivalent_cycles, flow
from monitor.care_report import care_report
from monitor.day_rows import DayRow, each_day, lowest_of
from monitor.local_days import day_at, local_day, pieces_of
from monitor.power.dark_note import told_last
from monitor.present import now_of
from monitor.records import HOUR_MS, Bucket, DayStat, Event, LogEntry
from monitor.season.alarms import Raised, raised
from monitor.season.array import YIELDS, Gave, gave
from monitor.season.bank import (
    CHARGE,
    NOON_H,
    Extremes,
    Fulls,
    Nights,
    extremes,
    fulls,
    nights_below,
    vague_days,
)
from monitor.season.done import Done, done, is_equalizing
from monitor.season.watched import Watched, watched
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.fulls import FULL

if TYPE_CHECKING:
    from monitor.sun.findings import Finding

USUAL_DAYS = 91
"""So many days are told where none are asked for: a quarter of a year."""

NOON_MS = NOON_H * HOUR_MS

VOLTAGE, TEMPERATURE = "battery_voltage_V", "battery_temperature_C"
KEPT = {*FLOW_QUANTITIES, VOLTAGE, TEMPERATURE}
"""The quantities whose statistics are kept for the whole season."""

MOST_EVENTS, MOST_CHANGES, MOST_ENTRIES = 20_000, 20_000, 5_000
"""So much of a season is read; beyond it the newest are told, and that there was more (our choice: fifty
events a day for a year)."""


@dataclass(frozen=True, slots=True)
class Season:
    """The local days first..last of a site; None is unknown.

    rows are the days themselves. dark are the times in which nobody watched as the monitor told them, newest
    first. findings are those on the array (has_array) that touch these days by the look of the day `looked`,
    both None where nobody has looked yet. tasks are those of `nightbank care SITE due` as of made_ms. cut
    names what was too much to be read whole.
    """

    first: date
    last: date
    made_ms: int
    rows: tuple[DayRow, ...]
    watched: Watched
    reserve: float
    lowest: DayRow | None
    nights: Nights | None
    fulls: Fulls | None
    moved: Flow
    cycles: float | None
    voltage_V: Extremes | None
    temperature_C: Extremes | None
    alarms: tuple[Raised, ...]
    dark: tuple[Event, ...]
    entries: tuple[LogEntry, ...]
    done: Done
    gave: Gave
    has_array: bool
    findings: tuple[Finding | Found, ...] | None
    looked: date | None
    tasks: tuple[dict[str, Any], ...]
    cut: tuple[str, ...]


def season_of(
    site: Site, reader: StoreReader, first: date, last: date, findings: Sequence[Finding] | None = None
) -> Season:
    """The season of the local days first..last; site has its set points filled in.

    findings are those on the array of this moment; without them those of the monitor's last look count.
    Raises StoreError.
    """
    zone, now_ms = site.site.zone, now_of(reader).time_ms
    tasks = tuple(care_report(site, reader, findings)["tasks"])  # first, for it reads a year of its own
    days = [local_day(zone, first + timedelta(days=at)) for at in range((last - first).days + 1)]
    start_ms, end_ms = days[0].start_ms, days[-1].end_ms
    found = _read(reader, site.metering.level, first, last)
    rows, stats = found.rows, found.stats
    span = reader.span()
    first_ms = now_ms if span is None else span[0]
    seen = watched(days, found.read, stats, first_ms, now_ms)
    events = reader.events(start_ms, end_ms, MOST_EVENTS)
    changes = reader.transitions(start_ms, end_ms, MOST_CHANGES)
    entries = reader.log(start_ms, end_ms, MOST_ENTRIES)
    told_full = {day_at(zone, event.time_ms).day for event in events if event.kind == FULL}
    by_day = {row.first: _full(row, row.first in told_full, row.first in found.estimated) for row, _ in rows}
    asked_s = max(0.0, (min(end_ms, now_ms) - max(start_ms, first_ms)) / 1000)
    moved = flow(stats, site.metering.level, asked_s)
    found_faults, looked = None, None
    if site.array is not None:
        found_faults, looked = _faults(reader, findings, start_ms, end_ms, day_at(zone, now_ms).day)
    most = (
        (events, MOST_EVENTS, "events"),
        (changes, MOST_CHANGES, "alarms"),
        (entries, MOST_ENTRIES, "log"),
    )
    return Season(
        first,
        last,
        now_ms,
        tuple(row for row, _ in rows),
        seen,
        site.bank.reserve_soc,
        lowest_of(row for row, _ in rows),
        _nights(site, reader, first, last, found.vague) if found.estimated else None,
        fulls(by_day),
        moved,
        equivalent_cycles(moved.out_Ah, site.bank.capacity_Ah),
        extremes(stats, VOLTAGE),
        extremes(stats, TEMPERATURE),
        tuple(raised(changes, min(end_ms, now_ms))),
        tuple(told_last(events)),
        tuple(entries),
        done(entries, stats),
        gave(rows),
        site.array is not None,
        found_faults,
        looked,
        tasks,
        tuple(name for some, limit, name in most if len(some) == limit),
    )


def _faults(
    reader: StoreReader, findings: Sequence[Finding] | None, start_ms: int, end_ms: int, today: date
) -> tuple[tuple[Finding | Found, ...] | None, date | None]:
    """The faults that touch a span, and the day of the look that found them."""
    some: Sequence[Finding | Found]
    if findings is not None:
        some, looked = findings, today
    else:
        last = last_look(reader)
        if last is None:
            return None, None
        some, looked = last.found, last.day
    touching = tuple(
        each for each in some if each.start_ms < end_ms and (each.end_ms is None or each.end_ms > start_ms)
    )
    return touching, looked


def _full(row: DayRow, was_told: bool, was_estimated: bool) -> bool | None:
    """Whether the bank got full on a day: by the weather book, else by what the estimator told, if it ran."""
    if row.full_days is not None:
        return row.full_days > 0 or was_told
    return was_told if was_told or was_estimated else None


def _nights(site: Site, reader: StoreReader, first: date, last: date, vague: set[date]) -> Nights:
    """The nights from the evening of the day before first to the morning of last, some weeks at a time."""
    zone, before = site.site.zone, first - timedelta(days=1)
    vague = vague | vague_days(reader.days(before, before))
    charges = (
        bucket
        for begin, end in pieces_of(before, last - timedelta(days=1))
        for bucket in _by_hour(
            reader, local_day(zone, begin).start_ms + NOON_MS, local_day(zone, end).end_ms + NOON_MS
        )
    )
    return nights_below(site.bank.reserve_soc, charges, vague, zone)


def _by_hour(reader: StoreReader, start_ms: int, end_ms: int) -> tuple[Bucket, ...]:
    return reader.series(CHARGE, start_ms, end_ms, max(1, (end_ms - start_ms) // HOUR_MS)).buckets


@dataclass(frozen=True, slots=True)
class _Days:
    """The days with what a season needs of their entries; those with any reading, with an estimate of the
    charge, and with a vague one; and the statistics that a season needs."""

    rows: list[tuple[DayRow, Mapping[str, Any] | None]] = field(default_factory=list)
    read: set[date] = field(default_factory=set)
    estimated: set[date] = field(default_factory=set)
    vague: set[date] = field(default_factory=set)
    stats: list[DayStat] = field(default_factory=list)


def _read(reader: StoreReader, level: str, first: date, last: date) -> _Days:
    """The days first..last, some weeks at a time: a year of all quantities would be much for a page."""
    found = _Days()
    for begin, end in pieces_of(first, last):
        stats = reader.days(begin, end)
        for row, entry in each_day(reader, level, begin, end, stats):
            found.rows.append((row, entry and {key: entry.get(key) for key in YIELDS}))
        found.read.update(stat.day for stat in stats)
        found.estimated.update(stat.day for stat in stats if stat.quantity == CHARGE)
        found.vague.update(vague_days(stats))
        found.stats.extend(stat for stat in stats if stat.quantity in KEPT or is_equalizing(stat))
    return found
