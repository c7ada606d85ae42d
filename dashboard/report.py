"""A period on one sheet: the season of the bank in the page's own words and numbers, cut to a sheet's room.

What it says is `monitor.season_words`', as `nightbank season` says it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from dashboard.care_rows import KIND_WORDS
from dashboard.days import Span, sentences, weekly
from dashboard.local import day_text, in_form
from dashboard.words import number
from monitor.care.entry import figures_words
from monitor.day_rows import DayRow
from monitor.local_days import day_at
from monitor.records import LogEntry
from monitor.season.alarms import Raised
from monitor.season_report import Season, season_of
from monitor.season_words import (
    Writing,
    alarm_lines,
    array_rows,
    bank_rows,
    done_lines,
    fault_rows,
    tasks_of,
)
from monitor.site.load import with_defaults
from monitor.site.model import Site
from monitor.store.base import StoreReader

MOST_ALARMS, MOST_ENTRIES = 5, 2
"""So many lines fit beside each other on the sheet; the rest is counted (our choice)."""

LONGEST_ENTRY = 64
"""Letters of an entry that the sheet has room for (our choice)."""

UNKNOWN = "not known"
"""A figure that begins so is left out of the sheet's table and named below it."""


@dataclass(frozen=True, slots=True)
class Report:
    """A sheet. rows are its days, or weeks where it is long; figures are (label, value).

    unknown are the labels of figures that nobody measured; alarms, done and due are lines."""

    span: Span
    told: tuple[str, ...]
    rows: tuple[DayRow, ...]
    figures: tuple[tuple[str, str], ...]
    unknown: tuple[str, ...]
    alarms: tuple[str, ...]
    done: tuple[str, ...]
    due: tuple[str, ...]


def take_report(reader: StoreReader, site: Site, span: Span) -> Report:
    """The sheet of a span. Raises StoreError."""
    zone, described = site.site.zone, with_defaults(site)[0]
    season = season_of(described, reader, span.first, span.last)
    how = Writing(number, lambda day: day_text(day, year=day.year != span.last.year))

    def local(time_ms: int) -> date:
        return day_at(zone, time_ms).day

    rows = weekly(season.rows) if span.by_week else season.rows
    figures = [
        *bank_rows(season, local, how),
        *array_rows(season.gave, how),
        *fault_rows(season, local, how),
    ]
    return Report(
        span,
        tuple(sentences(rows)),
        rows,
        tuple((label, value) for label, value in figures if not value.startswith(UNKNOWN)),
        tuple(label for label, value in figures if value.startswith(UNKNOWN)),
        tuple(alarms_of(season.alarms, local, how)),
        (*done_lines(season.done, local, how), *entry_lines(season.entries, local, how)),
        tuple(due_lines(season, how)),
    )


def alarms_of(alarms: Sequence[Raised], local: Callable[[int], date], how: Writing) -> Iterable[str]:
    """The alarms that were raised most often, and how many more there were."""
    yield from alarm_lines(alarms[:MOST_ALARMS], local, how)
    rest = alarms[MOST_ALARMS:]
    if rest:
        times = sum(each.times for each in rest)
        yield f"and {len(rest)} more alarms, raised {times} times"


def entry_lines(entries: Sequence[LogEntry], local: Callable[[int], date], how: Writing) -> Iterable[str]:
    """The newest entries of the log: '19 Nov: Water added, 0.5 L. All cells low.'"""
    for entry in entries[:MOST_ENTRIES]:
        figures = in_form(figures_words(entry))
        parts = (KIND_WORDS.get(entry.kind, entry.kind), figures, " ".join(entry.text.split()))
        said = ". ".join(part.rstrip(".") for part in parts if part)
        if len(said) > LONGEST_ENTRY:
            said = f"{said[: LONGEST_ENTRY - 1].rstrip()}…"
        yield f"{how.day(local(entry.time_ms))}: {said}"
    if len(entries) > MOST_ENTRIES:
        yield f"and {len(entries) - MOST_ENTRIES} more on the page Care"


def due_lines(season: Season, how: Writing) -> Iterable[str]:
    """What is due now and next; how it is done stands on the page Care."""
    due, coming = tasks_of(season.tasks)
    for task in due:
        yield f"{task['title']}: due now"
    for task in coming:
        yield f"{task['title']}: by {how.day(date.fromisoformat(task['due']))}"
