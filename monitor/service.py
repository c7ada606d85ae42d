"""The daemon: store, lines, poll loop and pipeline put together; one clean path for every way to stop."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from monitor.alarms.computer import Computer
from monitor.array_look import ArrayLook
from monitor.capacity.watch import CapacityWatch
from monitor.clock import Clock, CountClock
from monitor.clock.kernel import Kernel
from monitor.clock.steady import SteadyClock
from monitor.close_look import CloseLook
from monitor.day_book import DayBook
from monitor.devices.device import Line, build_lines
from monitor.errors import ServerError, SiteError, StoreError
from monitor.memory import give_back, keep_small
from monitor.notices.noticer import Noticer
from monitor.outlooks import Outlooks
from monitor.pipeline import Pipeline
from monitor.poll import Poller, PollResult
from monitor.power.halting import runtime_folder
from monitor.power.keeper import PowerKeeper
from monitor.records import Reading, iso_utc
from monitor.sdnotify import notify
from monitor.site.load import placed, read_site, with_defaults
from monitor.site.model import Site
from monitor.stopping import stop_signals
from monitor.store import store_path
from monitor.store.base import StoreWriter
from monitor.store.held import HeldReadings, held_path
from monitor.store.mirrors import keep_only
from monitor.stores import open_writer
from monitor.sun_clock import SunClock
from monitor.sun_tables import SunTables
from monitor.timekeeper import Timekeeper, start_clock
from monitor.typical_year import YearKeeper

log = logging.getLogger("nightbank")

WAKE_S = 1.0
"""The longest wait of the main loop: how soon a stop is seen and a commit may be late."""

FEED_EVERY_S = 5.0
"""How often the watchdog is told that all goes on; the unit waits a minute (our choice)."""

STALL_S, STALL_TIMEOUTS = 120.0, 60
"""A line's thread that has not come round for this long, and for so many of its devices' longest time-outs,
hangs (our choice: a poll is six requests at most, `rtu.TRIES`, each with a wait for silence and one for the
answer, and each of those takes five time-outs at most, `rtu.LONGEST_WAIT`)."""

STARTING_US = 900_000_000
"""Patience for one channel's days at the start (our choice; measured: 0.2 s for two months at 5 s on a
desktop, which makes a minute for five years on the slowest Pi; the protocol is sd_notify(3))."""

BEHIND_S = 300.0
"""A clock so far behind the newest reading is told at the start (our choice)."""


def run(site_file: Path, kernel: Kernel | None = None) -> None:
    """Run the daemon of one site until SIGTERM or SIGINT. kernel is this computer's.

    Raises SiteError or StoreError before anything is polled.
    """
    keep_small()
    described, toml_lines = read_site(site_file)
    site, _ = with_defaults(described)
    kernel = kernel or Kernel()
    try:
        lines = build_lines(site, site_file.parent, CountClock(kernel))
    except SiteError as error:
        raise placed(error, site_file, toml_lines) from error
    with stop_signals() as stop, closing(open_writer(site, site_file, _still_starting)) as store:
        if site.store.server is None:
            keep_only(store_path(site, site_file), [mirror.name for mirror in site.mirrors])
        path = held_path(store_path(site, site_file))
        with closing(HeldReadings(path, kernel.boot)) as held:
            serve(
                site, site_file, lines, store, start_clock(kernel, store, held), stop, Waiting(kernel, held)
            )


def _still_starting() -> None:
    """Ask systemd for patience: it would end a start of more than two minutes, and each one after it."""
    notify(f"EXTEND_TIMEOUT_USEC={STARTING_US}", "STATUS=the time zone changed: all days are summed anew")


@dataclass(frozen=True, slots=True)
class Waiting:
    """What a daemon needs that may not know the time: who might, and where readings wait until then."""

    kernel: Kernel
    held: HeldReadings


def serve(
    site: Site,
    site_file: Path,
    lines: Sequence[Line],
    store: StoreWriter,
    clock: Clock,
    stop: threading.Event,
    waiting: Waiting | None = None,
) -> None:
    """Poll the lines' devices into the store until `stop` is set; site has its set points filled in.

    waiting belongs to a SteadyClock; every other clock knows its time.

    The first commit is made before systemd is told that the daemon is ready. The watchdog is fed only
    after a whole round of the main loop and only while every line's thread goes on.
    """
    if not lines:
        log.warning("the site file names no [[devices]]: nothing will be polled")
    held = None if waiting is None else waiting.held
    pipeline = Pipeline(site, store, clock, Computer(store_path(site, site_file).parent), held)
    kernel = Kernel() if waiting is None else waiting.kernel
    power = PowerKeeper(
        site,
        store,
        clock,
        pipeline.alarms,
        pipeline.tell,
        runtime_folder(),
        kernel.boot,
        lambda: clock.is_known and not pipeline.holds,
        kernel.computer,
    )
    pipeline.tell("start", "", _start_text(store, clock))
    pipeline.save()
    rounds = _Rounds(site, site_file, lines, store, clock, pipeline, power, waiting)
    notify("READY=1", f"STATUS=devices: {len(site.devices)}, lines: {len(lines)}")
    try:
        while not stop.is_set():
            rounds.go()
    finally:
        notify("STOPPING=1")
        rounds.end()
        pipeline.tell("stop", "", power.stop_text)
        pipeline.save(stopped=True)


class _Rounds:
    """The main loop's work, round by round: results through the pipeline, then whatever has become due."""

    def __init__(
        self,
        site: Site,
        site_file: Path,
        lines: Sequence[Line],
        store: StoreWriter,
        clock: Clock,
        pipeline: Pipeline,
        power: PowerKeeper,
        waiting: Waiting | None,
    ) -> None:
        self._pipeline, self._clock, self._power = pipeline, clock, power
        self._sun = SunTables(site, store, clock)
        self._outlooks = Outlooks(site, store, clock)
        self._book = DayBook(site, site_file, store, clock)
        self._array = ArrayLook(site, site_file, store, clock)
        self._year = YearKeeper(site, site_file, store, clock)
        self._test = CapacityWatch(site, store, clock)
        self._noticer = Noticer(site, site_file.parent, store, clock)
        self._results: queue.SimpleQueue[PollResult] = queue.SimpleQueue()
        self._poller = Poller(lines, clock, self._results)
        self._close_look = CloseLook(store, clock, site.store.commit_every_s)
        self._stall_s = max([STALL_S, *(STALL_TIMEOUTS * entry.timeout_s for entry in site.devices)])
        self._timekeeper: Timekeeper | None = None
        self._sun_clock: SunClock | None = None
        if waiting is not None and isinstance(clock, SteadyClock):
            self._timekeeper = Timekeeper(
                waiting.kernel, clock, store, waiting.held, pipeline, self._moved, self._feed
            )
            self._sun_clock = SunClock(site, site_file, clock)
        self._saved_s = self._fed_s = self._looked_s = clock.elapsed_s()
        self._poller.start()

    def go(self) -> None:
        """One round. A store that cannot be written is told in the log and on every channel;
        it neither ends the daemon nor hangs it, so that the watchdog is fed all the same."""
        for work in (self._take, *self._looks(), self._save):
            try:
                work()
            except ServerError as error:
                # A server that is away: what was to be asked of it waits, all else goes on.
                log.error("%s", error)
            except StoreError as error:
                # A full or failing card: what came stays in memory for the next commit, and polling goes on.
                log.error("%s", error)
                self._noticer.shout(error)
        if self._clock.elapsed_s() - self._fed_s >= FEED_EVERY_S and self._polling:
            self._feed()

    def _feed(self) -> None:
        self._fed_s = self._clock.elapsed_s()
        notify("WATCHDOG=1")

    @property
    def _polling(self) -> bool:
        return self._poller.longest_stall_s() < self._stall_s

    def _take(self) -> None:
        """The next poll's result, if one comes within WAKE_S."""
        with suppress(queue.Empty):
            result = self._results.get(timeout=WAKE_S)
            self._noticer.take(self._pipeline.take(result))
            if self._timekeeper is not None:
                self._timekeeper.receive(result.device, result.times)

    def _save(self) -> None:
        """Commit, where that is due."""
        every_s = self._power.commit_every_s(self._close_look.commit_every_s)
        if self._clock.elapsed_s() - self._saved_s >= every_s:
            self._saved_s = self._clock.elapsed_s()
            self._pipeline.save()

    def _looks(self) -> Sequence[Callable[[], object]]:
        """What is due without a reading, once a second; none of it takes long, or keeps the next from its
        turn."""
        if self._clock.elapsed_s() - self._looked_s < WAKE_S:
            return ()
        self._looked_s = self._clock.elapsed_s()
        kept = () if self._timekeeper is None else (self._timekeeper.follow,)
        dated = (
            self._sun.follow,
            self._book.follow,
            self._year.follow,
            self._follow_sun_clock,
            self._follow_array,
            self._follow_outlook,
            self._follow_test,
        )
        return (
            *kept,
            self._close_look.follow,
            lambda: self._noticer.take(self._pipeline.follow()),
            self._follow_power,
            *(dated if self._clock.is_known and not self._pipeline.holds else ()),
            lambda: self._noticer.follow(polling=self._polling),
        )

    def _follow_outlook(self) -> None:
        """The night ahead, whose many supposed banks leave holes in the heap."""
        if self._outlooks.follow(self._pipeline.estimator) is not None:
            give_back()

    def _follow_test(self) -> None:
        """The capacity test that somebody has begun; who has asked for something waits for the answer."""
        if self._test.follow():
            self._pipeline.save()

    def _follow_sun_clock(self) -> None:
        """The clock held against the sun, not beside the days' process."""
        if self._sun_clock is not None and not self._book.at_work:
            self._sun_clock.follow()

    def _follow_array(self) -> None:
        """The look at the array, beside no other process over its days."""
        if not self._book.at_work and not (self._sun_clock and self._sun_clock.at_work):
            self._array.follow()

    def _moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms: what is still to be told follows, and days are entered
        anew."""
        self._noticer.moved(from_ms, by_ms)
        self._power.moved(from_ms, by_ms)
        self._test.moved(from_ms, by_ms)
        self._book.moved(from_ms, by_ms)

    def _follow_power(self) -> None:
        """The dark time before, the halt ahead, the pace between."""
        if self._power.follow():
            self._pipeline.save()
        self._poller.slow_to(self._power.least_period_s(watched=self._close_look.looks))

    def end(self) -> None:
        """Stop all threads and processes; what was read goes through the pipeline first."""
        self._sun.stop()
        self._book.stop()
        self._array.stop()
        self._year.stop()
        if self._sun_clock is not None:
            self._sun_clock.stop()
        self._poller.stop()
        with suppress(StoreError):
            for result in _waiting(self._results):
                self._noticer.take(self._pipeline.take(result))
        with suppress(StoreError):
            self._noticer.stop()


def _waiting(results: queue.SimpleQueue[PollResult]) -> Iterator[PollResult]:
    while not results.empty():
        yield results.get_nowait()


def _start_text(store: StoreWriter, clock: Clock) -> str:
    """What the log and the events say of a start; how long it was dark follows (`power/darkness.py`)."""
    if not clock.is_known:
        return (
            "The monitor has started, but nobody has told the time since the computer was switched on."
            " Readings wait, and are stamped when it is known."
        )
    latest: list[Reading] = store.latest()
    if not latest:
        return "The monitor has started for the first time."
    last_ms = max(reading.time_ms for reading in latest)
    if (clock.now_ms() - last_ms) / 1000 < -BEHIND_S:
        return (
            f"The monitor has started, but the clock says {iso_utc(clock.now_ms())} and the last reading is "
            f"of {iso_utc(last_ms)}: is the clock right?"
        )
    return "The monitor has started again."
