"""The poll loop: who is due, retries, back-off, and each device's health.

One thread a line, so that a slow or dead device delays nobody on another line. On its own line a silent
device is asked again at ever longer intervals, long enough that its silence takes no more than a twentieth
of the line's time from the others; one that has its line to itself delays nobody and keeps its period.
Due times lie on a grid of the monotonic clock and do not drift.
"""

from __future__ import annotations

import logging
import math
import os
import queue
import random
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.clock import Clock
from monitor.clock.receiver import TimeTold
from monitor.devices.device import Device, Line
from monitor.devices.registers import PASSING_REFUSALS
from monitor.devices.text_device import TextDevice
from monitor.errors import BadFrame, DeviceError, EchoHeard, ForeignReply, LineLost, Refused
from monitor.records import DeviceHealth, Quality, Reading

log = logging.getLogger(__name__)

LONGEST_BACK_OFF_S = 60.0
SILENCE_SHARE = 0.05
"""Of a shared line's time a silent device may cost this share, whatever that makes of the back-off."""
LOOK_S = 0.25
"""How often a missing port is looked for; looking costs one stat."""
ROUND_S = 10.0
"""A waiting thread comes round to its loop at least this often, so that it can be told from a stuck one."""
OPEN_TRIES = 5
"""A port that has just appeared may not be openable yet: so many tries, LOOK_S apart (our choice)."""
MOST_WAITING = 2000
"""Results that wait to be taken; with more the lines wait, too (our choice: some ten megabytes; six devices
each second make as many in five minutes, and the watchdog ends a daemon that takes none for one)."""


@dataclass(frozen=True, slots=True)
class PollResult:
    """What one poll gave: readings, or a missing one for each quantity and the error; what it told of the
    time, by the clock on the wires."""

    device: str
    readings: tuple[Reading, ...]
    health: DeviceHealth
    error: DeviceError | None
    times: tuple[TimeTold, ...] = ()


HELD_UP_S = 2.0
"""A poll that takes so much longer than two good ones was held up, most likely with the whole process (our
choice: a stamp may be so wrong; twice, since a device may be asked anew within a poll)."""


def poll_once(device: Device, retry_within_s: float = 0.0) -> PollResult:
    """Poll a device now, in the caller's thread; raises nothing.

    A device that was answering is asked once or twice more while less than retry_within_s has passed. Where
    the poll was held up, on a computer that swaps or a process that was stopped, what came may be old, and
    what failed may have failed for that: then all is asked anew, once.
    """
    health, clock = device.health, device.clock
    started_s = clock.elapsed_s()
    attempts, is_anew = 0, False
    while True:
        attempt_s = clock.elapsed_s()
        attempts += 1
        error = None
        try:
            readings = tuple(device.poll(again=attempts > 1))
        except DeviceError as fault:
            error = fault
        except Exception as fault:  # a fault of ours must not end the polling of a device
            log.exception("%s: polling failed in an unforeseen way", device.name)
            error = DeviceError(f"{device.name}: {type(fault).__name__}: {fault}")
        now_s, now_ms = clock.elapsed_s(), clock.now_ms()
        if error is not None:
            health.count(error)
        if not is_anew and _was_held_up(device, error, now_s - attempt_s):
            started_s, attempts, is_anew = now_s, 0, True
            continue
        if error is None:
            health.answered(now_ms, now_s - attempt_s)
            times = device.take_times() if isinstance(device, TextDevice) else ()
            return PollResult(device.name, readings, health.told(), None, times)
        worth_another = health.state == "answering" and attempts < _tries(error)
        if not worth_another or now_s - started_s >= retry_within_s:
            health.failed(now_ms)
            return PollResult(device.name, _missing(device, error, now_ms), health.told(), error)


def _was_held_up(device: Device, error: DeviceError | None, took_s: float) -> bool:
    """Whether a poll took much longer than the last good one, and so says nothing of now.

    One that fails on a device that was not answering may well have waited. A sender of text is waited for
    itself, and knows how old its lines are.
    """
    usual_s = device.health.round_trip_s
    if usual_s is None or isinstance(device, TextDevice):
        return False
    return took_s > HELD_UP_S + 2 * usual_s and (error is None or device.health.state == "answering")


def _tries(error: DeviceError) -> int:
    """How often a device that was answering is asked in one cycle when it fails with this error.

    A damaged answer at least shows a living device, and the second try asks with a probe first: with 1 % of
    the answers hit, two tries lose more than one cycle in a thousand (tests/bench/poll_delivery.py).
    """
    if isinstance(error, (BadFrame, ForeignReply)):
        return 3
    if isinstance(error, EchoHeard) or (isinstance(error, Refused) and error.code not in PASSING_REFUSALS):
        return 1
    return 2


def _missing(device: Device, error: DeviceError, now_ms: int) -> tuple[Reading, ...]:
    return tuple(
        Reading(now_ms, device.name, quantity, None, Quality.MISSING, error.kind)
        for quantity in device.quantities
    )


class Poller:
    """Polls the lines' devices, each in its period, and puts every result into a queue."""

    def __init__(
        self,
        lines: Sequence[Line],
        clock: Clock,
        results: queue.SimpleQueue[PollResult],
        seed: int | None = None,
    ) -> None:
        self._stop = threading.Event()
        rng = random.Random(seed)
        self._workers = [
            _Worker(line, clock, results, self._stop, random.Random(rng.random())) for line in lines
        ]

    def start(self) -> None:
        """Begin to poll; every device is due at once."""
        for worker in self._workers:
            worker.thread.start()

    def stop(self, timeout_s: float = 5) -> None:
        """End the polling and close the lines; may be called twice, and before start."""
        self._stop.set()
        end_s = time.monotonic() + timeout_s
        for worker in self._workers:
            if worker.thread.is_alive():
                worker.thread.join(max(0.0, end_s - time.monotonic()))

    def slow_to(self, least_s: float) -> None:
        """Poll no device more often than once in least_s seconds; 0: each in its own period again.

        A line comes round to it within ROUND_S.
        """
        for worker in self._workers:
            worker.least_s = least_s

    def longest_stall_s(self) -> float:
        """How long the line that has been busy or stuck longest has not come round to its loop.

        A thread that has ended counts as stuck for ever.
        """
        return max((worker.stall_s() for worker in self._workers), default=0.0)


class _Job:
    """When one device is due."""

    def __init__(self, device: Device, due_s: float) -> None:
        self.device = device
        self.grid_s = self.due_s = due_s
        self.period_s = device.every_s
        self.lost = False  # its port or connection was not there at the last poll
        self.open_tries = 0
        self.cost_s = math.inf  # of the last poll, where that brought nothing

    def next_on_grid(self, now_s: float) -> float:
        """The first slot of the period after now; slots that a slow poll has missed are left out."""
        return self.grid_s + (math.floor((now_s - self.grid_s) / self.period_s) + 1) * self.period_s

    def keep_to(self, least_s: float, now_s: float) -> None:
        """Take a period of at least least_s seconds; one that is shorter brings the next poll nearer."""
        period_s = max(self.device.every_s, least_s)
        if period_s != self.period_s:
            self.period_s = period_s
            self.due_s = min(self.due_s, self.next_on_grid(now_s))


class _Worker:
    """One line and its thread."""

    def __init__(
        self,
        line: Line,
        clock: Clock,
        results: queue.SimpleQueue[PollResult],
        stop: threading.Event,
        rng: random.Random,
    ) -> None:
        self._line, self._clock, self._results, self._stop, self._rng = line, clock, results, stop, rng
        self.thread = threading.Thread(target=self._run, name=f"line {line.name}", daemon=True)
        self._port_seen = True
        self._came_round_s = clock.elapsed_s()
        self.least_s = 0.0

    def stall_s(self) -> float:
        """Seconds since the thread last came round to its loop."""
        if not self.thread.is_alive():
            return math.inf
        return self._clock.elapsed_s() - self._came_round_s

    def _run(self) -> None:
        start_s = self._clock.elapsed_s()
        jobs = [_Job(device, start_s) for device in self._line.devices]
        try:
            while jobs and not self._stop.is_set():
                self._came_round_s = self._clock.elapsed_s()
                for each in jobs:
                    each.keep_to(self.least_s, self._came_round_s)
                job = min(jobs, key=lambda job: job.due_s)
                wait_s = job.due_s - self._came_round_s
                if wait_s <= 0:
                    self._poll(job)
                elif self._line.port is not None and any(job.lost for job in jobs):
                    self._stop.wait(min(wait_s, LOOK_S))
                    self._look_for_port(jobs)
                else:
                    self._stop.wait(min(wait_s, ROUND_S))
        finally:
            self._line.close()

    def _poll(self, job: _Job) -> None:
        started_s = self._clock.elapsed_s()
        # a second try must fit before the next slot, if it takes as long as a good poll
        retry_within_s = job.period_s - (job.device.health.round_trip_s or 0.0)
        result = poll_once(job.device, retry_within_s)
        now_s = self._clock.elapsed_s()
        job.due_s = job.next_on_grid(now_s)
        job.lost = isinstance(result.error, LineLost)
        if result.error is None:
            job.open_tries, job.cost_s = 0, math.inf
        elif job.lost:
            self._await_port(job, now_s)
        else:
            # The dearer of two may have been held up with the whole process: that makes no device rarer.
            cost_s, job.cost_s = job.cost_s, now_s - started_s
            job.due_s += self._back_off_s(job, min(cost_s, job.cost_s))
        if result.error is not None:
            job.device.health.will_try(job.device.clock.now_ms() + round(max(0.0, job.due_s - now_s) * 1000))
            result = PollResult(result.device, result.readings, job.device.health.told(), result.error)
        while self._results.qsize() >= MOST_WAITING and not self._stop.wait(LOOK_S):
            pass
        self._results.put(result)

    def _back_off_s(self, job: _Job, cost_s: float) -> float:
        """Seconds beyond the next slot until a device that gave no answer is asked again.

        Nothing for the first failure, for one that cost the line little, or where nobody waits.
        """
        failures, period = job.device.health.failures_in_a_row, job.period_s
        if failures < 2 or len(self._line.devices) == 1 or cost_s <= SILENCE_SHARE * period:
            return 0.0
        doubled_s = min(LONGEST_BACK_OFF_S, period * 2.0 ** min(failures - 1, 16))
        fair_s = cost_s * (1 / SILENCE_SHARE - 1)
        return max(doubled_s, fair_s) * self._rng.uniform(1.0, 1.2)

    def _await_port(self, job: _Job, now_s: float) -> None:
        """A port that is there but was not opened is tried again soon, a few times."""
        port = self._line.port
        self._port_seen = port is not None and os.path.exists(port)
        if self._port_seen and job.open_tries < OPEN_TRIES:
            job.open_tries += 1
            job.due_s = min(job.due_s, now_s + LOOK_S)

    def _look_for_port(self, jobs: Sequence[_Job]) -> None:
        """The devices of a port that has come back are due at once."""
        there = self._line.port is not None and os.path.exists(self._line.port)
        if there and not self._port_seen:
            now_s = self._clock.elapsed_s()
            for job in jobs:
                if job.lost:
                    job.due_s, job.open_tries = now_s, 0
        self._port_seen = there
