"""Whether a server can be reached: when the next try is due, and what a person is told of an outage."""

from __future__ import annotations

import logging
from random import Random

from monitor.clock import Clock
from monitor.errors import ServerError, Trouble
from monitor.notices.retry import LEAST_SHARE, wait_s
from monitor.records import Event

log = logging.getLogger("nightbank")

TOLD_AFTER_S = 600.0
"""An outage that lasts so long is told as an event (our choice: a server that starts again is nothing to
tell); where somebody must change something it is told at once."""

KIND = "store"
"""The kind of the events."""


class Link:
    """The way to one server."""

    def __init__(self, clock: Clock, host: str, rng: Random | None = None) -> None:
        self._clock, self._host, self._rng = clock, host, rng or Random()
        self._failures = 0
        self._since_s: float | None = None
        self._next_s = 0.0
        self._told = False
        self.error: ServerError | None = None

    @property
    def is_due(self) -> bool:
        """Whether the server is to be tried now."""
        return self.error is None or self._clock.elapsed_s() >= self._next_s

    def failed(self, error: ServerError) -> Event | None:
        """A try failed; an event, if it is time to tell."""
        now_s = self._clock.elapsed_s()
        if self._since_s is None:
            self._since_s = now_s
        if self.error is None or str(self.error) != str(error):
            log.warning("%s; what comes is kept on this computer until it can be written there", error)
        self.error = error
        self._failures += 1
        share = self._rng.uniform(LEAST_SHARE, 1.0)
        self._next_s = now_s + wait_s(self._failures, urgent=True, share=share, asked_s=error.wait_s)
        if self._told or (error.trouble is not Trouble.DENIED and now_s - self._since_s < TOLD_AFTER_S):
            return None
        self._told = True
        text = f"The server takes nothing: {error}. What comes is kept on this computer; it is tried again."
        return Event(self._clock.now_ms(), KIND, self._host, text)

    def went_well(self) -> Event | None:
        """A request was answered; an event, if an outage was told."""
        event = None
        if self.error is not None:
            log.info("%s: takes readings again", self._host)
            if self._told:
                text = "The server takes readings again; what was kept for it is sent now."
                event = Event(self._clock.now_ms(), KIND, self._host, text)
        self._failures, self._since_s, self._told, self.error = 0, None, False, None
        return event
