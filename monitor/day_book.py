"""The daemon's share of the weather book: each finished day's entry in the store, for page and reports.

Once after the start and then once a local day, some time after midnight, `nightbank days` is run as a process
of its own over the days that have no entry yet; a thread waits for it and `follow`, called in every round of
the main loop, puts what came into the store. So judging weeks of rows costs the daemon neither time nor
memory. An entry is the object that `nightbank days --json` prints for the day.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from monitor.clock import Clock
from monitor.local_days import dates, day_at, zone_of
from monitor.log_lines import Warned
from monitor.records import DAY_MS
from monitor.report_run import OnceADay, Report, ReportRun
from monitor.site.model import Site
from monitor.store.base import StoreReader, StoreWriter

COMMAND = (sys.executable, "-m", "monitor.cli", "days")

NOTE_PREFIX = "days/"
"""A day's entry is the store's note under this and the date, `days/2026-11-24`."""

BACK_DAYS = 60
"""So far back a missing entry is made up for; older days are `nightbank days`' (our choice)."""

AFTER_MIDNIGHT_MS = 20 * 60_000
"""The last readings of a day are committed by then, the slowest store included (our choice)."""


def note_key(day: date) -> str:
    """The key of a day's note."""
    return NOTE_PREFIX + day.isoformat()


class DayBook:
    """Keeps the store's entries of finished days. Does nothing for a site without an array."""

    def __init__(
        self,
        site: Site,
        site_file: Path,
        store: StoreWriter,
        clock: Clock,
        command: Sequence[str] = COMMAND,
    ) -> None:
        self._store, self._clock, self._command = store, clock, command
        self._site_file = site_file
        self._zone = site.site.zone
        self._works = site.array is not None
        self._days = OnceADay(site, clock, AFTER_MIDNIGHT_MS)
        self._anew: set[date] = set()
        self._warned = Warned("the days' entries were not made: %s; tried again tomorrow, all else goes on")
        self._run = ReportRun("days")

    @property
    def at_work(self) -> bool:
        """Whether a process is making entries."""
        return self._run.at_work

    def follow(self) -> None:
        """Take what a process has finished, or start one where a day's entry is due. Returns at once."""
        report = self._run.taken()
        if report is not None:
            self._take(report)
        if not self._works or self._run.at_work or (today := self._days.turn()) is None:
            return
        missing = missing_days(self._store, today, self._zone.key, self._anew)
        if missing:
            self._start(missing[0], missing[-1])
            self._anew.difference_update(missing)

    def moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms: of all days that it touched entries are made anew, of
        those to come when they are over."""
        now_ms = self._clock.now_ms()
        first = day_at(self._zone, max(min(from_ms, from_ms + by_ms), now_ms - BACK_DAYS * DAY_MS)).day
        last = day_at(self._zone, min(max(now_ms, now_ms - by_ms), now_ms + BACK_DAYS * DAY_MS)).day
        self._anew |= set(dates(first, last))
        self._days.again()

    def stop(self) -> None:
        """End a process that is still at work; its days are made up for after the next start."""
        self._run.stop()

    def _start(self, first: date, last: date) -> None:
        days = ["--from", first.isoformat(), "--to", last.isoformat(), "--json"]
        self._run.start([*self._command, str(self._site_file), *days])

    def _take(self, report: Report) -> None:
        try:
            entries = {each["date"]: json.dumps(each) for each in json.loads(report.printed or "[]")}
        except (ValueError, TypeError, KeyError) as error:
            report = Report("", report.trouble or f"what it printed is damaged: {error}")
        if report.trouble:
            self._warned.fails(report.trouble)
            return
        for day, entry in entries.items():
            self._store.put_note(NOTE_PREFIX + day, entry)
        self._warned.went_well()


def missing_days(store: StoreReader, today: date, time_zone: str, anew: Collection[date] = ()) -> list[date]:
    """The finished local days with readings, at most BACK_DAYS back, that have no entry yet, or one
    that is to be made anew, in order."""
    span = store.span()
    if span is None:
        return []
    zone = zone_of(time_zone)
    first = max(day_at(zone, span[0]).day, today - timedelta(days=BACK_DAYS))
    last = min(day_at(zone, span[1]).day, today - timedelta(days=1))
    days = dates(first, last)
    read = {stat.day for stat in store.days(first, last)} if days else set()
    return [day for day in days if day in read and (day in anew or store.note(note_key(day)) is None)]


def entries(store: StoreReader, first: date, last: date) -> Iterator[tuple[date, dict[str, Any]]]:
    """The stored entries of the local days first..last; a day without one that can be read is left out.

    One after the other: a year of them together takes a page 2 MB, which stay with it."""
    for day in dates(first, last):
        text = store.note(note_key(day))
        if text is not None:
            with suppress(ValueError):  # a spoilt one must not hide the other days
                yield day, json.loads(text)
