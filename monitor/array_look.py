"""The daemon's look at the array: what `nightbank array` finds, kept in the store for page and reports.

Once a week, in the small hours, the command is run as a process of its own; a thread waits for it and
`follow`, called in every round of the main loop, puts what it printed into the store. What stays on the glass
or in its light for weeks need not be looked for more often.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from monitor.clock import Clock
from monitor.log_lines import Warned
from monitor.records import HOUR_MS, parse_iso
from monitor.report_run import REST_S, OnceADay, Report, ReportRun
from monitor.site.model import Site
from monitor.store.base import StoreReader, StoreWriter

COMMAND = (sys.executable, "-m", "monitor.cli", "array")

NOTE = "array"
"""The store's note of the last look: the local day of it, and the findings as the command prints them."""

EVERY_DAYS = 7
"""So often it looks (our choice: what it tells of lasts for weeks, and a look reads half a year)."""

AFTER_MIDNIGHT_MS = 2 * HOUR_MS
"""Two hours after midnight the day's entry and the clock's check are made (our choice: one process at a
time)."""

TITLES: dict[str, str] = {
    "array_open": "The array was disconnected",
    "panel_lost": "A part of the parallel panels gives nothing",
    "diode_lost": "A panel has lost a part of its voltage",
    "shade": "Something shades the array",
    "soiling": "The glass gets dirty",
    "snow": "Snow lies on the panels",
    "heat_derating": "The controller holds back because it is hot",
    "clock_wrong": "The clock of the readings is wrong",
    "location_wrong": "The site file's place is wrong",
    "sensor_stuck": "A reading cannot be true",
}
"""What a person is told of each kind of finding."""


@dataclass(frozen=True, slots=True)
class Found:
    """A finding as it stands in the store: kind, size and confidence as in `nightbank array --json`; end_ms
    is None while it goes on."""

    kind: str
    start_ms: int
    end_ms: int | None
    size: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Look:
    """The last look at the array: its local day, and what was found."""

    day: date
    found: tuple[Found, ...]


class ArrayLook:
    """Keeps the store's note of the last look. Does nothing for a site without an array."""

    def __init__(
        self,
        site: Site,
        site_file: Path,
        store: StoreWriter,
        clock: Clock,
        command: Sequence[str] = COMMAND,
        rest_s: float = REST_S,
    ) -> None:
        """command prints what it finds as JSON; rest_s after the start nothing is run yet."""
        self._site_file, self._store, self._command = site_file, store, command
        self._works = site.array is not None
        self._days, self._today = OnceADay(site, clock, AFTER_MIDNIGHT_MS, rest_s), date.min
        self._warned = Warned("the array was not looked at: %s; tried again tomorrow, all else goes on")
        self._run = ReportRun("array look")

    @property
    def at_work(self) -> bool:
        """Whether a process is looking."""
        return self._run.at_work

    def follow(self) -> None:
        """Take what a process has found, or start one where a look is due. Returns at once."""
        report = self._run.taken()
        if report is not None:
            self._take(report)
        if not self._works or self._run.at_work or (today := self._days.turn()) is None:
            return
        last, self._today = last_look(self._store), today
        if last is None or not timedelta(0) <= today - last.day < timedelta(days=EVERY_DAYS):
            self._run.start([*self._command, str(self._site_file), "--json"])

    def stop(self) -> None:
        """End a process that is still at work; it looks again after the next start."""
        self._run.stop()

    def _take(self, report: Report) -> None:
        try:
            note = json.dumps({"day": str(self._today), "findings": json.loads(report.printed)["findings"]})
            look_of(note)
        except (ValueError, TypeError, KeyError) as error:
            why = report.trouble or f"what it printed is damaged: {error}"
        else:
            why = report.trouble
        if why:
            self._warned.fails(why)
        else:
            self._store.put_note(NOTE, note)
            self._warned.went_well()


def last_look(store: StoreReader) -> Look | None:
    """The last look at the array, None where there was none yet or it cannot be read."""
    try:
        return look_of(store.note(NOTE) or "")
    except (ValueError, TypeError, KeyError):
        return None


def look_of(note: str) -> Look:
    """The look that a note tells of. Raises ValueError, TypeError or KeyError for what is none."""
    told = json.loads(note)
    found = [
        Found(
            str(each["kind"]),
            parse_iso(each["start"]),
            None if each["end"] is None else parse_iso(each["end"]),
            float(each["size"]),
            float(each["confidence"]),
        )
        for each in told["findings"]
    ]
    return Look(date.fromisoformat(told["day"]), tuple(found))
