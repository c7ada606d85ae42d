"""The daemon: store, lines, poll loop and pipeline put together; one clean path for every way to stop."""

from __future__ import annotations

import logging
import queue
import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType

from monitor.alarms.computer import Computer
from monitor.clock import Clock, SystemClock
from monitor.devices.device import Line, build_lines
from monitor.errors import SiteError, StoreError
from monitor.pipeline import Pipeline
from monitor.poll import Poller, PollResult
from monitor.records import Reading, iso_utc
from monitor.sdnotify import notify
from monitor.site.load import placed, read_site, with_defaults
from monitor.site.model import Site
from monitor.store import store_path
from monitor.store.base import StoreWriter
from monitor.store.embedded import open_writer
from monitor.sun_tables import SunTables

log = logging.getLogger("nightbank")

WAKE_S = 1.0
"""The longest wait of the main loop: how soon a stop is seen and a commit may be late."""

FEED_EVERY_S = 5.0
"""How often the watchdog is told that all goes on; the unit waits a minute (our choice)."""

STALL_S = 120.0
"""A line's thread that has not come round for this long hangs: its longest poll is three tries of 30 s."""

DARK_AFTER_S = 300.0
"""A longer silence before the start is told as dark time (our choice)."""


def run(site_file: Path) -> None:
    """Run the daemon of one site until SIGTERM or SIGINT.

    Raises SiteError or StoreError before anything is polled.
    """
    described, toml_lines = read_site(site_file)
    site, _ = with_defaults(described)
    clock = SystemClock()
    try:
        lines = build_lines(site, site_file.parent, clock)
    except SiteError as error:
        raise placed(error, site_file, toml_lines) from error
    path = store_path(site, site_file)
    with stop_signals() as stop, open_writer(path, site.site.time_zone) as store:
        serve(site, lines, store, clock, stop, Computer(path.parent))


def serve(
    site: Site,
    lines: Sequence[Line],
    store: StoreWriter,
    clock: Clock,
    stop: threading.Event,
    computer: Computer | None = None,
) -> None:
    """Poll the lines' devices into the store until `stop` is set; site has its set points filled in.

    Alarms on the computer itself ask `computer`; without it they are unknown.

    The first commit is made before systemd is told that the daemon is ready. The watchdog is fed only
    after a whole round of the main loop and only while every line's thread goes on.
    """
    if not lines:
        log.warning("the site file names no [[devices]]: nothing will be polled")
    results: queue.SimpleQueue[PollResult] = queue.SimpleQueue()
    pipeline = Pipeline(site, store, clock, computer)
    pipeline.tell("start", "", _start_text(store, clock))
    pipeline.save()
    sun = SunTables(site, store, clock)
    poller = Poller(lines, clock, results)
    poller.start()
    notify("READY=1", f"STATUS={len(site.devices)} devices on {len(lines)} lines")
    try:
        _follow(pipeline, poller, results, sun, clock, site.store.commit_every_s, stop)
    finally:
        notify("STOPPING=1")
        sun.stop()
        poller.stop()
        for result in _waiting(results):
            pipeline.take(result)
        pipeline.tell("stop", "", "The monitor was stopped.")
        pipeline.save(stopped=True)


def _follow(
    pipeline: Pipeline,
    poller: Poller,
    results: queue.SimpleQueue[PollResult],
    sun: SunTables,
    clock: Clock,
    commit_every_s: float,
    stop: threading.Event,
) -> None:
    """The main loop: every result through the pipeline, a commit each commit_every_s.

    A store that cannot be written is told in the log at every try and does not end the daemon.
    """
    saved_s = fed_s = looked_s = clock.elapsed_s()
    while not stop.is_set():
        try:
            with suppress(queue.Empty):
                pipeline.take(results.get(timeout=WAKE_S))
            if clock.elapsed_s() - looked_s >= WAKE_S:
                looked_s = clock.elapsed_s()
                pipeline.follow()
            sun.follow()
            if clock.elapsed_s() - saved_s >= commit_every_s:
                saved_s = clock.elapsed_s()
                pipeline.save()
            if clock.elapsed_s() - fed_s >= FEED_EVERY_S and poller.longest_stall_s() < STALL_S:
                fed_s = clock.elapsed_s()
                notify("WATCHDOG=1")
        except StoreError as error:
            # A full or failing card: what came stays in memory for the next commit, and polling goes on.
            log.error("%s", error)


def _waiting(results: queue.SimpleQueue[PollResult]) -> Iterator[PollResult]:
    while not results.empty():
        yield results.get_nowait()


def _start_text(store: StoreWriter, clock: Clock) -> str:
    """What the log and the events say of a start: new, or how long it was dark."""
    latest: list[Reading] = store.latest()
    if not latest:
        return "The monitor has started for the first time."
    last_ms = max(reading.time_ms for reading in latest)
    dark_s = (clock.now_ms() - last_ms) / 1000
    if dark_s < -DARK_AFTER_S:
        return (
            f"The monitor has started, but the clock says {iso_utc(clock.now_ms())} and the last reading is "
            f"of {iso_utc(last_ms)}: is the clock right?"
        )
    if dark_s <= DARK_AFTER_S:
        return "The monitor has started again."
    hours, minutes = divmod(round(dark_s / 60), 60)
    since = iso_utc(last_ms)
    return f"The monitor has started after {hours} h {minutes} min without readings (since {since})."


@contextmanager
def stop_signals() -> Iterator[threading.Event]:
    """An event that SIGTERM and SIGINT set; the former handlers come back at the end."""
    stop = threading.Event()

    def handle(signum: int, frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, handle) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
