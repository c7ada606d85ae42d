"""The sites' days: each sends what is new when its time has come, is offline, comes back and catches up.

Simulated time goes from one site's turn to the next, as fast as the server takes it or at a given speed. A
site's turn is one request of at most `MOST_LINES`, oldest first; what a server will not take now is sent
again later, and time stands still meanwhile, so nothing waits in memory.
"""

from __future__ import annotations

import heapq
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from random import Random

from simulator.fleet.link import Away, Link, NotTaken
from simulator.fleet.plan import DEVICES, QUANTITIES, FleetError, Plan
from simulator.fleet.site import FleetSite

MOST_LINES = 1000
"""Lines of one request (our choice, as the mirrors have it)."""

CATCH_UP_EVERY_MS = 2000
"""Between two requests of a site that catches up: 500 lines a second, the pace of a mirror."""

LATE_SHARE = 0.1
"""A site's turn comes later than due by up to this share of the time between two (our choice)."""

CONNECTIONS = 4
"""Requests that are under way at once (our choice: more than a server on the same few cores works at)."""

FIRST_WAIT_S, LONGEST_WAIT_S = 0.25, 30.0
"""Waits after a request that was not taken: doubled each time, each by half at random (our choice: a load
that is watched should be back soon)."""

LOOK_S = 0.5
"""How often a run looks whether it was stopped (our choice)."""

PATIENCE_S = 300.0
"""A server that has taken nothing for so long ends the run (our choice)."""

Sent = Callable[[int], None]


@dataclass(slots=True)
class Tally:
    """What was sent. offline are the numbers of the sites that had no network for a while; not_taken has the
    server's words by the names of sites of which it has refused lines."""

    lines: int = 0
    values: int = 0
    text_bytes: int = 0
    requests: int = 0
    tried_again: int = 0
    wall_s: float = 0.0
    offline: set[int] = field(default_factory=set)
    not_taken: dict[str, str] = field(default_factory=dict)


class Loading:
    """One run of a fleet."""

    def __init__(
        self,
        plan: Plan,
        sites: Sequence[FleetSite],
        make_link: Callable[[], Link],
        *,
        speed: float | None = None,
        sent: Sent | None = None,
    ) -> None:
        """speed is simulated over real time, None as fast as it goes; sent hears of lines that were taken."""
        self._plan, self._make_link, self._speed, self._sent = plan, make_link, speed, sent
        self._rng = Random(f"{plan.seed}/turns")
        self._turns = [(self._first_turn_ms(), site.number, site, 0) for site in sites]
        heapq.heapify(self._turns)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._wrong: list[BaseException] = []
        self._began_s = time.monotonic()
        self.stopped = False
        self.tally = Tally()

    def run(self) -> None:
        """Send all. Raises FleetError; an interruption stops it, as does whoever sets `stopped`, and `tally`
        has what was sent till then."""
        self._began_s = time.monotonic()
        threads = [threading.Thread(target=self._work, daemon=True) for _ in range(CONNECTIONS)]
        try:
            self._work(most=1)  # whoever typed a wrong address hears of it at once
            for thread in threads:
                thread.start()
            for thread in threads:
                while thread.is_alive() and not self.stopped:
                    thread.join(LOOK_S)
        finally:
            self._stop.set()
            for thread in threads:
                if thread.ident is not None:
                    thread.join()
            self.tally.wall_s = time.monotonic() - self._began_s
        if self._wrong:
            raise self._wrong[0]

    def _first_turn_ms(self) -> int:
        return self._plan.start_ms + round(self._rng.random() * self._plan.send_every_ms)

    def _work(self, most: int | None = None) -> None:
        """Take turns until none is left, or `most` of them that sent something."""
        link = self._make_link()
        try:
            while not (self._stop.is_set() or self.stopped) and (turn := self._next()) is not None:
                due_ms, site, given = turn
                self._wait_until(due_ms)
                end = min(site.polled_by(due_ms), given + MOST_LINES // len(DEVICES))
                if due_ms > self._plan.end_ms:
                    end = min(self._plan.polls, given + MOST_LINES // len(DEVICES))
                if end > given:
                    self._send(link, site, site.lines(given, end), patient=most is None)
                self._again(due_ms, site, end)
                if most is not None and end > given:
                    return
        except Exception as error:
            if most is not None:
                raise
            self._wrong.append(error)
            self._stop.set()
        finally:
            link.close()

    def _next(self) -> tuple[int, FleetSite, int] | None:
        """The earliest turn, with what the site has given by then; None where no more come."""
        with self._lock:
            if not self._turns:
                return None
            due_ms, _, site, given = heapq.heappop(self._turns)
        return due_ms, site, given

    def _again(self, due_ms: int, site: FleetSite, given: int) -> None:
        """Give the site its next turn, unless all of it is sent."""
        plan = self._plan
        if given >= plan.polls:
            return
        with self._lock:
            late = self._rng.random() * LATE_SHARE
            if site.polled_by(due_ms) > given:
                next_ms = due_ms + CATCH_UP_EVERY_MS
            else:
                next_ms = due_ms + round(plan.send_every_ms * (1 + late))
            for from_ms, to_ms in site.offline:
                if from_ms <= next_ms < to_ms:
                    next_ms = to_ms + round(plan.send_every_ms * late)
                    self.tally.offline.add(site.number)
            if next_ms > plan.end_ms:  # the end of the time: whoever is offline still comes back
                next_ms = max(due_ms, plan.end_ms + 1)
            heapq.heappush(self._turns, (next_ms, site.number, site, given))

    def _wait_until(self, due_ms: int) -> None:
        if self._speed is not None:
            since_s = (due_ms - self._plan.start_ms) / 1000 / self._speed
            self._stop.wait(max(0.0, self._began_s + since_s - time.monotonic()))

    def _send(self, link: Link, site: FleetSite, lines: list[str], *, patient: bool) -> None:
        """Hand lines over, again and again until they are taken. Raises FleetError."""
        text, tries, began_s = "\n".join(lines), 0, time.monotonic()
        while not self._stop.is_set():
            try:
                link.write(text)
            except NotTaken as error:
                with self._lock:
                    self.tally.not_taken.setdefault(site.name, str(error))
                return
            except Away as error:
                tries += 1
                if not patient:
                    raise FleetError(
                        f"{error}. Nothing was sent; does the server run, is --url right?"
                    ) from None
                if time.monotonic() - began_s > PATIENCE_S:
                    raise self._given_up(error) from None
                asked_s = min(error.wait_s or 0.0, LONGEST_WAIT_S)
                wait_s = min(FIRST_WAIT_S * 2**tries, LONGEST_WAIT_S) * Random().uniform(0.5, 1)
                self._stop.wait(max(asked_s, wait_s))
            else:
                self._note(lines, text, tries)
                return

    def _given_up(self, error: Away) -> FleetError:
        return FleetError(
            f"{error}. For {PATIENCE_S / 60:g} minutes it took nothing; {self.tally.lines:,} of "
            f"{self._plan.lines:,} lines were sent. Start the same once more when the server is back: "
            "what it has comes into its own place"
        )

    def _note(self, lines: list[str], text: str, tries: int) -> None:
        with self._lock:
            tally = self.tally
            tally.lines += len(lines)
            tally.values += len(lines) // len(DEVICES) * len(QUANTITIES)
            tally.text_bytes += len(text)
            tally.requests += 1
            tally.tried_again += tries
            if self._sent is not None:
                self._sent(len(lines))
