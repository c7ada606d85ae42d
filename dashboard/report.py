"""A period on one sheet: what the array gave, what was used, the bank's lowest points, the sky, alarms, care.

Pure but for `take_report`, which asks the store.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

from dashboard.care_rows import KIND_WORDS
from dashboard.days import (
    SKY_WORDS,
    DayRow,
    Span,
    energy,
    lowest_of,
    lowest_text,
    sentences,
    take_each_day,
    weekly,
)
from dashboard.local import day_text
from dashboard.words import number, percent, shown
from monitor.care.entry import figures_words
from monitor.records import Condition, DayStat, LogEntry, Transition, to_datetime
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.days import local_day

MOST_ALARMS, MOST_CARE = 5, 5
"""So many lines fit beside each other on the sheet; the rest is counted (our choice)."""

LONGEST_CARE = 64
"""Letters of an entry that the sheet has room for (our choice)."""

MOST_CHANGES = 20_000
"""So many changes of alarms are read; more in a year is no alarm system any more (our choice)."""

TEMPERATURE = "battery_temperature_C"


@dataclass(frozen=True, slots=True)
class Report:
    """A sheet. rows are its days, or weeks where it is long; figures are (label, value); alarms and care are
    lines, the last of which may tell how many more there are."""

    span: Span
    told: tuple[str, ...]
    rows: tuple[DayRow, ...]
    figures: tuple[tuple[str, str], ...]
    alarms: tuple[str, ...]
    care: tuple[str, ...]


def take_report(reader: StoreReader, site: Site, span: Span) -> Report:
    """The sheet of a span. Raises StoreError."""
    zone = ZoneInfo(site.site.time_zone)
    each_day = take_each_day(reader, site, span)
    days = [row for row, _ in each_day]
    rows = weekly(days) if span.by_week else tuple(days)
    stats = [stat for stat in reader.days(span.first, span.last) if stat.quantity == TEMPERATURE]
    start_ms, end_ms = local_day(zone, span.first).start_ms, local_day(zone, span.last).end_ms
    return Report(
        span,
        tuple(sentences(rows)),
        rows,
        tuple(figures_of(days, stats, site.bank.reserve_soc)),
        tuple(alarm_lines(reader.transitions(start_ms, end_ms, MOST_CHANGES), zone)),
        tuple(care_lines(reader.log(start_ms, end_ms), zone)),
    )


def figures_of(
    days: Sequence[DayRow], temperatures: Sequence[DayStat], reserve: float
) -> Iterable[tuple[str, str]]:
    """The sheet's table; what is not known is left out, so that no line promises what nobody measured."""
    read = [day for day in days if day.days]
    yield "Days with readings", f"{len(read)} of {len(days)}"
    for label, values in (
        ("The array gave", [day.harvest_Wh for day in read]),
        ("A clear sky would have given", [day.clear_sky_Wh for day in read]),
        ("Left unused by the full bank", [day.unused_Wh for day in read]),
        ("The loads took", [day.used_Wh for day in read]),
    ):
        known = [value for value in values if value is not None]
        if known:
            yield label, f"{energy(sum(known))}{_of_days(len(known), len(read))}"
    yield from _lowest(read, reserve)
    yield from _fulls(read)
    skies = Counter(day.sky for day in read)
    told = "; ".join(f"{skies[sky]} {SKY_WORDS[sky]}" for sky in SKY_WORDS if skies[sky])
    if told:
        yield "Days by their sky", told
    if temperatures:
        coldest = min(temperatures, key=lambda stat: stat.minimum)
        warmest = max(temperatures, key=lambda stat: stat.maximum)
        yield (
            "Bank's temperature",
            f"{shown(coldest.minimum, TEMPERATURE)} ({day_text(coldest.day)}) to"
            f" {shown(warmest.maximum, TEMPERATURE)} ({day_text(warmest.day)})",
        )


def _of_days(known: int, read: int) -> str:
    return "" if known == read else f" on {known} {'day' if known == 1 else 'days'}"


def _lowest(read: Sequence[DayRow], reserve: float) -> Iterable[tuple[str, str]]:
    charged = [day for day in read if day.soc_min is not None]
    lowest = lowest_of(charged)
    if lowest is not None:
        below = sum(1 for day in charged if (day.soc_min or 0.0) < reserve)
        limit, days = f"below the reserve of {percent(reserve)}", "day" if len(charged) == 1 else "days"
        often = f"{limit} on {below} of {len(charged)} {days}" if below else f"never {limit}"
        told = f"{lowest_text(lowest)} on {day_text(lowest.first)}"
        yield "Lowest charge", told if any(day.is_rough for day in charged) else f"{told}; {often}"
    volts = [(day.voltage_min_V, day.first) for day in read if day.voltage_min_V is not None]
    if volts:
        lowest_V, day = min(volts)
        yield "Lowest voltage", f"{number(lowest_V, 1)} V on {day_text(day)}"


def _fulls(read: Sequence[DayRow]) -> Iterable[tuple[str, str]]:
    known = [day for day in read if day.full_days is not None]
    if not known:
        return
    without = sum(1 for day in known if not day.full_days)
    text = f"{without} of {len(known)}"
    if without:
        text += f"; the longest run {_longest(known)}"
    full = [day.first for day in known if day.full_days]
    if full:
        text += f"; last full on {day_text(full[-1])}"
    yield "Days without a full bank", text


def _longest(known: Sequence[DayRow]) -> int:
    """The most known days in a row without a full bank; a day that is not known ends a run."""
    longest = run = 0
    before: date | None = None
    for day in known:
        follows = before is not None and day.first - before == timedelta(days=1)
        run = 0 if day.full_days else run + 1 if follows else 1
        longest, before = max(longest, run), day.first
    return longest


def alarm_lines(transitions: Sequence[Transition], zone: ZoneInfo) -> Iterable[str]:
    """What was raised, most often first: 'Low voltage (high): 3 times, last on 19 Nov'."""
    raised = [each for each in transitions if each.after == Condition.UNACKNOWLEDGED]
    by_name: Mapping[str, list[Transition]] = {
        name: list(some)
        for name, some in groupby(sorted(raised, key=lambda each: each.alarm), lambda each: each.alarm)
    }
    ordered = sorted(by_name.items(), key=lambda item: (-len(item[1]), item[0]))
    for name, some in ordered[:MOST_ALARMS]:
        newest = max(some, key=lambda each: each.time_ms)
        times = "once" if len(some) == 1 else f"{len(some)} times, last"
        yield f"{name} ({newest.priority}): {times} on {_day(newest.time_ms, zone)}"
    if len(ordered) > MOST_ALARMS:
        rest = sum(len(some) for _, some in ordered[MOST_ALARMS:])
        yield f"and {len(ordered) - MOST_ALARMS} more alarms, raised {rest} times"
    if len(transitions) == MOST_CHANGES:
        yield "more than could be counted; the earliest are left out"


def care_lines(entries: Sequence[LogEntry], zone: ZoneInfo) -> Iterable[str]:
    """What was done, newest first: '19 Nov: Water added, 0.5 L. All cells low.'"""
    for entry in entries[:MOST_CARE]:
        parts = (KIND_WORDS.get(entry.kind, entry.kind), figures_words(entry), " ".join(entry.text.split()))
        said = ". ".join(part.rstrip(".") for part in parts if part)
        if len(said) > LONGEST_CARE:
            said = f"{said[: LONGEST_CARE - 1].rstrip()}…"
        yield f"{_day(entry.time_ms, zone)}: {said}"
    if len(entries) > MOST_CARE:
        yield f"and {len(entries) - MOST_CARE} more on the page Care"


def _day(time_ms: int, zone: ZoneInfo) -> str:
    return day_text(to_datetime(time_ms).astimezone(zone))
