"""In the daemon: for a while every reading reaches the store within seconds, for whoever stands before it.

Asked for through the store like all else. A memory card bears a commit every two seconds for as long as a
checkup takes.
"""

from __future__ import annotations

from dataclasses import replace

from monitor.clock import Clock
from monitor.store.base import StoreWriter

KIND = "close look"
"""The kind of request; details: for_s, how many seconds from now on, 0 to end it."""

COMMIT_S = 2.0
"""How often the store is written meanwhile (our choice)."""

LONGEST_S = 3600.0
"""Nobody looks closer for longer at once (our choice)."""


class CloseLook:
    """Does the requests of this kind; whoever saves asks `commit_every_s`. One thread uses it."""

    def __init__(self, store: StoreWriter, clock: Clock, usual_s: float) -> None:
        self._store, self._clock, self._usual_s = store, clock, usual_s
        self._until_s = clock.elapsed_s()

    @property
    def looks(self) -> bool:
        """Whether somebody stands before the system now."""
        return self._clock.elapsed_s() < self._until_s

    @property
    def commit_every_s(self) -> float:
        """How often the store is to be written now."""
        return min(COMMIT_S, self._usual_s) if self.looks else self._usual_s

    def follow(self) -> None:
        """Take what is asked for; the answer goes with the next commit."""
        for request in self._store.open_requests():
            if request.kind != KIND:
                continue
            for_s = request.details.get("for_s")
            seconds = min(LONGEST_S, float(for_s)) if isinstance(for_s, int | float) else 0.0
            self._until_s = self._clock.elapsed_s() + seconds
            told = f"For {seconds / 60:.0f} min readings are written every {self.commit_every_s:g} s."
            if not seconds:
                told = f"Readings are written every {self._usual_s:g} s again."
            self._store.put_request(replace(request, done_ms=self._clock.now_ms(), outcome=told))
