"""In the daemon: ask the system to halt before the bank's supply ends, where the site file wants that.

The daemon has no right to halt anything (its unit drops them all), and none is given to it: it writes a file
into the folder that systemd has made for it below /run, and `nightbank-halt@.path`, root's and started by
whoever wants halts, watches for it. /run is memory, so a request never outlives the start that it was for.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from pathlib import Path

from monitor.clock import Clock
from monitor.records import iso_utc
from monitor.site.model import Site

log = logging.getLogger("nightbank")

REQUEST = "halt-wanted"
"""The file's name in the folder; `systemd/nightbank-halt@.path` waits for it."""

GRACE_S = 60.0
"""From the alarm to the request: its notice goes out, and somebody may switch a load off (our choice)."""

UNHEARD_S = 180.0
"""Whoever still runs so long after its request has not been heard (our choice; systemd gives a stop 90 s)."""

Tell = Callable[[str, str, str], None]
"""Keeps an event and logs it: kind, subject, text (`Pipeline.tell`)."""


def runtime_folder() -> Path | None:
    """The folder below /run that systemd has made for this service (systemd.exec(5), RuntimeDirectory=)."""
    told = os.environ.get("RUNTIME_DIRECTORY", "").partition(":")[0]
    return Path(told) if told else None


class Halting:
    """Asks for the halt and takes it back. One thread uses it; it commits nothing."""

    def __init__(self, site: Site, clock: Clock, tell: Tell, folder: Path | None) -> None:
        self._wanted, self._clock, self._tell = site.computer.halt, clock, tell
        self._file = None if folder is None else folder / REQUEST
        self._since_s: float | None = None
        self._asked_s: float | None = None
        self._complained = False
        if self._file is not None:
            self._file.unlink(missing_ok=True)
        elif self._wanted:
            log.warning("halt = true, but systemd has given no folder (RUNTIME_DIRECTORY): nothing is halted")

    @property
    def asked(self) -> bool:
        """Whether the system has been asked to halt."""
        return self._asked_s is not None

    def follow(self, *, calls: bool | None) -> bool:
        """What is due once a second; calls says whether the alarm on the supply is active now. Where that
        cannot be told (None, as when the voltage is not read any more) nothing is asked and nothing taken
        back: a halt in vain leaves the place unwatched, power that ends without one costs a commit at most.

        True where something was told that is to be committed at once.
        """
        if not self._wanted or self._file is None:
            return False
        now_s = self._clock.elapsed_s()
        if calls is None:
            self._since_s = None
            return False
        if not calls:
            self._since_s, self._complained = None, False
            return self._take_back(self._file)
        if self._since_s is None:
            self._since_s = now_s
        if self._asked_s is None:
            return now_s - self._since_s >= GRACE_S and self._ask(self._file, now_s)
        if now_s - self._asked_s >= UNHEARD_S and not self._complained:
            self._complained = True
            log.error("nobody has taken the request to halt: is nightbank-halt@.path started for this site?")
        return False

    def _ask(self, file: Path, now_s: float) -> bool:
        try:
            file.write_text(f"the supply ends, {iso_utc(self._clock.now_ms())}\n", encoding="ascii")
        except OSError as error:
            if not self._complained:
                self._complained = True
                log.error("%s: the request to halt cannot be written: %s", file, error.strerror)
            return False
        self._asked_s = now_s
        text = "The computer is asked to halt before its supply ends. It starts when the supply comes back."
        self._tell("halt", "", text)
        return True

    def _take_back(self, file: Path) -> bool:
        if self._asked_s is None:
            return False
        self._asked_s = None
        file.unlink(missing_ok=True)
        self._tell("halt", "", "The bank has recovered; the computer is not asked to halt any more.")
        return True
