"""Work that the daemon has a process do, since it must not take its own time and memory: the process, and
the days on which it is the work's turn.

A thread waits for the process; `taken`, called in every round of the main loop, gives what came.
"""

from __future__ import annotations

import os
import queue
import subprocess
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date

from monitor.clock import Clock
from monitor.local_days import day_at
from monitor.site.model import Site

REST_S = 3600.0
"""So long after a start no process is run that can wait: the daemon has enough to do (our choice)."""

LONGEST_S = 900.0
"""A process that has not ended by then hangs and is killed (our choice: two months take a small Pi a
minute)."""

END_WAIT_S = 5.0


@dataclass(frozen=True, slots=True)
class Report:
    """What a command has printed, and why it failed, '' where it did not."""

    printed: str
    trouble: str = ""


class OnceADay:
    """Whose turn it is among local days: each day's comes once, some time after midnight."""

    def __init__(self, site: Site, clock: Clock, after_midnight_ms: int, rest_s: float = 0.0) -> None:
        """No turn comes sooner than rest_s after the start."""
        self._zone, self._clock = site.site.zone, clock
        self._after_ms, self._from_s = after_midnight_ms, clock.elapsed_s() + rest_s
        self._had: date | None = None

    def turn(self) -> date | None:
        """The day whose turn has come now, None where there is none or it was had."""
        if self._clock.elapsed_s() < self._from_s:
            return None
        today = day_at(self._zone, self._clock.now_ms() - self._after_ms).day
        if today == self._had:
            return None
        self._had = today
        return today

    def again(self) -> None:
        """The present day has its turn once more."""
        self._had = None


class ReportRun:
    """Runs one process at a time. One thread uses it."""

    def __init__(self, name: str) -> None:
        """name is the waiting thread's."""
        self._name = name
        self._process: subprocess.Popen[str] | None = None
        self._thread: threading.Thread | None = None
        self._done: queue.SimpleQueue[Report] = queue.SimpleQueue()

    @property
    def at_work(self) -> bool:
        """Whether a process runs, or what it printed was not taken yet."""
        return self._process is not None

    def start(self, command: Sequence[str]) -> None:
        """Begin; a command that cannot be started at all is a report, too."""
        try:
            process = subprocess.Popen(
                command,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                encoding="utf-8",
                env={"OPENBLAS_NUM_THREADS": "1", **os.environ},
            )
        except OSError as error:
            self._done.put(Report("", f"{command[0]}: {error.strerror}"))
            return
        self._process = process
        self._thread = threading.Thread(target=self._wait_for, args=(process,), name=self._name, daemon=True)
        self._thread.start()

    def taken(self) -> Report | None:
        """What a process has printed since it was last asked, None while nothing has come."""
        try:
            report = self._done.get_nowait()
        except queue.Empty:
            return None
        self._process = self._thread = None
        return report

    def stop(self) -> None:
        """End a process that is still at work."""
        if self._process is not None and self._thread is not None:
            with suppress(ProcessLookupError):
                self._process.terminate()
            self._thread.join(END_WAIT_S)

    def _wait_for(self, process: subprocess.Popen[str]) -> None:
        try:
            printed, complaints = process.communicate(timeout=LONGEST_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
            self._done.put(Report("", f"it did not end within {LONGEST_S:.0f} s"))
            return
        said = complaints.strip().splitlines()
        last = said[-1] if said else f"it ended with status {process.returncode}"
        self._done.put(Report(printed, last if process.returncode else ""))
