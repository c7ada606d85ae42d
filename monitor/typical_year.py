"""The typical year that a site file names: read by a process of its own, its days kept as a note.

Once after the start, and once a local day where file or array have changed, the daemon has
`monitor.sun.typical` read it; a thread waits, and `follow`, called in every round of the main loop, puts what
came into the store. So neither daemon nor page ever carries pvlib, and the page has the days from the note.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from monitor.clock import Clock
from monitor.errors import SunError
from monitor.log_lines import Warned
from monitor.plan.sunlight import SkyDay
from monitor.report_run import LONGEST_S, OnceADay, Report, ReportRun
from monitor.site.load import with_defaults
from monitor.site.model import Site
from monitor.store.base import StoreReader, StoreWriter
from monitor.sun.expected import supply_of

COMMAND = (sys.executable, "-m", "monitor.sun.typical")

NOTE = "plan/typical-year"
"""The note that holds the days."""

YEAR = 2025
"""The days are told as of this year: a typical one is of many (any year without a leap day would do)."""


@dataclass(frozen=True, slots=True)
class TypicalYear:
    """The days of a typical year on a site's array, and the months' mean air. name is what its file calls the
    place, away_km how far that lies from the site."""

    file: str
    name: str
    away_km: float
    days: tuple[SkyDay, ...]
    air_C: tuple[float, ...]


def path_of(site: Site, site_file: Path) -> Path | None:
    """Where the site's typical year lies: its path is relative to the site file."""
    return None if site.site.typical_year is None else site_file.parent / site.site.typical_year


def noted_year(site: Site, reader: StoreReader, of: str | None = None) -> TypicalYear | None:
    """The typical year from the store's note: None without one, for a site that names none, or where the note
    is of another file or array than `of` says (`mark`)."""
    text = reader.note(NOTE)
    if text is None or site.site.typical_year is None:
        return None
    try:
        told = json.loads(text)
        found = _year(told, site.site.typical_year)
    except (KeyError, TypeError, ValueError):  # a spoilt one is made anew
        return None
    return None if of is not None and told.get("of") != of else found


def read_year(site_file: Path, file: Path) -> TypicalYear:
    """The typical year from its file, by a process that takes some seconds. Raises SunError."""
    try:
        done = subprocess.run(
            [*COMMAND, str(site_file), str(file)], capture_output=True, text=True, timeout=LONGEST_S
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise SunError(f"{file}: cannot be read: {error}") from error
    if done.returncode != 0:
        said = done.stderr.strip().splitlines()
        raise SunError(said[-1] if said else f"{file}: reading it ended with status {done.returncode}")
    return _year(json.loads(done.stdout), file.name)


def mark(site: Site, file: Path) -> str:
    """What a note belongs to: the file as it is, and the array. Raises SunError where one is not there."""
    try:
        known = file.stat()
    except OSError as error:
        raise SunError(f"[site] typical_year: {file}: {error.strerror}; check the path") from error
    return f"{file.name} {known.st_size} {known.st_mtime_ns} {supply_of(with_defaults(site)[0]).key}"


def _year(told: dict[str, Any], file: str) -> TypicalYear:
    days = tuple(
        SkyDay(date(YEAR, int(month), int(day)), float(sun_h), float(share))
        for month, day, sun_h, share in told["days"]
    )
    air_C = tuple(float(mean) for mean in told["air_C"])
    if len(air_C) != 12:
        raise ValueError("a typical year has twelve months")
    return TypicalYear(file, str(told["name"]), float(told["away_km"]), days, air_C)


class YearKeeper:
    """Keeps the note up to date. Does nothing for a site that names no typical year or has no array."""

    def __init__(
        self,
        site: Site,
        site_file: Path,
        store: StoreWriter,
        clock: Clock,
        command: Sequence[str] = COMMAND,
    ) -> None:
        self._site, self._site_file = site, site_file
        self._store, self._command = store, command
        self._file = path_of(site, site_file) if site.array is not None else None
        self._days = OnceADay(site, clock, 0)
        self._mark = ""
        self._warned = Warned("the typical year was not read: %s; tried again tomorrow, all else goes on")
        self._run = ReportRun("typical-year")

    def follow(self) -> None:
        """Take what the process has finished, or start it where the note is of another file."""
        if self._file is None:
            return
        report = self._run.taken()
        if report is not None:
            self._take(report)
        if self._run.at_work or self._days.turn() is None:
            return
        try:
            self._mark = mark(self._site, self._file)
        except SunError as error:
            self._warned.fails(str(error))
            return
        if noted_year(self._site, self._store, self._mark) is None:
            self._run.start([*self._command, str(self._site_file), str(self._file)])

    def stop(self) -> None:
        """End a process that is still at work; the note is made after the next start."""
        self._run.stop()

    def _take(self, report: Report) -> None:
        try:
            told = {} if report.trouble else json.loads(report.printed) | {"of": self._mark}
        except (ValueError, TypeError) as error:
            report = Report("", f"what it printed is damaged: {error}")
        if report.trouble:
            self._warned.fails(report.trouble)
            return
        self._store.put_note(NOTE, json.dumps(told))
        self._warned.went_well()
