"""One lane a channel: a worker thread hands over one notice at a time; a queue brings back what became of it.

A channel that cannot be reached rests as a whole, so that after an outage the highest priority still goes
first; a notice that a working channel refuses waits by itself and lets others pass.
"""

from __future__ import annotations

import queue
import random
import threading
from dataclasses import dataclass

from monitor.clock import Clock
from monitor.errors import NoticeError
from monitor.notices.channels import Channel
from monitor.notices.retry import LEAST_SHARE, wait_s
from monitor.notices.secrets import Secrets
from monitor.records import Notice


@dataclass(frozen=True, slots=True)
class Result:
    """What became of one delivery; error is None where it arrived."""

    channel: str
    notice: Notice
    error: NoticeError | None


class Lane:
    """The deliveries on one channel. The main thread uses it; only the hand-over runs beside it."""

    def __init__(
        self,
        name: str,
        channel: Channel,
        secrets: Secrets,
        clock: Clock,
        rng: random.Random,
        results: queue.SimpleQueue[Result],
    ) -> None:
        self.name, self.channel = name, channel
        self.failures = 0
        self.failing_since_ms = 0
        self._secrets, self._clock, self._rng, self._results = secrets, clock, rng, results
        self._failed_ms, self._share = 0, 1.0
        self._thread: threading.Thread | None = None

    @property
    def busy(self) -> bool:
        """Whether a delivery is under way."""
        return self._thread is not None

    def is_free(self, *, urgent: bool) -> bool:
        """Whether a delivery may begin now; urgent says that one is waiting that rests less long.

        A failure that lies ahead comes from a clock that was put back, and is no reason to wait.
        """
        if self._thread is not None:
            return False
        rest_ms = 1000 * wait_s(self.failures, urgent=urgent, share=self._share)
        return not 0 <= self._clock.now_ms() - self._failed_ms < rest_ms

    def start(self, notice: Notice) -> None:
        """Hand a notice over; it must stand as 'trying' in the store."""
        self._thread = threading.Thread(target=self._deliver, args=(notice,), name=self.name, daemon=True)
        self._thread.start()

    def ended(self, error: NoticeError | None) -> None:
        """Take note of a delivery's end: the lane rests after a failure that is not of that notice alone."""
        self._thread = None
        if error is None or error.refused:
            self.failures = 0
            return
        self._failed_ms = self._clock.now_ms()
        if self.failures == 0:
            self.failing_since_ms = self._failed_ms
        self.failures += 1
        self._share = self._rng.uniform(LEAST_SHARE, 1.0)

    def wait(self, seconds: float) -> None:
        """Wait for the delivery under way, at most so long."""
        if self._thread is not None:
            self._thread.join(seconds)

    def _deliver(self, notice: Notice) -> None:
        error: NoticeError | None = None
        try:
            self.channel.send(notice)
        except NoticeError as fault:
            error = NoticeError(
                self._secrets.scrub(str(fault)),
                refused=fault.refused,
                may_have_arrived=fault.may_have_arrived,
            )
        except Exception as fault:  # whatever a library raises: the notice is kept and tried again
            text = self._secrets.scrub(f"an error that was not foreseen ({type(fault).__name__}: {fault})")
            error = NoticeError(text, may_have_arrived=True)
        self._results.put(Result(self.name, notice, error))
