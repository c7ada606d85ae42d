"""The last check of the daemon's clock: whether the array wakes and sleeps with the sun.

Where no network keeps the time, `nightbank array` is run once a local day over the last fortnight, as a
process of its own. If it finds that the readings' noon is not the sun's by more than the clock may be wrong,
the clock is doubted. Nothing is moved by it: the light tells minutes, and not always.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

from monitor.clock.steady import NETWORK, SteadyClock
from monitor.report_run import REST_S, OnceADay, ReportRun
from monitor.site.model import Site

COMMAND = (sys.executable, "-m", "monitor.cli", "array")

LOOK_BACK_DAYS = 14
"""Days that are judged; `nightbank array` reads more to learn from (our choice)."""

AFTER_MIDNIGHT_MS = 60 * 60_000
"""An hour after midnight the days' entries are made, too (our choice: one process at a time)."""


class SunClock:
    """Keeps the clock's `sun_doubt`. Does nothing for a site without an array."""

    def __init__(
        self,
        site: Site,
        site_file: Path,
        clock: SteadyClock,
        command: Sequence[str] = COMMAND,
        rest_s: float = REST_S,
    ) -> None:
        """command prints what it finds as JSON; rest_s after the start nothing is run yet."""
        self._site_file, self._clock, self._command = site_file, clock, command
        self._works = site.array is not None
        self._days = OnceADay(site, clock, AFTER_MIDNIGHT_MS, rest_s)
        self._run = ReportRun("sun clock")

    @property
    def at_work(self) -> bool:
        """Whether a process is judging."""
        return self._run.at_work

    def follow(self) -> None:
        """Take what a process has found, or start one where that is due. Returns at once."""
        report = self._run.taken()
        if report is not None:
            self._clock.sun_doubt = doubt_of(report.printed, self._clock.error_s)
        if self._run.at_work:
            return
        if self._clock.course.source == NETWORK:
            self._clock.sun_doubt = ""
        elif self._works and (today := self._days.turn()) is not None:
            self._start(today - timedelta(days=LOOK_BACK_DAYS))

    def stop(self) -> None:
        """End a process that is still at work."""
        self._run.stop()

    def _start(self, first: date) -> None:
        self._run.start([*self._command, str(self._site_file), "--from", first.isoformat(), "--json"])


def doubt_of(printed: str, error_s: float | None) -> str:
    """The doubt in what `nightbank array --json` has printed, '' without one.

    error_s is how wrong the clock may be by itself. A command that told nothing (no table of the sun yet, too
    few days) raises no doubt.
    """
    try:
        found = json.loads(printed)["findings"]
        off_min = [
            float(each["size"]) for each in found if each["kind"] == "clock_wrong" and each["end"] is None
        ]
    except (ValueError, KeyError, TypeError):
        return ""
    worst_min = max(off_min, key=abs, default=0.0)
    if abs(worst_min) * 60 <= (error_s or 0.0):
        return ""
    way = "fast" if worst_min > 0 else "slow"
    return f"by the array's light the monitor's clock is {abs(worst_min):.0f} min {way}"
