"""Where a checkup's samples come from: the daemon's store while it runs, else the devices themselves.

Both read only. A running daemon is asked to write its readings every two seconds meanwhile
(`close_look.py`); its ports are its own, so nobody else could poll them."""

from __future__ import annotations

import queue
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from monitor.checkup.recording import Sample
from monitor.clock import CLOCK_NOTE, Clock, SystemClock, clock_from_note
from monitor.close_look import KIND, LONGEST_S
from monitor.devices.device import build_lines
from monitor.errors import NightbankError, SiteError, StoreError
from monitor.poll import Poller, PollResult
from monitor.records import Quality, Reading, Request
from monitor.sampling import polls_of
from monitor.site.load import placed, read_site
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.heartbeat import read_heartbeat
from monitor.stores import leave_request, open_reader

FASTEST_S = 2.0
"""The period in which a checkup asks the devices itself, where the site file's is longer (our choice: slow
displays change once a second)."""

ALIVE_COMMITS = 3
"""A daemon whose heartbeat is older than so many of its commits does not run (our choice: one may be
late)."""

LATE_MS = 60_000
"""A reading may reach the store so much later than its time (our choice)."""


class CheckupError(NightbankError):
    """The checkup cannot be made; the text says why and what to do."""


class Source(Protocol):
    """Samples as they come."""

    name: str
    clock: Clock
    every_s: float
    """The longest period of any device."""

    def samples(self) -> list[Sample]:
        """What has come since the last call, in order of time."""

    def close(self) -> None:
        """Release what it holds; may be called twice."""


class PolledSource:
    """The devices asked by the checkup itself."""

    name = "the devices, read by the checkup itself"

    def __init__(self, site: Site, site_file: Path) -> None:
        """Raises SiteError where the site file's devices cannot be used."""
        self.clock: Clock = SystemClock()
        faster = tuple(
            device.model_copy(update={"every_s": min(device.every_s, FASTEST_S)}) for device in site.devices
        )
        self.every_s = max(device.every_s for device in faster)
        self._results: queue.SimpleQueue[PollResult] = queue.SimpleQueue()
        lines = build_lines(site.model_copy(update={"devices": faster}), site_file.parent, self.clock)
        self._poller = Poller(lines, self.clock, self._results)
        self._poller.start()

    def samples(self) -> list[Sample]:
        found = []
        with suppress(queue.Empty):
            while True:
                found += samples_of(self._results.get_nowait().readings)
        return found

    def close(self) -> None:
        self._poller.stop()


class StoredSource:
    """What the running daemon stores."""

    name = "the running monitor"

    def __init__(self, site: Site, site_file: Path, reader: StoreReader) -> None:
        """Takes the reader over. Raises CheckupError where the daemon cannot be asked to write faster."""
        self.clock = clock_from_note(reader.note(CLOCK_NOTE))
        self.every_s = max(device.every_s for device in site.devices)
        self._site, self._site_file = site, site_file
        self._reader, self._devices = reader, {device.name for device in site.devices}
        self._from_ms = self.clock.now_ms()
        self._seen: set[tuple[int, str]] = set()
        self._looks = True
        try:
            self._ask(LONGEST_S)
        except StoreError as error:
            reader.close()
            raise CheckupError(
                f"{error}. Stop the monitor and ask again: then the devices are read directly"
            ) from error

    def samples(self) -> list[Sample]:
        now_ms = self.clock.now_ms()
        since_ms = max(self._from_ms, now_ms - LATE_MS)
        found = samples_of(self._reader.readings(since_ms, now_ms + LATE_MS, self._devices))
        new = [sample for sample in found if (sample.time_ms, sample.device) not in self._seen]
        self._seen.update((sample.time_ms, sample.device) for sample in new)
        return new

    def close(self) -> None:
        if self._looks:
            self._looks = False
            with suppress(StoreError):  # the close look ends by itself, too
                self._ask(0.0)
        self._reader.close()

    def _ask(self, for_s: float) -> None:
        request = Request(self.clock.now_ms(), KIND, "", {"for_s": for_s}, "the checkup")
        leave_request(self._site, self._site_file, request)


def samples_of(readings: Iterable[Reading]) -> list[Sample]:
    """Readings in order of time and device as samples; what is suspect is no value and no absence."""
    return [
        Sample(
            poll[0].time_ms,
            poll[0].device,
            {each.quantity: each.value for each in poll if each.quality is not Quality.SUSPECT},
        )
        for poll in polls_of(readings)
    ]


def open_source(site: Site, site_file: Path) -> Source:
    """The daemon's store while it runs, else the devices. Raises NightbankError."""
    if not site.devices:
        raise CheckupError(
            f"{site_file}: no device is described; add a table [[devices]] for each, then ask again"
        )
    reader = _running(site, site_file)
    if reader is not None:
        return StoredSource(site, site_file, reader)
    try:
        return PolledSource(site, site_file)
    except SiteError as error:
        raise placed(error, site_file, read_site(site_file)[1]) from error


def device_quantities(site: Site, site_file: Path) -> set[str]:
    """All quantities that the site's profiles can give. Raises SiteError."""
    lines = build_lines(site, site_file.parent, SystemClock())
    return {quantity for line in lines for device in line.devices for quantity in device.quantities}


def _running(site: Site, site_file: Path) -> StoreReader | None:
    """A reader of the store where a daemon fills it now, else None."""
    try:
        reader = open_reader(site, site_file)
    except StoreError:
        return None
    beat = read_heartbeat(reader)
    now_ms = clock_from_note(reader.note(CLOCK_NOTE)).now_ms()
    longest_ms = 1000 * (ALIVE_COMMITS * site.store.commit_every_s + 10)
    if beat is None or beat.stopped_ms is not None or abs(now_ms - beat.time_ms) > longest_ms:
        reader.close()
        return None
    return reader
