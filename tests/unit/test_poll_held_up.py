"""What a poll makes of a process that was held up: no old value, no device told to be silent for it.

The clock is driven: it jumps where the process would have stood still. The real thing, SIGSTOP on a daemon,
is `tests/faults/test_held_up.py`.
"""

from __future__ import annotations

import queue
import random
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor import poll
from monitor.clock import SystemClock
from monitor.clock.kernel import Kernel
from monitor.clock.steady import NETWORK, SteadyClock
from monitor.devices.device import Line, build_lines
from monitor.devices.health import HealthRecord
from monitor.devices.text_device import TextDevice
from monitor.errors import DeviceError, LineLost, NoAnswer
from monitor.poll import HELD_UP_S, poll_once
from monitor.records import Reading, parse_iso
from tests.unit.far_ends import PtyFarEnd, shunt_line
from tests.unit.test_devices import shunt_at, site_of

NOON = parse_iso("2026-11-24T12:00:00Z")
USUAL_S, LONG_S = 0.25, 30.0
QUANTITY = "battery_voltage_V"


class JumpingClock(SystemClock):
    """Stands, but for what is skipped."""

    def __init__(self) -> None:
        self._elapsed_s = 1000.0

    def skip(self, seconds: float) -> None:
        self._elapsed_s += seconds

    def elapsed_s(self) -> float:
        return self._elapsed_s

    def now_ms(self) -> int:
        return NOON + round(1000 * self._elapsed_s)


class Slow:
    """A device whose polls take as long as listed, and end with an error where one is; its value is how
    often it has been asked."""

    name, every_s, quantities = "charger", 5.0, (QUANTITY,)

    def __init__(self, clock: JumpingClock, *polls: tuple[float, DeviceError | None]) -> None:
        self.clock = clock
        self.health = HealthRecord(self.name, "/dev/x 9600 baud", clock.now_ms())
        self._polls, self.asked = [*polls], 0

    def poll(self, again: bool = False) -> list[Reading]:
        self.asked += 1
        takes_s, error = self._polls.pop(0)
        self.clock.skip(takes_s)
        if error is not None:
            raise error
        return [Reading(self.clock.now_ms(), self.name, QUANTITY, float(self.asked))]

    def close(self) -> None:
        """Nothing is held open."""


def answers(*polls: tuple[float, DeviceError | None]) -> Slow:
    """A device that has answered once, as quickly as ever."""
    device = Slow(JumpingClock(), (USUAL_S, None), *polls)
    assert poll_once(device).error is None
    return device


def test_what_came_to_a_poll_that_was_held_up_is_asked_for_anew() -> None:
    device = answers((LONG_S, None), (USUAL_S, None))
    (reading,) = poll_once(device).readings
    assert (reading.value, device.asked) == (3.0, 3)


def test_one_that_takes_a_little_longer_is_not() -> None:
    device = answers((HELD_UP_S, None))
    (reading,) = poll_once(device).readings
    assert (reading.value, device.asked) == (2.0, 2)


def test_a_device_that_is_that_slow_each_time_is_asked_anew_only_once() -> None:
    device = answers((LONG_S, None), (LONG_S, None), (LONG_S, None), (LONG_S, None))
    assert poll_once(device).readings[0].value == 3.0
    assert poll_once(device).readings[0].value == 4.0
    assert poll_once(device).readings[0].value == 5.0


@pytest.mark.parametrize("error", [NoAnswer("no answer"), LineLost("hung up")])
def test_a_poll_that_failed_for_it_makes_no_device_silent(error: DeviceError) -> None:
    device = answers((LONG_S, error), (USUAL_S, None))
    result = poll_once(device, retry_within_s=device.every_s)
    assert (result.error, result.health.state) == (None, "answering")
    assert result.health.errors == {error.kind: 1}


def test_a_device_that_is_gone_is_told_so_after_the_usual_tries() -> None:
    gone = NoAnswer("no answer")
    device = answers((LONG_S, gone), (1.0, gone), (1.0, gone))
    result = poll_once(device, retry_within_s=device.every_s)
    assert (result.error, result.health.state, device.asked) == (gone, "silent", 4)
    device = Slow(JumpingClock(), (LONG_S, gone))
    assert (poll_once(device).health.state, device.asked) == ("never answered", 1)


def test_a_silent_device_whose_poll_was_held_up_is_not_left_alone_for_that() -> None:
    """Beside another on its line it may cost a twentieth of the time (`poll.SILENCE_SHARE`): by its own two
    seconds of time-outs it is asked again within one minute, by the stop it would be after ten."""
    gone = NoAnswer("no answer")
    device = answers((1.0, gone), (1.0, gone), (LONG_S, gone))
    line = Line("bus", None, (device, Slow(device.clock)))
    worker = poll._Worker(line, device.clock, queue.SimpleQueue(), threading.Event(), random.Random(1))
    job = poll._Job(device, device.clock.elapsed_s())
    for _ in range(2):
        worker._poll(job)
    assert device.health.failures_in_a_row == 2
    assert job.due_s - device.clock.elapsed_s() < 2 * LONG_S


# --- a sender of text ------------------------------------------------------------------------------------


class Shunt:
    """A shunt's line on a real pseudo-terminal, open and heard once. Its clock is the computer's, and what a
    stop adds to it: while it waits for a line, or with the line read, the process stands still, and lines
    come."""

    def __init__(self, link: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.far_end, self.clock = PtyFarEnd(link), SkippingClock()
        (self.line,) = build_lines(site_of(shunt_at(link, timeout_s=1.0)), Path(), self.clock)
        (device,) = self.line.devices
        assert isinstance(device, TextDevice)
        self.device, self._stops = device, list[tuple[float, tuple[float, ...]]]()
        self._behind: tuple[float, tuple[float, ...]] | None = None
        receive = device._port.receive

        def held_up(wait_s: float) -> bytes:
            if wait_s > 0 and self._stops:
                self._stand_still(*self._stops.pop(0))
            data = receive(wait_s)
            if data and self._behind is not None:
                behind, self._behind = self._behind, None
                self._stand_still(*behind)
            return data

        monkeypatch.setattr(device._port, "receive", held_up)
        assert self.polled((0.0, (12.5,))) == 12.5

    def first(self, volts: float, *, waits: bool) -> list[tuple[float, tuple[float, ...]]]:
        """A line that comes while the next poll waits for it, as a stop of no time, or lies there before."""
        if waits:
            return [(0.0, (volts,))]
        self.far_end.say(shunt_line(volts))
        return []

    def _stand_still(self, seconds: float, volts: tuple[float, ...]) -> None:
        self.far_end.say(b"\r\n" + b"".join(map(shunt_line, volts)))
        self.clock.skipped_s += seconds

    def polled(
        self,
        *stops: tuple[float, tuple[float, ...]],
        behind: tuple[float, tuple[float, ...]] | None = None,
    ) -> float | None:
        """The voltage of a poll, in whose waits the process stands still so long and these lines come;
        behind: as soon as it has read the first."""
        self._stops += stops
        self._behind = behind
        result = poll_once(self.device)
        assert not self._stops
        assert self._behind is None
        return next((each.value for each in result.readings if each.quantity == QUANTITY), None)


class SkippingClock(SystemClock):
    """The computer's, and what was skipped."""

    def __init__(self) -> None:
        self.skipped_s = 0.0

    def elapsed_s(self) -> float:
        return super().elapsed_s() + self.skipped_s


@pytest.fixture
def shunt(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shunt]:
    made = Shunt(tmp_path / "shunt", monkeypatch)
    yield made
    made.line.close()
    made.far_end.close()


def test_a_line_that_may_be_as_old_as_a_long_stop_is_not_taken(shunt: Shunt) -> None:
    assert shunt.polled((LONG_S, (12.61, 12.62)), (0.0, (12.8,))) == 12.8


def test_nor_is_one_of_so_many_that_the_port_may_have_lost_the_newest(shunt: Shunt) -> None:
    assert shunt.polled((5.0, (12.61,) * 70), (0.0, (12.8,))) == 12.8


def test_the_newest_of_a_few_is_taken_though_the_time_to_wait_is_over(shunt: Shunt) -> None:
    assert shunt.polled((5.0, (12.61, 12.62))) == 12.62


BEHIND = pytest.mark.parametrize("waits", [True, False], ids=["waited for", "there before the poll"])


@BEHIND
def test_what_was_read_just_before_a_stop_gives_way_to_what_came_in_it(shunt: Shunt, waits: bool) -> None:
    assert shunt.polled(*shunt.first(12.61, waits=waits), behind=(5.0, (12.62, 12.63))) == 12.63


@BEHIND
def test_where_nothing_newer_came_in_a_short_stop_it_stays(shunt: Shunt, waits: bool) -> None:
    assert shunt.polled(*shunt.first(12.61, waits=waits), behind=(5.0, ())) == 12.61


@BEHIND
def test_what_came_in_a_long_stop_behind_it_is_not_taken_either(shunt: Shunt, waits: bool) -> None:
    first = shunt.first(12.61, waits=waits)
    assert shunt.polled(*first, (0.0, (12.8,)), behind=(LONG_S, (12.62,))) == 12.8


def test_a_sender_that_fell_silent_meanwhile_is_told_after_the_usual_wait(shunt: Shunt) -> None:
    assert shunt.polled((LONG_S, (12.61,))) is None
    assert shunt.device.health.state == "silent"


# --- the clock -------------------------------------------------------------------------------------------


class Halting(Kernel):
    """A kernel whose system clock is right; between looks at it and at the count the process stands still."""

    def __init__(self, root: Path) -> None:
        super().__init__(root, lambda: True)
        self.count, self.halts_ms = 1_000_000, 0

    @property
    def boot(self) -> str:
        return "this one"

    def count_ms(self) -> int:
        return self.count

    def system_ms(self) -> int:
        told_ms = NOON + self.count
        self.count += self.halts_ms
        return told_ms


def test_two_clocks_that_were_not_looked_at_together_move_nothing(tmp_path: Path) -> None:
    kernel = Halting(tmp_path)
    clock = SteadyClock.start(kernel, None, None)
    assert clock.now_ms() == NOON + kernel.count
    kernel.halts_ms = 30_000
    assert clock.look() is None
    assert clock.now_ms() == NOON + kernel.count
    kernel.halts_ms = 0
    assert clock.look() is None
    assert clock.course.source == NETWORK
