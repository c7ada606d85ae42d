"""The daemon's share of the sun: tables of what a clear sky gives today and in the coming days, in the store,
of the last weeks' days with readings that have none (history that an import or a demo brought in), and what
a clear sky gives in each month.

Once after the start and then once a local day the almanac's process is started, if a table is missing or
belongs to another site file; a thread waits for it, and `follow`, called in every round of the main loop,
puts what came into the store. So nothing of pvlib is ever in the daemon, and the loop never waits. Tables of
past days stay: reports read them, and a year of them is one megabyte.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Sequence
from datetime import date, timedelta

from monitor.clock import Clock
from monitor.errors import SunError
from monitor.local_days import day_at
from monitor.log_lines import Warned
from monitor.outlook.sky import BEHIND_DAYS
from monitor.report_run import OnceADay
from monitor.site.model import Site
from monitor.store.base import StoreWriter
from monitor.sun.expected import Supply, almanac_request, note_key, noted, supply_of
from monitor.sun.helper import COMMAND, AlmanacRun
from monitor.sun.months import MONTHS_NOTE, mean_days, months_note, months_of, noted_months
from monitor.sun.table import unpacked

log = logging.getLogger("nightbank")

AHEAD_DAYS = 7
"""Today and the six days after it (our choice: as far as the outlook goes)."""

END_WAIT_S = 5.0
"""How long a stop waits for the process to end (our choice; it ends at once)."""


class SunTables:
    """Keeps the store's tables of the sun up to date. Does nothing for a site without an array."""

    def __init__(
        self, site: Site, store: StoreWriter, clock: Clock, command: Sequence[str] = COMMAND
    ) -> None:
        """site must have its set points filled in."""
        self._store, self._command = store, command
        self._zone = site.site.zone
        self._supply: Supply | None = None
        self._days = OnceADay(site, clock, 0)
        self._warned = Warned("%s; it is tried again every day, and all else goes on")
        self._missing: set[date] = set()
        self._run: AlmanacRun | None = None
        self._thread: threading.Thread | None = None
        self._done: queue.SimpleQueue[dict[date, str] | SunError] = queue.SimpleQueue()
        if site.array is not None:
            try:
                self._supply = supply_of(site)
            except SunError as error:
                log.warning("no tables of the sun: %s", error)

    @property
    def pid(self) -> int | None:
        """The process at work now."""
        return None if self._run is None else self._run.pid

    def follow(self) -> None:
        """Take what a process has finished, or start one where the day's is due. Returns at once."""
        if self._run is not None:
            self._take()
        elif self._supply is not None and (today := self._days.turn()) is not None:
            self._start(self._supply, today)

    def stop(self) -> None:
        """End a process that is still at work; its tables are made after the next start."""
        if self._run is not None and self._thread is not None:
            self._run.end()
            self._thread.join(END_WAIT_S)

    def _start(self, supply: Supply, today: date) -> None:
        first = today - timedelta(days=self._days_behind(today))
        days = [first + timedelta(days=number) for number in range((today - first).days + AHEAD_DAYS)]
        self._missing = {day for day in days if noted(supply, day, self._store) is None}
        stand_for_months = set() if noted_months(supply, self._store) else set(mean_days())
        asked = sorted(self._missing | stand_for_months)
        if not asked:
            return
        try:
            self._run = AlmanacRun(almanac_request(supply, asked), self._command)
        except SunError as error:
            self._warned.fails(str(error))
            return
        self._thread = threading.Thread(target=self._wait_for, args=(self._run,), name="sun", daemon=True)
        self._thread.start()

    def _days_behind(self, today: date) -> int:
        """How many days back the store has readings, at most as many as the outlook judges."""
        span = self._store.span()
        read = 0 if span is None else (today - day_at(self._zone, span[0]).day).days
        return min(BEHIND_DAYS, max(0, read))

    def _wait_for(self, run: AlmanacRun) -> None:
        try:
            self._done.put({unpacked(line).day: line for line in run.lines()})
        except SunError as error:
            self._done.put(error)
        except ValueError as error:
            self._done.put(SunError(f"the sun's tables came damaged: {error}"))

    def _take(self) -> None:
        try:
            done = self._done.get_nowait()
        except queue.Empty:
            return
        self._run = self._thread = None
        if isinstance(done, SunError):
            self._warned.fails(str(done))
            return
        for day in self._missing & done.keys():
            self._store.put_note(note_key(day), done[day])
        if self._supply is not None and set(mean_days()) <= done.keys():
            months = months_of({day: unpacked(done[day]).steps for day in mean_days()})
            self._store.put_note(MONTHS_NOTE, months_note(self._supply, months))
        self._warned.went_well()
