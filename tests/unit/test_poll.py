"""The poll loop on real ptys and sockets: periods, retries, back-off, unplug and replug, health."""

from __future__ import annotations

import gc
import itertools
import os
import queue
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from far_ends import PtyFarEnd, RtuFarEnd, Talker, TcpFarEnd, charger_registers
from test_devices import EXPECTED, LINE, charger_at, shunt_at, site_of

from monitor import poll
from monitor.clock import SteppedClock, SystemClock
from monitor.devices.device import build_lines
from monitor.poll import Poller, PollResult, poll_once
from monitor.records import Quality
from tests.waiting import wait_for

pytestmark = pytest.mark.timed

BUSY = 10
"""So many times as long as it takes a computer with nothing else to do."""

Results = list[tuple[float, PollResult]]


class Run:
    """A poller at work; `until` collects its results with the time at which they came."""

    def __init__(self, *entries: dict[str, Any]) -> None:
        self.queue: queue.SimpleQueue[PollResult] = queue.SimpleQueue()
        clock = SystemClock()
        self.lines = build_lines(site_of(*entries), Path(), clock)
        self.poller = Poller(self.lines, clock, self.queue, seed=11)
        self.results: Results = []
        self.poller.start()

    def until(self, wanted: Callable[[PollResult], bool], within_s: float) -> tuple[float, PollResult]:
        end_s = time.monotonic() + BUSY * within_s
        while (left_s := end_s - time.monotonic()) > 0:
            try:
                result = self.queue.get(timeout=left_s)
            except queue.Empty:
                break
            self.results.append((time.monotonic(), result))
            if wanted(result):
                return self.results[-1]
        raise AssertionError(
            f"not seen within {BUSY * within_s} s; came: {[r.error for _, r in self.results]}"
        )

    def for_s(self, seconds: float) -> Results:
        """All results that come in this time."""
        first = len(self.results)
        end_s = time.monotonic() + seconds
        while (left_s := end_s - time.monotonic()) > 0:
            try:
                self.results.append((0.0, self.queue.get(timeout=left_s)))
            except queue.Empty:
                break
            self.results[-1] = (time.monotonic(), self.results[-1][1])
        return self.results[first:]


@pytest.fixture
def run() -> Iterator[Callable[..., Run]]:
    runs: list[Run] = []

    def start(*entries: dict[str, Any]) -> Run:
        runs.append(Run(*entries))
        return runs[-1]

    yield start
    for each in runs:
        each.poller.stop()


@pytest.fixture
def far_ends() -> Iterator[list[Any]]:
    ends: list[Any] = []
    yield ends
    for end in ends:
        end.stop() if isinstance(end, Talker) else end.close()


def good(result: PollResult) -> bool:
    return result.error is None


def failed(result: PollResult) -> bool:
    return result.error is not None


def test_every_device_keeps_its_period_without_drift(run, far_ends, tmp_path) -> None:
    far_ends += [RtuFarEnd(tmp_path / "a", {1: charger_registers()}, baud=115200, thought_s=0.04)]
    each = run(charger_at(tmp_path / "a", every_s=0.25, baud=115200))
    # A poll takes 0.12 s and more: begun a period after the last one's end there would be eight. Some of a
    # busy computer's spans have fewer, too.
    for _ in range(5):
        times = [at for at, result in each.for_s(3.1) if good(result)]
        if len(times) >= 11:
            break
    assert 11 <= len(times) <= 14, times


def test_a_dead_device_on_one_line_delays_no_other_line(run, far_ends, tmp_path) -> None:
    far_ends += [
        RtuFarEnd(tmp_path / "a", {1: charger_registers()}),
        RtuFarEnd(tmp_path / "dead", {}),
        PtyFarEnd(tmp_path / "mute"),
    ]
    each = run(
        charger_at(tmp_path / "a", every_s=0.5),
        charger_at(tmp_path / "dead", name="dead", every_s=0.5, timeout_s=2.0),
        shunt_at(tmp_path / "mute", every_s=0.5, timeout_s=2.0),
    )
    results = each.for_s(5)
    times = [at for at, result in results if result.device == "charger" and good(result)]
    gaps = sorted(later - earlier for earlier, later in itertools.pairwise(times))
    print(f"gaps between answers, period 0.5 s: median {gaps[len(gaps) // 2]:.3f}, most {gaps[-1]:.3f} s")
    assert len(times) >= 9
    assert gaps[-1] < 2 * 0.5, gaps  # no slot is lost; a dead device waits 2 s
    assert gaps[len(gaps) // 2] < 0.5 + 0.02, gaps
    assert {result.device for _, result in results if failed(result)} == {"dead", "shunt"}


def test_a_dead_unit_costs_its_line_at_most_a_twentieth(run, far_ends, tmp_path) -> None:
    far_ends += [RtuFarEnd(tmp_path / "a", {1: charger_registers()}, baud=115200)]
    each = run(
        charger_at(tmp_path / "a", every_s=0.2, baud=115200, timeout_s=0.25),
        charger_at(tmp_path / "a", every_s=0.2, baud=115200, timeout_s=0.25, name="dead", unit=2),
    )
    each.for_s(1.5)  # until the dead unit's silence is known
    results = each.for_s(9)
    answered = [result for _, result in results if good(result)]
    asked_dead = [result for _, result in results if result.device == "dead"]
    assert asked_dead, "a dead unit is still asked now and then"
    slots = 9 / 0.2
    print(f"beside a dead unit {len(answered)} of {slots:.0f} slots were answered")
    # By its time-outs: a busy computer misses slots of its own.
    assert 0.25 * len(asked_dead) <= 0.05 * 9 + 0.25
    assert len(answered) >= 0.5 * slots, (len(answered), len(asked_dead))
    assert all(failed(result) and result.health.state == "never answered" for result in asked_dead)
    assert all((result.health.next_try_ms or 0) > SystemClock().now_ms() - 9_000 for result in asked_dead)


def test_a_unit_that_comes_back_is_heard_again(run, far_ends, tmp_path) -> None:
    wire = RtuFarEnd(tmp_path / "a", {1: charger_registers()}, baud=115200)
    far_ends += [wire]
    each = run(charger_at(tmp_path / "a", every_s=0.5, baud=115200))
    each.until(good, 2)
    wire.units = {}
    _, silent = each.until(failed, 3)
    assert silent.health.state == "silent"
    each.for_s(1.5)
    wire.units = {1: charger_registers()}
    back_s = time.monotonic()
    at, result = each.until(good, 3)
    assert at - back_s < 0.5 + 0.5  # one poll + 0.5 s
    assert result.health.state == "answering"
    assert result.health.errors["no answer"] >= 3


def test_a_failed_poll_gives_a_missing_reading_of_every_quantity(run, far_ends, tmp_path) -> None:
    far_ends += [RtuFarEnd(tmp_path / "a", {})]
    each = run(charger_at(tmp_path / "a", every_s=1, timeout_s=0.2))
    _, result = each.until(failed, 2)
    assert len(result.readings) == 12
    assert {(r.value, r.quality, r.reason) for r in result.readings} == {(None, Quality.MISSING, "no answer")}
    assert (result.health.last_good_ms, result.health.polls) == (None, 1)
    assert result.health.errors == {"no answer": 1}
    assert "no answer within" in result.health.last_error


def test_one_lost_answer_is_asked_for_again_in_the_same_cycle(run, far_ends, tmp_path) -> None:
    wire = RtuFarEnd(tmp_path / "a", {1: charger_registers()}, baud=115200)
    far_ends += [wire]
    each = run(charger_at(tmp_path / "a", every_s=1, baud=115200, timeout_s=0.2))
    each.until(good, 2)
    wire.units = {}
    while len(wire.requests) == 3:  # the first request of the next cycle is lost
        time.sleep(0.005)
    wire.units = {1: charger_registers()}
    _, result = each.until(lambda _: True, 2)
    assert good(result)
    assert result.health.errors == {"no answer": 1}
    assert (result.health.state, result.health.polls) == ("answering", 2)


def test_after_a_damaged_answer_only_what_is_lacking_is_asked_again(run, far_ends, tmp_path) -> None:
    wire = RtuFarEnd(tmp_path / "a", {1: charger_registers()}, baud=115200)
    wire.damage_at = {4}  # the second answer of the second cycle
    far_ends += [wire]
    each = run(charger_at(tmp_path / "a", every_s=0.5, baud=115200))
    each.until(good, 2)
    _, result = each.until(lambda _: True, 2)
    assert good(result)
    assert [reading.value for reading in result.readings if reading.quality is Quality.GOOD] == list(
        EXPECTED.values()
    )
    assert result.health.errors == {"bad frame": 1}
    asked = [
        (int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big")) for frame in wire.requests[3:]
    ]
    assert asked[:2] == [(43, 2), (700, 9)]
    assert asked.count((700, 9)) == 2
    assert len(asked) == 6, "the block again, with a probe before it and one after it, and the last block"
    assert asked[-1] == (712, 4)


def test_a_device_that_only_sends_damage_is_asked_three_times_a_cycle(run, far_ends, tmp_path) -> None:
    wire = RtuFarEnd(tmp_path / "a", {1: charger_registers()}, baud=115200)
    wire.damage_at = set(range(3, 100))  # all after the first cycle
    far_ends += [wire]
    each = run(charger_at(tmp_path / "a", every_s=1, baud=115200))
    each.until(good, 2)
    _, result = each.until(lambda _: True, 2)
    assert failed(result)
    assert result.health.errors == {"bad frame": 3}
    _, result = each.until(lambda _: True, 2)
    assert result.health.errors == {"bad frame": 4}, "once it is known to fail, once a cycle is enough"


def test_a_busy_device_is_asked_again_in_the_same_cycle(run, far_ends, tmp_path) -> None:
    wire = RtuFarEnd(tmp_path / "a", {1: charger_registers()}, baud=115200)
    wire.busy_at = {3}  # the first answer of the second cycle
    far_ends += [wire]
    each = run(charger_at(tmp_path / "a", every_s=0.5, baud=115200))
    each.until(good, 2)
    _, result = each.until(lambda _: True, 2)
    assert good(result)
    assert result.health.errors == {"refused": 1}


@pytest.mark.parametrize("kind", ["registers", "text"])
def test_a_port_that_is_missing_at_start_is_told_and_picked_up(run, far_ends, tmp_path, kind) -> None:
    end = (
        RtuFarEnd(tmp_path / "a", {1: charger_registers()}, plugged=False)
        if kind == "registers"
        else PtyFarEnd(tmp_path / "a", plugged=False)
    )
    far_ends += [end]
    each = run(
        charger_at(tmp_path / "a", every_s=20)
        if kind == "registers"
        else shunt_at(tmp_path / "a", every_s=20)
    )
    _, told = each.until(failed, 1)
    assert told.health.state == "never answered"
    assert told.health.errors == {"line lost": 1}
    assert "there is no such port; plug the adapter in" in told.health.last_error
    each.for_s(0.6)
    end.plug()
    plugged_s = time.monotonic()
    if kind == "text":
        far_ends.insert(0, Talker(end, LINE, 1.0))
    at, _ = each.until(good, 5)
    assert at - plugged_s < (1.0 if kind == "registers" else 2.5)


@pytest.mark.parametrize("kind", ["registers", "text"])
def test_unplug_and_replug_under_the_same_path(run, far_ends, tmp_path, kind) -> None:
    end = (
        RtuFarEnd(tmp_path / "a", {1: charger_registers()})
        if kind == "registers"
        else PtyFarEnd(tmp_path / "a")
    )
    far_ends += [end]
    if kind == "text":
        far_ends.insert(0, Talker(end, LINE, 0.2))
    each = run(
        charger_at(tmp_path / "a", every_s=0.5)
        if kind == "registers"
        else shunt_at(tmp_path / "a", every_s=0.5)
    )
    each.until(good, 3)
    for _ in range(3):
        end.unplug()
        _, lost = each.until(failed, 2)
        assert lost.health.state == "silent"
        each.for_s(0.7)
        end.plug()
        plugged_s = time.monotonic()
        at, _ = each.until(good, 3)
        assert at - plugged_s < 0.5 + 0.5  # one poll + 0.5 s


def test_a_server_that_restarts_costs_no_cycle(run, far_ends, tmp_path) -> None:
    server = TcpFarEnd({1: charger_registers()})
    each = run(charger_at(None, connection="tcp", host="127.0.0.1", tcp_port=server.port, every_s=0.4))
    each.until(good, 2)
    server.close()
    server = TcpFarEnd({1: charger_registers()}, server.port)
    far_ends += [server]
    results = each.for_s(2)
    assert len(results) >= 4
    assert all(good(result) for _, result in results), [result.error for _, result in results]


def test_a_server_that_is_gone_is_line_lost_and_found_again(run, far_ends, tmp_path) -> None:
    server = TcpFarEnd({1: charger_registers()})
    server.close()
    each = run(charger_at(None, connection="tcp", host="127.0.0.1", tcp_port=server.port, every_s=0.4))
    _, lost = each.until(failed, 2)
    assert lost.health.errors == {"line lost": 1}
    far_ends += [TcpFarEnd({1: charger_registers()}, server.port)]
    back_s = time.monotonic()
    at, _ = each.until(good, 2)
    assert at - back_s < 0.4 + 0.5


def test_stop_ends_all_threads_closes_the_ports_and_may_come_twice(far_ends, tmp_path) -> None:
    far_ends += [RtuFarEnd(tmp_path / "a", {1: charger_registers()}), PtyFarEnd(tmp_path / "b")]
    gc.collect()  # what earlier tests left behind must not close meanwhile
    before = len(os.listdir("/proc/self/fd"))
    each = Run(charger_at(tmp_path / "a"), shunt_at(tmp_path / "b"))
    each.until(good, 2)
    started_s = time.monotonic()
    each.poller.stop()
    each.poller.stop()
    assert time.monotonic() - started_s < 3
    assert len(os.listdir("/proc/self/fd")) == before
    Poller(each.lines, SystemClock(), each.queue).stop()  # never started


def test_poll_once_stamps_with_the_clock_that_was_handed_in(far_ends) -> None:
    far_ends += [server := TcpFarEnd({1: charger_registers()})]
    clock = SteppedClock(1_000_000)
    entry = charger_at(None, connection="tcp", host="127.0.0.1", tcp_port=server.port)
    (line,) = build_lines(site_of(entry), Path(), clock)
    for now_ms in (1_000_000, 1_060_000):
        clock.set(now_ms)
        result = poll_once(line.devices[0])
        assert {reading.time_ms for reading in result.readings} == {now_ms}
        assert result.health.last_good_ms == now_ms
    line.close()
    assert result.health.polls == 2


def test_a_fault_of_ours_does_not_end_the_polling(run, far_ends, tmp_path, caplog) -> None:
    server = TcpFarEnd({1: charger_registers()})
    far_ends += [server]
    each = run(charger_at(None, connection="tcp", host="127.0.0.1", tcp_port=server.port, every_s=0.2))
    each.until(good, 2)
    device = each.lines[0].devices[0]
    device.requests, kept = (None,), device.requests  # what a programming fault would leave behind
    _, result = each.until(failed, 2)
    assert "AttributeError" in result.health.last_error
    assert "unforeseen" in caplog.text
    device.requests = kept
    each.until(good, 2)


def test_results_that_nobody_takes_are_bounded_and_what_a_line_holds_comes_at_a_stop(
    monkeypatch, tmp_path
) -> None:
    monkeypatch.setattr(poll, "MOST_WAITING", 3)
    results: queue.SimpleQueue[PollResult] = queue.SimpleQueue()
    entries = (charger_at(tmp_path / "gone", every_s=0.2), shunt_at(tmp_path / "too", every_s=0.2))
    lines = build_lines(site_of(*entries), Path(), SystemClock())
    poller = Poller(lines, SystemClock(), results)
    poller.start()
    wait_for(lambda: results.qsize() >= 3)
    time.sleep(1.0)  # each line would have been polled five times
    waiting = results.qsize()
    assert waiting in (3, 4)  # both may have seen room for the last one
    poller.stop()
    assert results.qsize() == waiting + len(lines)
